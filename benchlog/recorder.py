"""Readings from several meters into the logbook while they come: one thread per meter, one that writes.

::

    reader thread --\\
    reader thread ----> bounded queue --> writer thread --> logbook, a block every 0.25 s
    reader thread --/       (latest reading of each meter kept aside for the screen)

A link that breaks is tried again with growing pauses, and the gap is written down. What the writer can't keep
up with is counted and written down as lost, never held in endless memory.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from types import TracebackType
from typing import Any, Self

from benchlog.adapter import Reader
from benchlog.clock import Clock, SystemClock, rfc3339
from benchlog.errors import BadFrameError, BenchlogError, InstrumentError, LogbookError, UsageError
from benchlog.logbook import EntryRef, Logbook
from benchlog.logbook.block_writer import COMMIT_INTERVAL_S, BlockWriter, Event, Inbox
from benchlog.reading import Origin, Reading

__all__ = ["BackOff", "Link", "LinkStatus", "Recorder", "Recording"]

_STEP_S = 0.1  # a stop is noticed within this while waiting to reconnect
_BAD_FRAMES_IN_A_ROW = 50
_REPORT_EVERY_NS = 60 * 10**9


@dataclass(frozen=True, slots=True)
class BackOff:
    """Pauses between attempts to reconnect, second."""

    first_s: float = 0.5
    factor: float = 2.0
    longest_s: float = 30.0


class Link(StrEnum):
    """State of the link to one meter."""

    WAITING = "waiting"
    READING = "reading"
    SILENT = "silent"
    LOST = "lost"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How one meter's link is doing.

    Attributes
    ----------
    instrument : str
    link : Link
    readings, dropped, bad_frames : int
        Readings received; of these lost because the logbook could not keep up; frames that made no reading.
    since_utc_ns : int
        When `link` last changed.
    error : str
        What was wrong last, ``""`` while all is well.
    """

    instrument: str
    link: Link = Link.WAITING
    readings: int = 0
    dropped: int = 0
    bad_frames: int = 0
    since_utc_ns: int = 0
    error: str = ""


@dataclass(frozen=True, slots=True)
class Recording:
    """What a recorder did, told when it stops: readings on the disk, readings lost, last entry."""

    recorded: int
    dropped: int
    last: EntryRef | None


@dataclass
class _Line:
    """One meter with its thread's own state."""

    reader: Reader
    link: Link = Link.WAITING
    readings: int = 0
    dropped: int = 0
    bad_frames: int = 0
    since_utc_ns: int = 0
    error: str = ""
    gap_began_ns: int = 0
    last_reading_ns: int = 0
    bad_in_a_row: int = 0
    bad_reported_ns: int = -_REPORT_EVERY_NS
    bad_unreported: Counter[str] = field(default_factory=Counter)
    rejects_seen: dict[str, int] = field(default_factory=dict)
    last_bad: BadFrameError | None = None
    drop_began_ns: int = 0
    drop_count: int = 0
    thread: threading.Thread | None = None

    def status(self) -> LinkStatus:
        """Picture of the link now."""
        return LinkStatus(
            self.reader.instrument,
            self.link,
            self.readings,
            self.dropped,
            self.bad_frames,
            self.since_utc_ns,
            self.error,
        )


def _ignore(*_: object) -> None:
    """Do nothing with what a sink is given."""


