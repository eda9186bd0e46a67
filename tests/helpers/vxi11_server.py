"""VXI-11 core channel over ONC RPC (RFC 5531, XDR RFC 4506), as a peer for tests; numbers from VXI-11 revision 1.0."""

from __future__ import annotations

import socket
import struct

from helpers.loopback_server import LoopbackServer
from helpers.message_exchange import Exchange

_CREATE_LINK, _WRITE, _READ, _READ_STB, _CLEAR, _DESTROY_LINK = 10, 11, 12, 13, 15, 23
_NOT_SUPPORTED, _IO_TIMEOUT = 8, 15
_FLAG_END, _REASON_COUNT, _REASON_END = 8, 1, 4


class Vxi11Server(LoopbackServer):
    """Serve one instrument; `has_clear` says whether it knows device clear."""

    def __init__(self, exchange: Exchange, *, has_clear: bool = True, max_receive: int = 16384) -> None:
        self.exchange, self.has_clear, self.max_receive = exchange, has_clear, max_receive
        super().__init__()

    @property
    def resource(self) -> str:
        """VISA resource name; the port is in it, so that no port mapper is needed."""
        return f"TCPIP::127.0.0.1,{self.port}::inst0::INSTR"

    def close(self) -> None:
        """See `LoopbackServer.close`."""
        self.exchange.stop()
        super().close()

    def serve(self, peer: socket.socket) -> None:
        """Take one call after the other."""
        with peer.makefile("rb") as stream:
            while True:
                record, last = b"", False
                while not last:
                    head = stream.read(4)
                    if len(head) < 4:
                        return
                    (mark,) = struct.unpack(">I", head)
                    last = bool(mark >> 31)
                    record += stream.read(mark & 0x7FFFFFFF)
                xid, _call, _rpc, _program, _version, procedure = struct.unpack_from(">6I", record)
                at = 24
                for _ in range(2):  # credentials and verifier
                    at += 8 + struct.unpack_from(">I", record, at + 4)[0]
                result = self._call(procedure, record[at:])
                reply = struct.pack(">6I", xid, 1, 0, 0, 0, 0) + result
                peer.sendall(struct.pack(">I", 0x80000000 | len(reply)) + reply)

    def _call(self, procedure: int, args: bytes) -> bytes:
        if procedure == _CREATE_LINK:
            return struct.pack(">IIII", 0, 1, 0, self.max_receive)
        if procedure == _WRITE:
            _link, _wait, _lock, flags, size = struct.unpack_from(">5I", args)
            self.exchange.write(args[20 : 20 + size], bool(flags & _FLAG_END))
            return struct.pack(">II", 0, size)
        if procedure == _READ:
            _link, size, wait_ms = struct.unpack_from(">3I", args)
            came = self.exchange.read(size, wait_ms / 1000)
            if came is None:
                return struct.pack(">III", _IO_TIMEOUT, 0, 0)
            data, ended = came
            reason = (_REASON_END if ended else 0) | (_REASON_COUNT if len(data) == size else 0)
            return struct.pack(">III", 0, reason, len(data)) + data + bytes(-len(data) % 4)
        if procedure == _READ_STB:
            return struct.pack(">II", 0, 0)
        if procedure == _CLEAR:
            if not self.has_clear:
                return struct.pack(">I", _NOT_SUPPORTED)
            self.exchange.clear()
        return struct.pack(">I", 0)
