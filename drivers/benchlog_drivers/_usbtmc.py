"""USBTMC: messages over the bulk endpoints, with device clear; USBTMC 1.0 and its USB488 subclass.

Numbers in the comments are sections of the USBTMC 1.0 specification or, where said so, of USB488 1.0, from memory.
"""

from __future__ import annotations

import struct
import time

from benchlog.errors import BadFrameError, LinkLostError
from benchlog_drivers._stream_ports import Port
from benchlog_drivers._usb_bus import UsbInterface, open_interface

_OUT, _REQUEST_IN, _IN = 1, 2, 2  # MsgID: data out, request for data, data in
_HEADER = 12
_END = 0x01  # bmTransferAttributes: end of message
_INITIATE_ABORT_IN, _CHECK_ABORT_IN, _INITIATE_CLEAR, _CHECK_CLEAR, _READ_STATUS = 3, 4, 5, 6, 128
_SUCCESS, _PENDING = 0x01, 0x02
#: Bit of the status byte: an answer waits to be read (IEEE 488.2, message available).
_MESSAGE_AVAILABLE = 0x10
#: Data of one transfer out; the kernel's own driver sends as much.
_MAX_OUT = 4096 - _HEADER
_MAX_REQUEST = 1 << 24
_SLICE_S = 0.2
_STATUS_S = 0.1
#: First piece of a long transfer; the time it takes decides the size of the next ones.
_FIRST_PIECE = 1 << 14
_MAX_PIECE = 1 << 22


class UsbtmcPort(Port):
    """A USB instrument; pulling its cable shows at the next transfer.

    After a time-out the request for data stays with the instrument, and the next `receive` goes on waiting for the same answer.
    The first packet of a transfer is read alone: its header gives the exact length, so that an empty packet at the end is not
    needed and is ignored.
    """

    framed = True
    wakes = True
    reopens = True

    def __init__(self, name: str) -> None:
        self._where = name
        self._usb: UsbInterface = open_interface(name)
        self._tag = 0
        self._status_tag = 1
        self._stopped = False
        self._forget()
        try:
            # A transfer left unfinished by another program would arrive as our first answer.
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
        if self._left == 0 or short:  # cut short: the message will show it
            self._in_transfer = self._requested = False
            return data, self._ends
        return data, False

    def send(self, data: bytes, timeout_s: float) -> None:
        if self._requested:
            self.clear(timeout_s)  # drop an answer that nobody waits for
        for start in range(0, len(data), _MAX_OUT):
            part = data[start : start + _MAX_OUT]
            last = start + _MAX_OUT >= len(data)
            head = self._head(_OUT, len(part), _END if last else 0)
            self._usb.write(head + part + bytes(-len(part) % 4), timeout_s)

    def clear(self, patience_s: float) -> bool:
        """Device clear (4.2.1.6, 4.2.1.7): the instrument forgets questions and answers."""
        deadline = time.monotonic() + patience_s
        if self._requested:
            self._abort(deadline)
        self._forget()
        if self._usb.request(_INITIATE_CLEAR, 1)[:1] != bytes([_SUCCESS]):
            return False
        cleared = self._finished(_CHECK_CLEAR, 2, deadline)
        if cleared is None:
            return False
        # The instrument has halted Bulk-OUT for the clear; Bulk-IN may be halted from before.
        self._usb.clear_halts(out=True)
        return cleared and not self._answer_waits()

    def interrupt(self) -> None:
        self._stopped = True

    def close(self) -> None:
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
        """First packet of a transfer, skipping an empty packet of the previous one; empty when time is up."""
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
                f"{self._where}: {first[:_HEADER].hex(' ')} is not the header of an answer to the request",
                hint="try again; if that does not help, switch the instrument off and on",
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

        A piece is short enough to arrive in a fraction of the wait, since cancelling a read may lose bytes.
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

    def _abort(self, deadline: float) -> None:
        """Abort an incomplete transfer (4.2.1.4, 4.2.1.5); a clear must follow.

        Nothing to do if the instrument does not know the request or has no transfer in progress.
        """
        initiated = self._usb.request(_INITIATE_ABORT_IN, 2, self._tag, bulk_in=True)
        if initiated[:1] == bytes([_SUCCESS]):
            self._discard()
            self._finished(_CHECK_ABORT_IN, 8, deadline, bulk_in=True)

    def _finished(self, check: int, length: int, deadline: float, *, bulk_in: bool = False) -> bool | None:
        """Wait for the end of a clear or an abort; return whether it succeeded, None when time is up."""
        while True:
            answer = self._usb.request(check, length, bulk_in=bulk_in)
            if not answer or answer[0] != _PENDING:
                return answer[:1] == bytes([_SUCCESS])
            if answer[1] & 1:  # it has bytes that must be read first
                self._discard()
            if time.monotonic() > deadline:
                return None
            time.sleep(0.01)

    def _answer_waits(self) -> bool:
        """Whether the status byte says that an answer waits (USB488, 4.3.1): after a clear none may.

        An instrument without a status byte is assumed to be clear.
        """
        if not self._usb.usb488:
            return False
        self._status_tag = self._status_tag % 126 + 2  # 2 to 127
        answer = self._usb.request(_READ_STATUS, 3, self._status_tag)
        if len(answer) < 3 or answer[0] != _SUCCESS:
            return False
        if not self._usb.notifies:
            return bool(answer[2] & _MESSAGE_AVAILABLE)
        while packet := self._usb.notification(_STATUS_S):
            if (
                packet[0] == 0x80 | self._status_tag and len(packet) > 1
            ):  # others are service requests, or late
                return bool(packet[1] & _MESSAGE_AVAILABLE)
        return False

    def _discard(self) -> None:
        """Read and forget until a short packet, as long as anything comes."""
        while len(self._usb.read(self._usb.packet, 0.05)) == self._usb.packet:
            pass
