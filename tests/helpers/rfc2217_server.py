"""A serial port served over the network by RFC 2217 (Telnet COM-PORT-OPTION), as a peer for tests."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable

from helpers.loopback_server import LoopbackServer

_IAC, _DONT, _DO, _WONT, _WILL, _SB, _SE = 255, 254, 253, 252, 251, 250, 240
_BINARY, _GO_AHEAD, _COM_PORT = 0, 3, 44
_SET_BAUD = 1


class Rfc2217Server(LoopbackServer):
    """Serves bytes from a function to whoever is connected, and notes how the line was set.

    Parameters
    ----------
    talk : callable
        Given the baud rate that is set, the bytes the meter sends now; called every `every_s`.
    """

    def __init__(self, talk: Callable[[int], bytes], every_s: float = 0.1) -> None:
        self._talk, self._every_s = talk, every_s
        self.settings: dict[int, bytes] = {}
        self.received = bytearray()
        self._peer: socket.socket | None = None
        self._stop = threading.Event()
        super().__init__()
        self._talker = threading.Thread(target=self._send, daemon=True)
        self._talker.start()

    @property
    def url(self) -> str:
        """Where it is."""
        return f"rfc2217://127.0.0.1:{self.port}"

    @property
    def baud(self) -> int:
        """Baud rate the client has set; 0 before."""
        return int.from_bytes(self.settings.get(_SET_BAUD, b""), "big")

    def close(self) -> None:
        """See `LoopbackServer.close`."""
        self._stop.set()
        self._talker.join(5)
        super().close()

    def serve(self, peer: socket.socket) -> None:
        """Follow what one client says, as long as it is connected."""
        self.settings, self._peer = {}, peer
        with contextlib.suppress(OSError, StopIteration):
            self._follow(peer)
        self._peer = None

    def _follow(self, peer: socket.socket) -> None:
        stream = iter(lambda: peer.recv(1), b"")
        for byte in stream:
            if byte[0] != _IAC:
                self.received += byte
                continue
            command = next(stream)[0]
            if command == _IAC:
                self.received.append(_IAC)
            elif command in (_WILL, _DO):
                option = next(stream)[0]
                known = option in (_BINARY, _GO_AHEAD, _COM_PORT)
                answer = {_WILL: _DO if known else _DONT, _DO: _WILL if known else _WONT}[command]
                peer.sendall(bytes([_IAC, answer, option]))
            elif command in (_WONT, _DONT):
                next(stream)
            elif command == _SB:
                self._subnegotiation(peer, stream)

    def _subnegotiation(self, peer: socket.socket, stream: object) -> None:
        body = bytearray()
        while True:
            byte = next(stream)[0]  # type: ignore[call-overload]
            if byte == _IAC:
                byte = next(stream)[0]  # type: ignore[call-overload]
                if byte == _SE:
                    break
            body.append(byte)
        if body[0] == _COM_PORT:
            code, value = body[1], bytes(body[2:])
            self.settings[code] = value
            escaped = value.replace(b"\xff", b"\xff\xff")
            peer.sendall(bytes([_IAC, _SB, _COM_PORT, code + 100]) + escaped + bytes([_IAC, _SE]))

    def _send(self) -> None:
        while not self._stop.is_set():
            time.sleep(self._every_s)
            peer = self._peer
            if peer is not None and self.baud:
                data = self._talk(self.baud).replace(b"\xff", b"\xff\xff")
                with contextlib.suppress(OSError):
                    peer.sendall(data)