class Recorder:
    """Record meters into a logbook until stopped.

    Parameters
    ----------
    logbook : Logbook
        Open for writing; may be used by others meanwhile.
    readers : sequence of Reader
        Opened, reconnected and closed here.
    clock : Clock, optional
        For gaps and pauses; the computer's own by default.
    commit_interval_s : float
        Readings are on the disk at most this long after they came.
    back_off : BackOff, optional
        Pauses between attempts to reconnect.
    silence_s : float
        A link without readings for so long is a gap too.
    queue_limit : int
        Readings held at most while the logbook can't be written.
    on_reading, on_commit, on_error : callable, optional
        Told of every reading (from its meter's thread), of every block on the disk with its entry and readings, and
        of every error (from any thread).
    """

    def __init__(
        self,
        logbook: Logbook,
        readers: Sequence[Reader],
        *,
        clock: Clock | None = None,
        commit_interval_s: float = COMMIT_INTERVAL_S,
        back_off: BackOff | None = None,
        silence_s: float = 5.0,
        read_timeout_s: float = 0.5,
        queue_limit: int = 50_000,
        on_reading: Callable[[Reading], object] = _ignore,
        on_commit: Callable[[EntryRef, Sequence[Reading]], object] = _ignore,
        on_error: Callable[[BenchlogError], object] = _ignore,
    ) -> None:
        tags = [reader.instrument for reader in readers]
        if not tags or len(set(tags)) != len(tags):
            raise UsageError(f"a recorder needs meters with tags of their own, not {tags}")
        self._logbook = logbook
        self._clock: Clock = clock or SystemClock()
        self._interval_s = commit_interval_s
        self._back_off = back_off or BackOff()
        self._silence_ns = round(silence_s * 1e9)
        self._read_timeout_s = read_timeout_s
        self._on_reading, self._on_commit, self._on_error = on_reading, on_commit, on_error
        self._inbox = Inbox(queue_limit)
        self._lines = [_Line(reader) for reader in readers]
        self._latest: dict[tuple[str, str], Reading] = {}
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._writer: BlockWriter | None = None

    # -- control ----------------------------------------------------------------------------------------------

    def start(self) -> Self:
        """Start all threads."""
        if self._writer is not None:
            raise UsageError("a recorder starts once")
        self._writer = BlockWriter(
            self._logbook,
            self._inbox,
            clock=self._clock,
            interval_s=self._interval_s,
            on_commit=self._on_commit,
            on_error=self._tell,
        )
        self._writer.start()
        for line in self._lines:
            line.thread = threading.Thread(
                target=self._follow, args=(line,), name=f"meter {line.reader.instrument}", daemon=True
            )
            line.thread.start()
        return self

    def stop(self, timeout_s: float = 10.0) -> Recording:
        """Stop the meters, then write what came; safe to repeat.

        Raises
        ------
        LogbookError
            If readings that came could not be written.
        """
        if self._writer is None:
            return Recording(0, 0, None)
        self._stop.set()
        for line in self._lines:
            if line.thread is not None:
                line.thread.join(timeout_s)
                if line.thread.is_alive():
                    self._tell(InstrumentError("did not stop in time", instrument=line.reader.instrument))
        recorded, refused, last = self._writer.finish(timeout_s)
        return Recording(recorded, refused + sum(status.dropped for status in self.statuses()), last)

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        if error is None:
            self.stop()
        else:
            with contextlib.suppress(LogbookError):  # the error under way tells more
                self.stop()

    # -- for the screen ---------------------------------------------------------------------------------------

    def latest(self) -> dict[tuple[str, str], Reading]:
        """Newest reading of each (instrument, channel)."""
        return self._latest.copy()

    def statuses(self) -> list[LinkStatus]:
        """How each meter's link is doing, in the order given."""
        with self._lock:
            return [line.status() for line in self._lines]

    # -- one thread per meter ---------------------------------------------------------------------------------

    def _follow(self, line: _Line) -> None:
        pause_s = self._back_off.first_s
        line.last_reading_ns = self._clock.monotonic_ns()
        try:
            while not self._stop.is_set():
                try:
                    line.reader.open()
                    reading = line.reader.read(self._read_timeout_s)
                except BadFrameError as error:
                    if self._bad_frame(line, error):
                        self._check_silence(line)
                        continue
                    self._lose(line, error)
                except BenchlogError as error:
                    self._lose(line, error)
                except Exception as error:  # noqa: BLE001 - a faulty adapter must not end the others' recording
                    self._lose(
                        line,
                        InstrumentError(
                            f"its adapter failed: {type(error).__name__}: {error}",
                            hint="please report this",
                            instrument=line.reader.instrument,
                        ),
                    )
                else:
                    if reading is None:
                        self._check_silence(line)
                    else:
                        pause_s = self._back_off.first_s
                        self._take(line, reading)
                    continue
                self._wait(pause_s)
                pause_s = min(pause_s * self._back_off.factor, self._back_off.longest_s)
        finally:
            self._close(line)
            self._report_bad_frames(line, force=True)
            self._report_drops(line)
            self._set(line, Link.STOPPED)

    def _close(self, line: _Line) -> None:
        try:
            line.reader.close()
        except Exception as error:  # noqa: BLE001 - a link that broke may fail in any way as it is closed
            self._tell(
                InstrumentError(f"closing the link failed: {error}", instrument=line.reader.instrument)
            )

    def _wait(self, seconds: float) -> None:
        steps = max(1, round(seconds / _STEP_S))
        for _ in range(steps):
            # The short real wait lets other threads run when the clock is moved by hand.
            if self._stop.wait(0.001):
                return
            self._clock.sleep(seconds / steps)

    def _take(self, line: _Line, reading: Reading) -> None:
        line.bad_in_a_row, line.last_bad = 0, None
        line.last_reading_ns = self._clock.monotonic_ns()
        if line.link is not Link.READING:
            self._end_gap(line)
        self._latest[reading.instrument, reading.channel] = reading
        line.readings += 1
        try:
            if reading.origin is Origin.FILE:
                self._put_patiently(reading)  # a recorded stream can wait, a meter can't
            else:
                self._inbox.put(reading)
                if line.drop_count:
                    self._report_drops(line)
        except queue.Full:
            line.drop_began_ns = line.drop_began_ns or self._clock.utc_ns()
            line.drop_count += 1
            line.dropped += 1
        if line.bad_unreported or dict(line.reader.rejects) != line.rejects_seen:
            self._report_bad_frames(line)
        try:
            self._on_reading(reading)
        except Exception as error:  # noqa: BLE001 - a screen that fails must not end the recording
            self._tell(BenchlogError(f"what follows the readings failed: {type(error).__name__}: {error}"))

    def _put_patiently(self, item: Reading | Event) -> None:
        while True:
            try:
                self._inbox.put(item, _STEP_S)
                return
            except queue.Full:
                if self._stop.is_set():
                    raise

    def _event(self, kind: str, **body: Any) -> None:
        # An event that finds no room is lost with the readings around it, whose count tells.
        with contextlib.suppress(queue.Full):
            self._inbox.put(Event(kind, body), 1.0)

    def _set(self, line: _Line, link: Link, error: str = "") -> None:
        with self._lock:
            line.link, line.error, line.since_utc_ns = link, error, self._clock.utc_ns()

    def _tell(self, error: BenchlogError) -> None:
        self._on_error(error)

    # -- gaps -------------------------------------------------------------------------------------------------

    def _lose(self, line: _Line, error: BenchlogError) -> None:
        self._close(line)
        if line.link is Link.LOST:
            if line.error != error.message:
                self._set(line, Link.LOST, error.message)
                self._tell(error)
            return
        self._tell(error)
        self._begin_gap(line, Link.LOST, error.message, error.hint)

    def _check_silence(self, line: _Line) -> None:
        silent_ns = self._clock.monotonic_ns() - line.last_reading_ns
        if line.link in (Link.READING, Link.WAITING) and silent_ns >= self._silence_ns:
            cause, hint = (
                f"no reading for {silent_ns / 1e9:.1f} s",
                "is the meter on, awake, and its link switched on?",
            )
            if (
                bad := line.last_bad
            ) is not None:  # it does talk: what it says tells more than that no reading came
                cause, hint = f"{cause}: {bad.message}", bad.hint
            self._begin_gap(line, Link.SILENT, cause, hint)

    def _begin_gap(self, line: _Line, link: Link, cause: str, hint: str) -> None:
        event = (
            "continues" if line.gap_began_ns else "begins"
        )  # a silent link may break as well: still one gap
        line.gap_began_ns = line.gap_began_ns or self._clock.utc_ns()
        self._set(line, link, cause)
        self._event(
            "gap", instrument=line.reader.instrument, event=event, link=str(link), cause=cause, hint=hint
        )

    def _end_gap(self, line: _Line) -> None:
        began, line.gap_began_ns = line.gap_began_ns, 0
        if began:
            self._event(
                "gap",
                instrument=line.reader.instrument,
                event="ends",
                began=rfc3339(began),
                gap_s=(self._clock.utc_ns() - began) / 1e9,
            )
        self._set(line, Link.READING)

    def _report_drops(self, line: _Line) -> None:
        if line.drop_count:
            count, began = line.drop_count, line.drop_began_ns
            line.drop_count = line.drop_began_ns = 0
            self._event(
                "gap",
                instrument=line.reader.instrument,
                event="readings lost",
                cause="the logbook could not be written fast enough",
                lost=count,
                began=rfc3339(began),
            )

    def _bad_frame(self, line: _Line, error: BadFrameError) -> bool:
        """Count a bad frame; False when so many came in a row that the link must be made anew."""
        line.bad_in_a_row += 1
        line.bad_frames += 1
        line.bad_unreported["no frame"] += 1
        line.last_bad = error
        self._tell(error)
        self._report_bad_frames(line, error)
        if line.bad_in_a_row < _BAD_FRAMES_IN_A_ROW:
            return True
        line.bad_in_a_row = 0
        return False

    def _report_bad_frames(
        self, line: _Line, error: BadFrameError | None = None, *, force: bool = False
    ) -> None:
        """Write down frames that made no reading, at most once a minute."""
        rejects = dict(line.reader.rejects)
        if rejects != line.rejects_seen:
            new = Counter(rejects) - Counter(line.rejects_seen)
            line.bad_unreported += new
            line.bad_frames += new.total()
            line.rejects_seen = rejects
        if not line.bad_unreported:
            return
        now = self._clock.monotonic_ns()
        if force or now - line.bad_reported_ns >= _REPORT_EVERY_NS:
            reasons, line.bad_unreported, line.bad_reported_ns = line.bad_unreported, Counter(), now
            example = {"example": error.message, "raw": error.raw[:64].hex()} if error else {}
            self._event(
                "bad frames",
                instrument=line.reader.instrument,
                count=reasons.total(),
                reasons=dict(reasons),
                **example,
            )
