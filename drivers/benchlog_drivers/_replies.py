"""Answers out of the bytes that a port delivers: lines, and binary blocks of IEEE 488.2.

If the protocol marks the end of a message, it is read up to there, since a strict IEEE 488.2 instrument would take the next
command for an interruption. Waits use the real monotonic clock, since bytes come from outside.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from benchlog.errors import BadFrameError, BenchlogError, LinkLostError, ReadTimeoutError
from benchlog_drivers._scpi import not_a_block, parse_block_header
from benchlog_drivers._stream_ports import SLICE_S, Port
from benchlog_drivers._visa_errors import plain_cause

#: Longest line of an ordinary answer, byte.
MAX_LINE = 1 << 16
_MAX_BLOCK = 1 << 30
_MAX_BLOCK_PREFIX = 64
_QUIET_S = 0.2
_END_S = 0.5  # wait for the end of a message whose content has arrived
_SLOWEST_LINE = 500  # byte/s; a line may arrive slowly, but not slower
_SLACK = 64  # asked for beyond what is expected, so that line end and message end come along
_BREAKS = b"\r\n"
_SHORT_HINT = "the partial record was dropped; check the cable and capture again"


class Replies:
    """Bytes of one link, made into answers; the caller holds the link's lock.

    Parameters
    ----------
    where : str
        The link's name, for messages.
    port : callable
        The open port; raises `LinkLostError` when there is none.

    Attributes
    ----------
    stray : str
        A line to skip while waiting for another answer: the identity, which a resynchronisation may leave behind.
    line_end : bytes
        What ends a line.
    tap : callable or None
        Gets what is received, except block payloads.
    """

    def __init__(self, where: str, port: Callable[[], Port]) -> None:
        self._where, self._port = where, port
        self.stray = ""
        self.line_end = b"\n"
        self.tap: Callable[[str, bytes], None] | None = None
        self.reset()

    def reset(self) -> None:
        """Forget everything received so far."""
        self._buffer = bytearray()
        self._ended = False  # the message, with the last byte of the buffer
        self._after_block = False

    def drop(self) -> None:
        """Throw away what is there before a question is asked: it can't be its answer."""
        self._buffer.clear()
        self._ended = False
        port = self._port()
        if port.framed:
            return
        for _ in range(100):
            data, _end = port.receive(MAX_LINE, 0.0)
            if not data:
                return
            # Bytes right after a block are its line end; anything else is stale.
            if data.strip(_BREAKS):
                self._after_block = False
        raise BadFrameError(
            f"{self._where} keeps sending without being asked",
            hint="is this a meter that sends by itself? Then use a serial: address",
        )

    def line(self, wait_s: float, *, total: bool = False, at_most: int = MAX_LINE) -> str:
        """Return one line, stripped.

        Parameters
        ----------
        wait_s : float
            Longest silence, second; with `total` the longest time in all. A partial line is kept for the next call.
        at_most : int
            Longest line there may be, byte.

        Raises
        ------
        ReadTimeoutError, BadFrameError
            If it was not complete in time, or never ends.
        """
        deadline = time.monotonic() + wait_s
        latest = deadline if total else deadline + at_most / _SLOWEST_LINE
        searched = 0
        while True:
            line = self._take_line(searched)
            if line is not None:
                searched = 0
                if line and line == self.stray:
                    continue
                return line
            searched = len(self._buffer)
            if searched > at_most:
                head = bytes(self._buffer[:40])
                raise BadFrameError(
                    f"{self._where}: {len(self._buffer)} bytes came without a line end, beginning {head!r}",
                    hint="is this the instrument, and is the line setting right?",
                    raw=head,
                )
            if not self._receive(deadline, max(MAX_LINE, at_most - searched)):
                got = f" ({len(self._buffer)} bytes of an unfinished line)" if self._buffer else ""
                raise ReadTimeoutError(
                    f"{self._where}: no answer within {wait_s:g} s{got}",
                    hint="is the instrument busy, showing a message, or of another dialect?",
                )
            if not total:
                deadline = min(time.monotonic() + wait_s, latest)

    def block(self, silence_s: float, expected: int | None) -> bytearray:
        """Return the payload of one binary block; see `VisaLink.query_block`."""
        payload = self._block_header(silence_s, expected)
        if payload is None:
            data = self._indefinite(silence_s, expected)
        elif self._port().framed:
            data = self._message(payload, silence_s)
        else:
            data = self._filled(payload, silence_s)
        self._after_block = True
        return data

    # -- lines --

    def _take_line(self, searched: int) -> str | None:
        if self._after_block:
            self._skip_breaks()
        at = self._buffer.find(self.line_end, searched)
        if at < 0:
            if not self._ended:
                return None
            at = len(self._buffer)  # a message may end without a newline, or be empty
        line = bytes(self._buffer[:at])
        del self._buffer[: at + 1]
        if not self._buffer:
            self._read_to_end()
        return line.decode("latin-1").strip()

    def _skip_breaks(self) -> None:
        kept = self._buffer.lstrip(_BREAKS)
        if kept:
            self._after_block = False
        self._buffer = kept

    def _read_to_end(self) -> None:
        """Take the end of a message whose content is there; nothing to do on a stream."""
        if not self._port().framed:
            return
        deadline = time.monotonic() + _END_S
        while not self._ended and self._receive(deadline):
            self._buffer.clear()
        self._ended = False

    # -- blocks --

    def _block_header(self, silence_s: float, expected: int | None) -> int | None:
        deadline = time.monotonic() + silence_s
        while True:
            self._skip_stray()
            start = self._buffer.find(b"#")
            before = self._buffer.lstrip(_BREAKS) if start < 0 else self._buffer[:start].lstrip(_BREAKS)
            if b"\n" in before or len(before) > _MAX_BLOCK_PREFIX or (self._ended and start < 0):
                raise not_a_block(before)  # a message
            header = parse_block_header(self._buffer[start : start + 11]) if start >= 0 else None
            if header is not None:
                del self._buffer[: start + header.size]
                if header.payload is not None and header.payload > _MAX_BLOCK:
                    raise BadFrameError(
                        f"{self._where}: a block of {header.payload} bytes is too large",
                        hint="bytes may have been lost; try again",
                    )
                return header.payload
            if not self._receive(deadline, max(MAX_LINE, (expected or 0) + _SLACK)):
                if before:
                    raise not_a_block(before)
                raise ReadTimeoutError(
                    f"{self._where}: no block within {silence_s:g} s",
                    hint="does the scope have a finished record, and is the dialect right?",
                )

    def _skip_stray(self) -> None:
        if self.stray and self._buffer.lstrip(_BREAKS).startswith(self.stray.encode("latin-1")):
            end = self._buffer.find(b"\n", len(self.stray))
            if end >= 0:
                del self._buffer[: end + 1]

    def _message(self, size: int, silence_s: float) -> bytearray:
        """The rest of a message, of which `size` bytes are wanted."""
        data, self._buffer = self._buffer, bytearray()
        deadline = time.monotonic() + silence_s
        while len(data) < size and not self._ended:
            try:
                came = self._receive(deadline, size - len(data) + _SLACK, tapped=False)
            except (LinkLostError, OSError) as error:
                raise self._short(len(data), size, error) from error
            if not came:
                raise self._short(len(data), size)
            data += self._buffer
            self._buffer.clear()
            deadline = time.monotonic() + silence_s
        if len(data) < size:
            raise BadFrameError(
                f"{self._where}: {len(data)} of {size} bytes of a block came, then the message ended",
                hint=_SHORT_HINT,
            )
        self._read_to_end()
        del data[size:]
        return data

    def _filled(self, size: int, silence_s: float) -> bytearray:
        """That many bytes of a stream, received in place: a record may be long and the link fast."""
        data = bytearray(size)
        view = memoryview(data)
        got = min(size, len(self._buffer))
        view[:got] = self._buffer[:got]
        del self._buffer[:got]
        deadline = time.monotonic() + silence_s
        while got < size:
            port = self._port()
            left = max(0.0, deadline - time.monotonic())
            try:
                count = port.receive_into(view[got:], min(left, SLICE_S) if port.wakes else left)
            except (LinkLostError, OSError) as error:
                raise self._short(got, size, error) from error
            if count:
                got += count
                deadline = time.monotonic() + silence_s
            elif time.monotonic() >= deadline:
                raise self._short(got, size)
        return data

    def _short(self, got: int, size: int, cause: BaseException | None = None) -> BenchlogError:
        """The error of a block that stopped: by silence, or by what broke the link."""
        kind: type[BenchlogError] = ReadTimeoutError if cause is None else LinkLostError
        why = "then no more" if cause is None else f"then the link broke: {plain_cause(cause)}"
        return kind(f"{self._where}: {got} of {size} bytes of a block came, {why}", hint=_SHORT_HINT)

    def _indefinite(self, silence_s: float, expected: int | None) -> bytearray:
        data, self._buffer = self._buffer, bytearray()
        while not self._ended and (expected is None or len(data) < expected):
            # On a stream a block of unknown size ends with a newline and silence.
            closed = data.endswith(b"\n") and expected is None and not self._port().framed
            if not self._receive(time.monotonic() + (_QUIET_S if closed else silence_s)):
                if closed:
                    return _without_break(data)
                raise ReadTimeoutError(
                    f"{self._where}: a block without announced size stopped after {len(data)} bytes"
                    + (f" of {expected}" if expected is not None else ""),
                    hint="take the record again",
                )
            data += self._buffer
            self._buffer.clear()
            if len(data) > _MAX_BLOCK:
                raise BadFrameError(f"{self._where}: a block without end", hint="take the record again")
        if self._port().framed:
            self._read_to_end()
            return _without_break(data)
        if expected is not None and not data[expected:].strip(_BREAKS):  # longer: the caller says so
            del data[expected:]
        return data

    # -- bytes --

    def _receive(self, deadline: float, limit: int = MAX_LINE, *, tapped: bool = True) -> bool:
        """Add what arrives to the buffer; False when the deadline passed."""
        while True:
            port = self._port()
            left = max(0.0, deadline - time.monotonic())
            data, ended = port.receive(limit, min(left, SLICE_S) if port.wakes and not port.framed else left)
            if data or ended:
                self._buffer += data
                self._ended = ended
                if self.tap is not None and tapped:
                    self.tap("<", data)
                return True
            if time.monotonic() >= deadline:
                return False


def _without_break(data: bytearray) -> bytearray:
    return data[:-1] if data.endswith(b"\n") else data
