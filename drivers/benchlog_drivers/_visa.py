"""One instrument behind a VISA resource: questions and answers in step, one lock, deadlines in seconds.

Rule for late answers: after a missing answer nothing is asked until questions and answers are in step again. If the link
has a device clear, that is used. Otherwise the connection is opened again and ``*IDN?`` is asked until the known identity
comes back; everything before it was late.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from enum import Enum

import numpy as np
import numpy.typing as npt

from benchlog.errors import BadFrameError, BenchlogError, InstrumentError, LinkLostError, ReadTimeoutError
from benchlog_drivers._replies import MAX_LINE, Replies
from benchlog_drivers._stream_ports import SLICE_S, Port
from benchlog_drivers._visa_errors import translate
from benchlog_drivers._visa_ports import open_port

_IDENTITY = "*IDN?"
#: Time for an instrument to finish an unanswered question.
_PATIENCE_S = 10.0
_RETRY_S = 0.2
#: Some instruments close a connection that is idle for a while; one that closes it at once has another reason.
_IDLE_S = 1.0
_SILENCE_S = 0.1
_MAX_STALE = 20


class _Step(Enum):
    """How the last question relates to what arrives."""

    IN = "in step"
    WAITING = "its answer is late and may still come"
    LOST = "what comes next is unknown"


class VisaLink:
    """A link to one instrument; every public method may be called from any thread.

    Parameters
    ----------
    timeout_s : float
        Longest silence while an answer is waited for, second; zero means "only what is already there".
    open_timeout_s : float
        Longest time that connecting may take.
    termination : bytes
        Ends a command; answers may end with newline, or return and newline, or return if this is a return.

    Attributes
    ----------
    identity : str
        Answer to ``*IDN?``, once `identify` has asked for it.
    openings : int
        How often the link has been opened; it reopens itself if needed, and settings may then be lost.
    """

    def __init__(
        self,
        resource: str,
        *,
        timeout_s: float = 2.0,
        open_timeout_s: float = 3.0,
        termination: bytes = b"\n",
        serial_settings: dict[str, object] | None = None,
        library: str = "",
    ) -> None:
        self.resource = resource
        self.timeout_s = timeout_s
        self.termination = termination
        self.identity = ""
        self.openings = 0
        self._open_timeout_s = open_timeout_s
        self._serial_settings = serial_settings
        self._library = library
        self._port: Port | None = None
        self._replies = Replies(resource, self._open_port)
        self._step = _Step.IN
        self._asked = ""
        self._used_s = 0.0
        self._lost = False
        self._closing = False
        self.lock = threading.RLock()
        #: Gets what is sent and received, except block payloads; for recording the dialogue.
        self.tap: Callable[[str, bytes], None] | None = None

    @property
    def is_open(self) -> bool:
        """Whether the link is open, as far as known."""
        return self._port is not None and not self._closing

    @property
    def in_step(self) -> bool:
        """Whether the last question has had its answer."""
        return self._step is _Step.IN

    def open(self) -> None:
        """Connect, and prove that the connection works; raises `OpenError` with a reason."""
        with self.lock:
            self._closing = self._lost = False
            self.identity = ""
            self._connect()

    def close(self) -> None:
        """Close; safe to repeat, and from another thread while one waits for an answer."""
        self._closing = True
        port = self._port
        if port is None:
            return
        port.interrupt()
        # The waiting thread stops within a slice, or if it can't be woken, at its own time-out.
        got = self.lock.acquire(timeout=SLICE_S * 10 if port.wakes else self.timeout_s + 1)
        try:
            self._port = None
            with suppress(Exception):  # closing a broken link: PyVISA and pyserial may raise anything
                port.close()
        finally:
            if got:
                self.lock.release()

    @contextmanager
    def exclusive(self) -> Iterator[VisaLink]:
        """Keep other threads out for several questions in a row."""
        with self.lock:
            yield self

    def identify(self) -> str:
        """Ask ``*IDN?`` and keep the answer, which serves to recognise late answers.

        On a stream it is asked twice: an earlier program may have left an answer behind.

        Raises
        ------
        ReadTimeoutError, BadFrameError, LinkLostError
            As `query` does.
        """
        with self.lock:
            before, answer = "", self.query(_IDENTITY)
            if not self._open_port().framed:
                before, answer = answer, self.query(_IDENTITY)
            for _ in range(_MAX_STALE):
                if answer == before or not before:
                    self.identity = answer
                    return answer
                before = answer
                try:
                    answer = self.read_line()
                except ReadTimeoutError:  # the first one was broken, not late
                    answer = self.query(_IDENTITY)
            raise BadFrameError(
                f"{self.resource}: each {_IDENTITY} gets a different answer, last {answer[:60]!r}",
                hint="is this the instrument, and does no other program use it?",
            )

    def prepare(self) -> None:
        """Get ready to ask: resynchronise after a failed answer, reopen after the other end closed the connection.

        Raises
        ------
        LinkLostError, ReadTimeoutError
            When that can't be done.
        """
        with self.lock, self._mapped():
            if self._lost:
                raise LinkLostError(f"{self.resource}: the link is lost", hint="open it again")
            if self._step is not _Step.IN:
                self._recover()
            elif time.monotonic() - self._used_s > _IDLE_S and self._open_port().ended():
                self._reopen(time.monotonic() + _PATIENCE_S)

    def write(self, command: str) -> None:
        """Send one command line; `LinkLostError` when the link is gone."""
        with self.lock, self._mapped():
            self.prepare()
            self._replies.drop()
            self._send(command)

    def query(self, command: str, timeout_s: float | None = None) -> str:
        """Send one question and return its answer line, stripped.

        Raises
        ------
        ReadTimeoutError
            If no complete line came, or nothing for `timeout_s`; a late answer is never taken for the next one.
        LinkLostError
            When the link is gone.
        BadFrameError
            When the answer never ends or is not text.
        """
        with self.lock:
            self.write(command)
            return self.read_line(timeout_s)

    def query_text(self, command: str, at_most: int) -> str:
        """Send one question whose answer is a line of up to `at_most` bytes; see `query`."""
        with self.lock:
            self.write(command)
            return self.read_line(at_most=at_most)

    def read_line(
        self, timeout_s: float | None = None, *, total: bool = False, at_most: int = MAX_LINE
    ) -> str:
        """Read one answer line; with `total`, `timeout_s` is the whole time. See `query` for the errors."""
        with self.lock, self._mapped(), self._answering():
            wait_s = self.timeout_s if timeout_s is None else timeout_s
            return self._replies.line(wait_s, total=total, at_most=at_most)

    def query_block(
        self, command: str, timeout_s: float | None = None, *, expected: int | None = None
    ) -> npt.NDArray[np.uint8]:
        """Send one question and return the payload of the binary block that answers it.

        Parameters
        ----------
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
        with self.lock, self._mapped(), self._answering():
            data = self._replies.block(self.timeout_s if timeout_s is None else timeout_s, expected)
            if expected is not None and len(data) != expected:
                raise BadFrameError(
                    f"{self.resource}: a block of {expected} bytes was expected, {len(data)} came",
                    hint="the dialect's data width or number of points may be wrong for this instrument",
                    raw=bytes(data[:40]),
                )
        return np.frombuffer(data, dtype=np.uint8)

    def clear(self) -> None:
        """Get question and answer back in step, whatever is under way."""
        with self.lock, self._mapped():
            self._recover()

    # -- inside, lock held --

    @contextmanager
    def _mapped(self) -> Iterator[None]:
        try:
            yield
        except BenchlogError as error:
            if isinstance(error, LinkLostError):
                self._lost = True
                if self._closing:
                    raise self._closed() from None
            raise
        except (MemoryError, AssertionError):
            raise
        except Exception as error:  # convert exceptions of any library
            if self._closing:
                raise self._closed() from None
            translated = translate(error, self.resource)
            self._step, self._lost = _Step.LOST, isinstance(translated, LinkLostError)
            raise translated from error

    @contextmanager
    def _answering(self) -> Iterator[None]:
        """Keep account of whether the answer came."""
        self._replies.stray = "" if self._asked == _IDENTITY else self.identity
        try:
            yield
            self._used_s = time.monotonic()
        except ReadTimeoutError:
            if self._step is _Step.IN:
                self._step = _Step.WAITING
            raise
        except BaseException:
            self._step = _Step.LOST
            raise
        if self._step is _Step.WAITING:
            self._step = _Step.IN

    def _closed(self) -> LinkLostError:
        return LinkLostError(f"{self.resource} was closed", hint="open it again")

    def _open_port(self) -> Port:
        if self._port is None or self._closing:
            raise self._closed()
        return self._port

    def _connect(self) -> None:
        self._port = open_port(
            self.resource,
            timeout_s=self._open_timeout_s,
            serial_settings=self._serial_settings,
            library=self._library,
        )
        self.openings += 1
        self._used_s = time.monotonic()
        self._replies.reset()
        self._replies.tap = self.tap
        self._step = _Step.IN

    def _send(self, command: str) -> None:
        self._replies.line_end = b"\r" if self.termination == b"\r" else b"\n"
        self._asked = command.strip().upper()
        data = command.encode("ascii", "backslashreplace") + self.termination
        self._open_port().send(data, self.timeout_s)
        if self.tap is not None:
            self.tap(">", data)

    def _recover(self) -> None:
        deadline = time.monotonic() + max(_PATIENCE_S, 3 * self.timeout_s)
        self._step = _Step.LOST
        self._replies.reset()
        port = self._open_port()
        if not port.clear(deadline - time.monotonic()):
            if port.reopens:
                self._reopen(deadline)
            else:
                self._synchronise(deadline)
        self._step = _Step.IN

    def _reopen(self, deadline: float) -> None:
        """Reopen the link and make sure that the same instrument answers."""
        while True:
            port, self._port = self._port, None
            if port is not None:
                with suppress(Exception):  # it may be broken already
                    port.close()
            try:
                self._connect()
                self._synchronise(deadline)
                return
            except ReadTimeoutError:
                self._step = _Step.LOST
                raise
            except InstrumentError as error:
                # An instrument that serves one connection may need a moment to notice the end of the old one.
                if self._closing or time.monotonic() > deadline:
                    raise LinkLostError(f"{error.message} (opening the link again)", error.hint) from error
            time.sleep(_RETRY_S)

    def _synchronise(self, deadline: float) -> None:
        """Ask for the identity until it comes; where it is not known yet, wait for silence."""
        self._replies.stray = ""
        if not self.identity:
            if not self._open_port().framed:
                self._wait_for_silence()
            return
        self._replies.drop()
        self._send(_IDENTITY)
        while True:
            line = self._replies.line(max(0.0, deadline - time.monotonic()))
            if line == self.identity:
                return
            if self._open_port().framed:
                raise LinkLostError(
                    f"{self.resource}: now {line[:60]!r} answers, before it was {self.identity!r}",
                    hint="is this the right instrument?",
                )

    def _wait_for_silence(self) -> None:
        port, quiet_since = self._open_port(), time.monotonic()
        for _ in range(100):
            if port.receive(1 << 16, SLICE_S)[0]:
                quiet_since = time.monotonic()
            elif time.monotonic() - quiet_since >= _SILENCE_S:
                return
