"""A small SCPI instrument over a loopback socket or a pty, with a link that can break on purpose.

An instrument is a function from a command line to an `Answer`. An answer is bytes, or a list played in order:
bytes are sent, numbers are pauses in seconds, `CLOSE` ends the connection in an orderly way, `RESET` tears it.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator, Mapping

from helpers.loopback_server import LoopbackServer
from helpers.systems import skip_without_terminals

CLOSE = object()
RESET = object()
Answer = bytes | list[object] | None
Instrument = Callable[[str], Answer]


class ScpiServer(LoopbackServer):
    """Serve an instrument to any number of connections on 127.0.0.1 until closed.

    `received` lists the commands in order; `connections` counts them.
    """

    def __init__(self, instrument: Instrument) -> None:
        self._instrument = instrument
        self.received: list[str] = []
        super().__init__()

    @property
    def resource(self) -> str:
        """VISA resource name."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def address(self) -> str:
        """Adapter address."""
        return f"visa:{self.resource}"

    def serve(self, peer: socket.socket) -> None:
        """Answer one line after the other."""
        buffer = b""
        while data := peer.recv(65536):
            *lines, buffer = (buffer + data).split(b"\n")
            for line in lines:
                self.received.append(line.decode("latin-1").strip())
                answer = self._instrument(self.received[-1])
                if not _play(answer, peer.sendall):
                    if answer is not None and RESET in answer:  # type: ignore[operator]
                        peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                    return


@contextlib.contextmanager
def pty_server(instrument: Instrument) -> Iterator[str]:
    """Serve an instrument on a pseudo terminal; yields the VISA resource name of the other end."""
    skip_without_terminals()
    import tty

    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    stop = threading.Event()

    def serve() -> None:
        buffer = b""
        with contextlib.suppress(OSError):
            while not stop.is_set():
                if not select.select([master], [], [], 0.02)[0]:
                    continue
                *lines, buffer = (buffer + os.read(master, 65536)).split(b"\n")
                for line in lines:
                    if not _play(instrument(line.decode("latin-1").strip()), lambda d: _write_all(master, d)):
                        os.close(master)
                        return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"ASRL{os.ttyname(slave)}::INSTR"
    finally:
        stop.set()
        thread.join(5)
        for fd in (master, slave):
            with contextlib.suppress(OSError):
                os.close(fd)


def _write_all(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]


def _play(answer: Answer, send: Callable[[bytes], object]) -> bool:
    """Play an answer; False when the connection has to end."""
    for step in [answer] if isinstance(answer, bytes) else answer or []:
        if isinstance(step, bytes):
            send(step)
        elif isinstance(step, float | int):
            time.sleep(step)
        elif step is CLOSE or step is RESET:
            return False
    return True


class Scripted:
    """An instrument made of a table: patterns of commands, and what each answers.

    Parameters
    ----------
    table : mapping
        Regular expression (whole command, case as typed) to an answer, or to a function from the match to one.
        Text is sent with a newline. Commands of no pattern leave -113 in the error queue.
    error_query : str
        The command that reads the queue.
    """

    def __init__(
        self,
        table: Mapping[str, str | Answer | Callable[[re.Match[str]], str | Answer]],
        *,
        identity: str = "simulated,XX-00,0,1.0",
        error_query: str = "SYSTem:ERRor?",
    ) -> None:
        self.table = {re.escape("*IDN?"): identity} | dict(table)
        self.errors: list[str] = []
        self._error_query = error_query

    def __call__(self, command: str) -> Answer:
        """Answer one command."""
        if command == self._error_query:
            return ((self.errors.pop(0) if self.errors else '0,"No error"') + "\n").encode()
        if command == "*CLS":
            self.errors.clear()
            return None
        for pattern, answer in self.table.items():
            match = re.fullmatch(pattern, command)
            if match:
                said = answer(match) if callable(answer) else answer
                return f"{said}\n".encode() if isinstance(said, str) else said
        self.errors.append(f'-113,"Undefined header;{command}"')
        return None
