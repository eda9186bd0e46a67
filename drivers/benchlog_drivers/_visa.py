"""One instrument behind a VISA resource: lines, binary blocks, one lock, deadlines in seconds.

Waiting for bytes uses the real monotonic clock, whatever clock the adapter was given: bytes come from outside.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import numpy as np
import numpy.typing as npt

from benchlog.errors import BadFrameError, BenchlogError, LinkLostError, ReadTimeoutError
from benchlog_drivers._scpi import not_a_block, parse_block_header
from benchlog_drivers._visa_errors import translate
from benchlog_drivers._visa_ports import SLICE_S, Port, open_port

__all__ = ["VisaLink"]

_MAX_LINE = 1 << 16
_MAX_BLOCK = 1 << 30
_MAX_BLOCK_PREFIX = 64
_QUIET_S = 0.2
_BREAKS = b"\r\n"


class VisaLink:
    """A link to one instrument; every public method may be called from any thread.

    Parameters
    ----------
    resource : str
        VISA resource name.
    timeout_s : float
        Default deadline of an answer, second; zero means "only what is already there".
    open_timeout_s : float
        Longest time that connecting may take.
    termination : bytes
        Ends a command; answers may end with any of newline, return and newline, or return where this is a return.
    serial_settings : dict, optional
        See `benchlog_drivers._visa_ports.open_port`.
    """

    def __init__(
        self,
        resource: str,
        *,
        timeout_s: float = 2.0,
        open_timeout_s: float = 3.0,
        termination: bytes = b"\n",
        serial_settings: dict[str, object] | None = None,
    ) -> None:
        self.resource = resource
        self.timeout_s = timeout_s
        self.termination = termination
        self._open_timeout_s = open_timeout_s
        self._serial_settings = serial_settings
        self._port: Port | None = None
        self._buffer = bytearray()
        self._message_ended = False
        self._after_block = False
        self._out_of_step = False
        self._closing = False
        self.lock = threading.RLock()
        #: Gets what is sent and received, except block payloads; for recording the dialogue.
        self.tap: Callable[[str, bytes], None] | None = None

    @property
    def is_open(self) -> bool:
        """Whether the link stands, as far as known."""
        return self._port is not None and not self._closing

    def open(self) -> None:
        """Connect, and prove that the connection stands; raises `OpenError` with a reason."""
        with self.lock:
            self._closing = False
            self._buffer.clear()
            self._after_block = self._out_of_step = self._message_ended = False
            self._port = open_port(
                self.resource, timeout_s=self._open_timeout_s, serial_settings=self._serial_settings
            )

    def close(self) -> None:
        """Close; safe to repeat, and from another thread while one waits for an answer."""
        self._closing = True
        port = self._port
        if port is None:
            return
        port.interrupt()
        # The waiting thread looks up within SLICE_S and lets go; a message port only at its own time-out.
        got = self.lock.acquire(timeout=SLICE_S * 10 if not port.framed else self.timeout_s + 1)
        try:
            self._port = None
            with suppress(Exception):  # closing a broken link: PyVISA and pyserial raise what they like
                port.close()
        finally:
            if got:
                self.lock.release()

    @contextmanager
    def exclusive(self) -> Iterator[VisaLink]:
        """Keep other threads out for several questions in a row."""
        with self.lock:
            yield self

    def write(self, command: str) -> None:
        """Send one command line.

        Raises
        ------
        LinkLostError
            When the link is gone.
        """
        with self.lock, self._mapped():
            if self._out_of_step:
                self._clear()
            self._drop_leftovers()
            data = command.encode("ascii", "backslashreplace") + self.termination
            self._open_port().send(data, self.timeout_s)
            if self.tap is not None:
                self.tap(">", data)

    def query(self, command: str, timeout_s: float | None = None) -> str:
        """Send one question and return its answer line, stripped.

        Raises
        ------
        ReadTimeoutError
            When no whole line came within `timeout_s`; a late answer is thrown away before the next question.
        LinkLostError
            When the link is gone.
        BadFrameError
            When the answer never ends or is not text.
        """
        with self.lock:
            self.write(command)
            return self.read_line(timeout_s)

    def read_line(self, timeout_s: float | None = None) -> str:
        """Read one answer line; see `query` for the errors."""
        wait = self.timeout_s if timeout_s is None else timeout_s
        with self.lock, self._mapped():
            deadline = time.monotonic() + wait
            while True:
                if self._after_block:
                    self._skip_breaks()
                end = self._line_end()
                if end is not None:
                    line = bytes(self._buffer[: end + 1])
                    del self._buffer[: end + 1]
                    return line.decode("latin-1").strip()
                if len(self._buffer) > _MAX_LINE:
                    head = bytes(self._buffer[:40])
                    self._out_of_step = True
                    raise BadFrameError(
                        f"{self.resource}: {len(self._buffer)} bytes came without a line end, beginning {head!r}",
                        hint="is this the instrument, and is the line setting right?",
                        raw=head,
                    )
                if not self._receive_some(deadline):
                    self._out_of_step = True
                    got = f" ({len(self._buffer)} bytes of an unfinished line)" if self._buffer else ""
                    raise ReadTimeoutError(
                        f"{self.resource}: no answer within {wait:g} s{got}",
                        hint="is the instrument busy, showing a message, or speaking another dialect?",
                    )

    def query_block(
        self, command: str, timeout_s: float | None = None, *, expected: int | None = None
    ) -> npt.NDArray[np.uint8]:
        """Send one question and return the payload of the binary block that answers it.

        Parameters
        ----------
        command : str
            The question.
        timeout_s : float, optional
            Longest silence, second: a long block on a slow link may take longer as long as bytes keep coming.
        expected : int, optional
            Size the payload must have, byte. It also ends an indefinite block (``#0``) for sure; without it
            that one ends at a message end, or at a newline followed by 0.2 s of silence.

        Returns
        -------
        array of shape (n_bytes,), uint8

        Raises
        ------
        ReadTimeoutError, LinkLostError
            When the block stopped short; the message counts the bytes.
        BadFrameError
            When the answer is not a block, or has another size than expected.
        """
        with self.lock:
            self.write(command)
            return self.read_block(timeout_s, expected=expected)

    def read_block(
        self, timeout_s: float | None = None, *, expected: int | None = None
    ) -> npt.NDArray[np.uint8]:
        """Read one binary block; see `query_block`."""
        silence_s = self.timeout_s if timeout_s is None else timeout_s
        with self.lock, self._mapped():
            try:
                payload = self._read_block_header(silence_s)
                if payload is None:
                    data = self._read_indefinite(silence_s, expected)
                else:
                    data = self._read_exactly(payload, silence_s)
            except BenchlogError:
                self._out_of_step = True
                raise
            self._after_block = True
        if expected is not None and len(data) != expected:
            raise BadFrameError(
                f"{self.resource}: a block of {expected} bytes was expected, {len(data)} came",
                hint="the dialect's data width or its count of points may not be this instrument's",
                raw=bytes(data[:40]),
            )
        return np.frombuffer(data, dtype=np.uint8)

    def clear(self) -> None:
        """Get question and answer back in step: device clear where the link has one, else forget what comes."""
        with self.lock, self._mapped():
            self._clear()

    # -- inside, lock held --

    @contextmanager
    def _mapped(self) -> Iterator[None]:
        try:
            yield
        except BenchlogError as error:
            if self._closing and isinstance(error, LinkLostError):
                raise self._closed() from None
            raise
        except (MemoryError, AssertionError):
            raise
        except Exception as error:  # foreign exceptions stop here, whatever their class
            if self._closing:
                raise self._closed() from None
            raise translate(error, self.resource) from error

    def _closed(self) -> LinkLostError:
        return LinkLostError(f"{self.resource} was closed", hint="open it again")

    def _open_port(self) -> Port:
        if self._port is None or self._closing:
            raise self._closed()
        return self._port

    def _receive_some(self, deadline: float) -> bool:
        """Add what arrives to the buffer; False when the deadline passed."""
        while True:
            port = self._open_port()
            left = deadline - time.monotonic()
            wait = max(0.0, left) if port.framed else max(0.0, min(left, SLICE_S))
            data, ended = port.receive(_MAX_LINE, wait)
            if data:
                self._buffer += data
                self._message_ended = ended
                if self.tap is not None:
                    self.tap("<", data)
                return True
            if time.monotonic() >= deadline:
                return False

    def _line_end(self) -> int | None:
        at = self._buffer.find(b"\r" if self.termination == b"\r" else b"\n")
        if at >= 0:
            return at
        if self._message_ended and self._buffer:  # a message may end without a newline
            self._message_ended = False
            return len(self._buffer) - 1
        return None

    def _skip_breaks(self) -> None:
        kept = self._buffer.lstrip(_BREAKS)
        if kept:
            self._after_block = False
        self._buffer = kept

    def _drop_leftovers(self) -> None:
        """Bytes that are there before a question is asked can't be its answer."""
        self._buffer.clear()
        self._message_ended = False
        port = self._open_port()
        if port.framed:
            return
        for _ in range(100):
            data, _ended = port.receive(_MAX_LINE, 0.0)
            if not data:
                return
            # What follows a block in time is the block's own line end; anything else was stale.
            if data.strip(_BREAKS):
                self._after_block = False
        raise BadFrameError(
            f"{self.resource} talks without being asked and without end",
            hint="is this a meter that sends by itself? then use a serial: address",
        )

    def _clear(self) -> None:
        self._buffer.clear()
        self._message_ended = self._after_block = False
        self._open_port().clear()
        self._out_of_step = False

    def _read_block_header(self, silence_s: float) -> int | None:
        deadline = time.monotonic() + silence_s
        while True:
            start = self._buffer.find(b"#")
            before = self._buffer.lstrip(_BREAKS) if start < 0 else self._buffer[:start].lstrip(_BREAKS)
            if b"\n" in before or len(before) > _MAX_BLOCK_PREFIX:  # a message, not a block
                raise not_a_block(before)
            header = parse_block_header(self._buffer[start : start + 11]) if start >= 0 else None
            if header is not None:
                del self._buffer[: start + header.size]
                if header.payload is not None and header.payload > _MAX_BLOCK:
                    raise BadFrameError(
                        f"{self.resource}: a block of {header.payload} bytes is announced",
                        hint="bytes may have been lost; try again",
                    )
                return header.payload
            if not self._receive_some(deadline):
                if before:
                    raise not_a_block(before)
                raise ReadTimeoutError(
                    f"{self.resource}: no block within {silence_s:g} s",
                    hint="has the scope a finished record, and is the dialect right?",
                )

    def _read_exactly(self, size: int, silence_s: float) -> bytearray:
        data = bytearray(size)
        view = memoryview(data)
        got = min(size, len(self._buffer))
        view[:got] = self._buffer[:got]
        del self._buffer[:got]
        deadline = time.monotonic() + silence_s
        try:
            while got < size:
                port = self._open_port()
                left = deadline - time.monotonic()
                wait = max(0.0, left) if port.framed else max(0.0, min(left, SLICE_S))
                count = port.receive_into(view[got:], wait)
                if count:
                    got += count
                    deadline = time.monotonic() + silence_s
                elif time.monotonic() >= deadline:
                    raise self._short(ReadTimeoutError, got, size)
        except ReadTimeoutError:
            raise
        except (LinkLostError, OSError) as error:
            raise self._short(LinkLostError, got, size) from error
        return data

    def _short(
        self, kind: type[ReadTimeoutError | LinkLostError], got: int, size: int
    ) -> ReadTimeoutError | LinkLostError:
        why = "the link broke" if kind is LinkLostError else "then nothing more came"
        return kind(
            f"{self.resource}: {got} of {size} bytes of a block came, {why}",
            hint="nothing of it is kept; check the cable and take the record again",
        )

    def _read_indefinite(self, silence_s: float, expected: int | None) -> bytearray:
        data = bytearray(self._buffer)
        self._buffer.clear()
        if self._message_ended:
            return _without_break(data)
        while expected is None or len(data) < expected:
            quiet = _QUIET_S if data.endswith(b"\n") and expected is None else silence_s
            if not self._receive_some(time.monotonic() + quiet):
                if data.endswith(b"\n") and expected is None:
                    return _without_break(data)
                raise ReadTimeoutError(
                    f"{self.resource}: a block without announced size stopped after {len(data)} bytes"
                    + (f" of {expected}" if expected is not None else ""),
                    hint="take the record again",
                )
            data += self._buffer
            self._buffer.clear()
            if self._message_ended:
                return _without_break(data)
            if len(data) > _MAX_BLOCK:
                raise BadFrameError(f"{self.resource}: a block without end", hint="take the record again")
        if expected is not None and len(data) > expected:
            tail = data[expected:]
            if tail.strip(_BREAKS):
                return data  # longer than expected: the caller says so
            del data[expected:]
        return data


def _without_break(data: bytearray) -> bytearray:
    return data[:-1] if data.endswith(b"\n") else data
