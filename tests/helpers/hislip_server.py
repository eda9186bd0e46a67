"""HiSLIP in synchronized mode, as a peer for tests; message types and fields from IVI-6.1 (from memory)."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading

from helpers.loopback_server import LoopbackServer
from helpers.message_exchange import Exchange

_HEADER = ">2sBBIQ"
_INITIALIZE, _INITIALIZED, _DATA, _DATA_END = 0, 1, 6, 7
_CLEAR_COMPLETE, _CLEAR_ACKNOWLEDGE, _INTERRUPTED, _ASYNC_INTERRUPTED = 8, 9, 13, 14
_MAX_SIZE, _MAX_SIZE_ANSWER, _ASYNC_INITIALIZE, _ASYNC_INITIALIZED = 15, 16, 17, 18
_ASYNC_CLEAR, _STATUS_QUERY, _STATUS, _ASYNC_CLEAR_ACKNOWLEDGE = 19, 21, 22, 23


class HislipServer(LoopbackServer):
    """Serve one instrument to one client at a time; answers go out in pieces of `piece` bytes."""

    def __init__(self, exchange: Exchange, *, piece: int = 30_000) -> None:
        self.exchange, self.piece = exchange, piece
        self._sync: socket.socket | None = None
        self._message_id = 0
        self._delivered = True  # the client has read the last answer to its end, as far as it has said
        self._sending = threading.Lock()
        exchange.on_answer = self._answer
        super().__init__()

    @property
    def resource(self) -> str:
        """VISA resource name."""
        return f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"

    def close(self) -> None:
        """See `LoopbackServer.close`."""
        self.exchange.stop()
        super().close()

    def serve(self, peer: socket.socket) -> None:
        """Take one message after the other."""
        with peer.makefile("rb") as stream:
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
