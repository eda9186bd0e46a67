"""HiSLIP in synchronized mode, as a peer for tests; message types and fields from IVI-6.1 (from memory)."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from typing import Self

from helpers.message_exchange import Exchange

_HEADER = ">2sBBIQ"
_INITIALIZE, _INITIALIZED, _DATA, _DATA_END = 0, 1, 6, 7
_CLEAR_COMPLETE, _CLEAR_ACKNOWLEDGE, _INTERRUPTED, _ASYNC_INTERRUPTED = 8, 9, 13, 14
_MAX_SIZE, _MAX_SIZE_ANSWER, _ASYNC_INITIALIZE, _ASYNC_INITIALIZED = 15, 16, 17, 18
_ASYNC_CLEAR, _STATUS_QUERY, _STATUS, _ASYNC_CLEAR_ACKNOWLEDGE = 19, 21, 22, 23


class HislipServer:
    """Serve one instrument to one client at a time; answers go out in pieces of `piece` bytes."""

    def __init__(self, exchange: Exchange, *, piece: int = 30_000) -> None:
        self.exchange, self.piece = exchange, piece
        self._sync: socket.socket | None = None
        self._peers: list[socket.socket] = []
        self._message_id = 0
        self._delivered = True  # the client has read the last answer to its end, as far as it told
        self._sending = threading.Lock()
        exchange.on_answer = self._answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    @property
    def resource(self) -> str:
        """VISA resource name."""
        return f"TCPIP::127.0.0.1::hislip0,{self._listener.getsockname()[1]}::INSTR"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.exchange.stop()
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.hang_up()
        for thread in self._threads:
            thread.join(5)

    def hang_up(self) -> None:
        """Close the connections there are."""
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self._listener.accept()
                peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._peers.append(peer)
                thread = threading.Thread(target=self._serve, args=(peer,), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, peer: socket.socket) -> None:
        with contextlib.suppress(OSError), peer, peer.makefile("rb") as stream:
            while True:
                head = stream.read(16)
                if len(head) < 16:
                    return
                mark, kind, control, parameter, size = struct.unpack(_HEADER, head)
                payload = stream.read(size)
                if mark != b"HS":
                    return
                self._message(peer, kind, control, parameter, payload)

    def _message(self, peer: socket.socket, kind: int, control: int, parameter: int, payload: bytes) -> None:
        if kind == _INITIALIZE:
            self.exchange.clear()  # a new session begins empty
            self._sync, self._delivered = peer, True
            self._send(peer, _INITIALIZED, 0, (0x0100 << 16) | 7)
        elif kind == _ASYNC_INITIALIZE:
            self._send(peer, _ASYNC_INITIALIZED, 0, 0x7878)
        elif kind == _MAX_SIZE:
            self._send(peer, _MAX_SIZE_ANSWER, 0, 0, struct.pack(">Q", 1 << 20))
        elif kind == _STATUS_QUERY:
            self._send(peer, _STATUS, 0, 0)
        elif kind == _ASYNC_CLEAR:
            self.exchange.clear()
            self._delivered = True
            self._send(peer, _ASYNC_CLEAR_ACKNOWLEDGE, 0, 0)
        elif kind == _CLEAR_COMPLETE:
            self._send(peer, _CLEAR_ACKNOWLEDGE, 0, 0)
        elif kind in (_DATA, _DATA_END):
            if control & 1:
                self._delivered = True
            elif not self._delivered:  # an answer went out and was not read to its end
                self._delivered = True
                self.exchange.instrument.errors.append('-410,"Query INTERRUPTED"')
                self._send(peer, _INTERRUPTED, 0, parameter)
            self._message_id = parameter
            self.exchange.write(payload, kind == _DATA_END)

    def _answer(self, data: bytes) -> None:
        """Send an answer as soon as it is there; it belongs to the message that asked for it."""
        if self._sync is None:
            return
        self._delivered = False
        with contextlib.suppress(OSError):
            for at in range(0, len(data), self.piece):
                last = at + self.piece >= len(data)
                kind = _DATA_END if last else _DATA
                self._send(self._sync, kind, 0, self._message_id, data[at : at + self.piece])
        self.exchange.taken()

    def _send(
        self, peer: socket.socket, kind: int, control: int, parameter: int, payload: bytes = b""
    ) -> None:
        with self._sending:
            peer.sendall(struct.pack(_HEADER, b"HS", kind, control, parameter, len(payload)) + payload)
