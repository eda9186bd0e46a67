"""The link to one meter: its state, and its events in the logbook.

A silence or a break is one gap, with its beginning and end. Bad frames are reported at most once a minute; readings lost
for lack of room, once there is room again.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from benchlog.adapter import Reader
from benchlog.clock import Clock, rfc3339
from benchlog.errors import BadFrameError, BenchlogError, InstrumentError
from benchlog.logbook.block_writer import Event

_BAD_FRAMES_IN_A_ROW = 50
_REPORT_EVERY_NS = 60 * 10**9


class Link(StrEnum):
    """State of the link to one meter."""

    WAITING = "waiting"
    READING = "reading"
    SILENT = "silent"
    LOST = "lost"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """State of one meter's link."""

    instrument: str
    link: Link = Link.WAITING
    #: readings, dropped, bad_frames: Readings received; those lost because the logbook was too slow; frames that
    #: gave no reading.
    readings: int = 0
    dropped: int = 0
    bad_frames: int = 0
    since_utc_ns: int = 0  #: When `link` last changed.
    error: str = ""  #: The last error, ``""`` if all is well.


@dataclass
class MeterLink:
    """One meter, used by the thread that reads it; other threads only use `status`."""

    reader: Reader
    clock: Clock
    silence_ns: int  #: It is silent after this long without a reading.
    write: Callable[[Event], object]  #: Writes an event into the logbook.
    report: Callable[[BenchlogError], object]  #: Reports an error.
    state: Link = Link.WAITING
    #: readings, dropped, bad_frames, since_utc_ns, error: As in `LinkStatus`.
    readings: int = 0
    dropped: int = 0
    bad_frames: int = 0
    since_utc_ns: int = 0
    error: str = ""
    last_reading_ns: int = 0  #: Monotonic time of the latest reading, or of the start.
    bad_in_a_row: int = 0
    bad_unreported: Counter[str] = field(default_factory=Counter)  #: Reasons not yet in the logbook.
    #: Frames that the reader itself had discarded when last asked.
    rejects_seen: dict[str, int] = field(default_factory=dict)
    last_bad: BadFrameError | None = None  #: Latest bad frame, if no good one came since.
    drop_count: int = 0  #: Readings lost, not yet in the logbook.
    _gap_began_ns: int = 0
    _bad_reported_ns: int = -_REPORT_EVERY_NS
    _drop_began_ns: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def status(self) -> LinkStatus:
        """Snapshot of the link."""
        with self._lock:
            return LinkStatus(
                self.reader.instrument,
                self.state,
                self.readings,
                self.dropped,
                self.bad_frames,
                self.since_utc_ns,
                self.error,
            )

    def change(self, state: Link, error: str = "") -> None:
        """Change the state from now on."""
        with self._lock:
            self.state, self.error, self.since_utc_ns = state, error, self.clock.utc_ns()

    def close(self) -> None:
        """Close the link, ignoring errors."""
        try:
            self.reader.close()
        except Exception as error:  # noqa: BLE001 - a link that broke may fail in any way as it is closed
            self.report(
                InstrumentError(f"closing the link failed: {error}", instrument=self.reader.instrument)
            )

    def end(self) -> None:
        """Close the link for good and report remaining events."""
        self.close()
        self.report_bad_frames(force=True)
        self.report_drops()
        self.change(Link.STOPPED)

    # -- gaps -------------------------------------------------------------------------------------------------

    def lose(self, error: BenchlogError) -> None:
        """Close a broken link; a gap begins or goes on."""
        self.close()
        if self.state is Link.LOST:
            if self.error != error.message:
                self.change(Link.LOST, error.message)
                self.report(error)
            return
        self.report(error)
        self._begin_gap(Link.LOST, error.message, error.hint)

    def check_silence(self) -> None:
        """Begin a gap if no reading came for too long."""
        silent_ns = self.clock.monotonic_ns() - self.last_reading_ns
        if self.state in (Link.READING, Link.WAITING) and silent_ns >= self.silence_ns:
            cause = f"no reading for {silent_ns / 1e9:.1f} s"
            hint = "is the meter on, awake, and its link switched on?"
            # It does send something: report that instead of "no reading".
            if (bad := self.last_bad) is not None:
                cause, hint = f"{cause}: {bad.message}", bad.hint
            self._begin_gap(Link.SILENT, cause, hint)

    def _begin_gap(self, state: Link, cause: str, hint: str) -> None:
        # A silent link may also break: still one gap.
        event = "continues" if self._gap_began_ns else "begins"
        self._gap_began_ns = self._gap_began_ns or self.clock.utc_ns()
        self.change(state, cause)
        self._event("gap", event=event, link=str(state), cause=cause, hint=hint)

    def end_gap(self) -> None:
        """End the gap, if there is one."""
        began, self._gap_began_ns = self._gap_began_ns, 0
        if began:
            self._event("gap", event="ends", began=rfc3339(began), gap_s=(self.clock.utc_ns() - began) / 1e9)
        self.change(Link.READING)

    # -- what made no reading in the logbook ------------------------------------------------------------------

    def drop(self) -> None:
        """Count a reading lost for lack of room."""
        self._drop_began_ns = self._drop_began_ns or self.clock.utc_ns()
        self.drop_count += 1
        self.dropped += 1

    def report_drops(self) -> None:
        """Report the readings lost, if any."""
        if self.drop_count:
            count, began = self.drop_count, self._drop_began_ns
            self.drop_count = self._drop_began_ns = 0
            self._event(
                "gap",
                event="readings lost",
                cause="the logbook was written too slowly",
                lost=count,
                began=rfc3339(began),
            )

    def bad_frame(self, error: BadFrameError) -> bool:
        """Count a bad frame; False after so many in a row that the link should be reopened."""
        self.bad_in_a_row += 1
        self.bad_frames += 1
        self.bad_unreported["no frame"] += 1
        self.last_bad = error
        self.report(error)
        self.report_bad_frames(error)
        if self.bad_in_a_row < _BAD_FRAMES_IN_A_ROW:
            return True
        self.bad_in_a_row = 0
        return False

    def report_bad_frames(self, error: BadFrameError | None = None, *, force: bool = False) -> None:
        """Report bad frames, at most once a minute unless forced."""
        rejects = dict(self.reader.rejects)
        if rejects != self.rejects_seen:
            new = Counter(rejects) - Counter(self.rejects_seen)
            self.bad_unreported += new
            self.bad_frames += new.total()
            self.rejects_seen = rejects
        if not self.bad_unreported:
            return
        now = self.clock.monotonic_ns()
        if force or now - self._bad_reported_ns >= _REPORT_EVERY_NS:
            reasons, self.bad_unreported, self._bad_reported_ns = self.bad_unreported, Counter(), now
            example = {"example": error.message, "raw": error.raw[:64].hex()} if error else {}
            self._event("bad frames", count=reasons.total(), reasons=dict(reasons), **example)

    def _event(self, kind: str, **body: Any) -> None:
        self.write(Event(kind, {"instrument": self.reader.instrument, **body}))
