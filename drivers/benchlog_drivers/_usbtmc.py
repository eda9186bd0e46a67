"""USBTMC: messages over the bulk endpoints, with device clear; USBTMC 1.0 and its USB488 subclass.

Numbers in the comments are sections of the USBTMC 1.0 specification, from memory.
"""

from __future__ import annotations

import errno
import struct
import time

from benchlog.errors import BadFrameError, LinkLostError
from benchlog_drivers._usb_bus import UsbInterface, open_interface

__all__ = ["UsbtmcPort"]

_OUT, _REQUEST_IN, _IN = 1, 2, 2  # MsgID: data out, request for data, data in
_HEADER = 12
_END = 0x01  # bmTransferAttributes: end of message
_INITIATE_CLEAR, _CHECK_CLEAR = 5, 6
_SUCCESS, _PENDING = 0x01, 0x02
#: Data of one transfer out; the kernel's own driver sends as much.
_MAX_OUT = 4096 - _HEADER
_MAX_REQUEST = 1 << 24
_SLICE_S = 0.2
#: First piece of a long transfer; its time tells how long the next ones may be.
_FIRST_PIECE = 1 << 14
_MAX_PIECE = 1 << 22


class UsbtmcPort:
    """A USB instrument, as `benchlog_drivers._visa_ports.Port`.

    A wait that runs out leaves the request for data with the instrument, so that the next `receive` goes on waiting
    for the same answer. The first packet of a transfer is read alone: its header tells exactly what will come, so an
    empty packet at the end is needed from no instrument, and forgiven where it comes.
    """

    framed = True
    wakes = True
    reopens = True

    def __init__(self, name: str) -> None:
        self._where = name
        self._usb: UsbInterface = open_interface(name)
        self._tag = 0
        self._stopped = False
        self._forget()
        try:
            # What a program before this one left half done would come as our first answer.
            self.clear(2.0)
        except Exception:
            self._usb.close()
            raise

    def _forget(self) -> None:
        self._requested = False
        self._in_transfer = False
        self._left = 0  # bytes of the transfer still to come, without header and alignment
        self._padding = 0
        self._ends = False
        self._piece = _FIRST_PIECE

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """See `Port.receive`."""
        if not self._in_transfer:
            deadline = time.monotonic() + wait_s
            if not self._requested:
                self._request(limit, max(wait_s, _SLICE_S))
            first = self._first_packet(deadline)
            if not first:
                return b"", False
            data = self._begin(first)
            short = len(first) < self._usb.packet
        else:
            data, short = self._next_piece(wait_s)
        self._left -= len(data)
        if self._left == 0 or short:  # cut short: what is missing shows in the message
            self._in_transfer = self._requested = False
            return data, self._ends
        return data, False

    def send(self, data: bytes, timeout_s: float) -> None:
        """See `Port.send`."""
        if self._requested:
            self.clear(timeout_s)  # an answer nobody waits for any more
        for start in range(0, len(data), _MAX_OUT):
            part = data[start : start + _MAX_OUT]
            last = start + _MAX_OUT >= len(data)
            head = self._head(_OUT, len(part), _END if last else 0)
            self._usb.write(head + part + bytes(-len(part) % 4), timeout_s)

    def clear(self, patience_s: float) -> bool:
        """Device clear (4.2.1.6, 4.2.1.7): the instrument forgets questions and answers."""
        self._forget()
        deadline = time.monotonic() + patience_s
        try:
            if self._usb.request(_INITIATE_CLEAR, 1)[0] != _SUCCESS:
                return False
        except OSError as error:
            if error.errno != errno.EPIPE:  # a request it does not know is answered by a STALL
                raise
            return False
        while True:
            answer = self._usb.request(_CHECK_CLEAR, 2)
            if answer[0] != _PENDING:
                break
            if answer[1] & 1:
                self._discard()
            if time.monotonic() > deadline:
                return False
            time.sleep(0.01)
        # The instrument has halted Bulk-OUT for the clear; Bulk-IN may be halted from before.
        self._usb.clear_halts(out=True)
        return answer[0] == _SUCCESS

    def ended(self) -> bool:
        """See `Port.ended`: pulling the cable shows at the next transfer."""
        return False

    def interrupt(self) -> None:
        """See `Port.interrupt`."""
        self._stopped = True

    def close(self) -> None:
        """See `Port.close`."""
        try:
            if self._requested:
                self.clear(_SLICE_S)
        finally:
            self._usb.close()

    # -- inside --

    def _head(self, kind: int, size: int, attributes: int) -> bytes:
        self._tag = self._tag % 255 + 1
        return struct.pack("<BBBxIBxxx", kind, self._tag, self._tag ^ 0xFF, size, attributes)

    def _request(self, limit: int, wait_s: float) -> None:
        self._usb.write(self._head(_REQUEST_IN, min(limit, _MAX_REQUEST), 0), wait_s)
        self._requested = True

    def _first_packet(self, deadline: float) -> bytes:
        """First packet of a transfer, whatever empty packet is left of the one before; empty when time is up."""
        while True:
            if self._stopped:
                raise LinkLostError(f"{self._where} was closed", hint="open it again")
            left = deadline - time.monotonic()
            packet = self._usb.read(self._usb.packet, min(max(left, 0.0), _SLICE_S))
            if packet or left <= 0:
                return packet

    def _begin(self, first: bytes) -> bytes:
        """Read a transfer's header (3.3); return the data behind it."""
        if len(first) < _HEADER or first[0] != _IN or first[1] ^ first[2] != 0xFF or first[1] != self._tag:
            self._forget()
            raise BadFrameError(
                f"{self._where}: {first[:_HEADER].hex(' ')} is not the header of an answer to what was asked",
                hint="ask again; where that does not help, switch the instrument off and on",
                raw=first[:_HEADER],
            )
        size, attributes = struct.unpack_from("<IB", first, 4)
        self._left, self._ends = size, bool(attributes & _END)
        self._padding = -(_HEADER + size) % 4
        self._in_transfer = True
        self._piece = _FIRST_PIECE
        return first[_HEADER : _HEADER + size]

    def _next_piece(self, wait_s: float) -> tuple[bytes, bool]:
        """More of a transfer, and whether it ended early.

        A piece is no longer than arrives in a fraction of the wait: cutting a read off may lose what is under way.
        """
        packet = self._usb.packet
        asked = -(-min(self._left + self._padding, self._piece) // packet) * packet
        start = time.monotonic()
        data = self._usb.read(asked, wait_s)
        took = time.monotonic() - start
        if len(data) == asked:
            fits = len(data) / max(took, 1e-6) * max(wait_s, _SLICE_S) / 4
            self._piece = int(min(max(fits, packet), _MAX_PIECE))
        whole = len(data) >= self._left
        short = not whole and (len(data) % packet > 0 or (len(data) < asked and took < 0.9 * wait_s))
        return data[: self._left], short

    def _discard(self) -> None:
        """Read and forget until a short packet, as long as anything comes."""
        while len(self._usb.read(self._usb.packet, 0.05)) == self._usb.packet:
            pass
