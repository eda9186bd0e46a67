"""One thread per meter that reads it, one that writes what they read.

::

    reader thread --\\
    reader thread ----> bounded queue --> writer thread --> logbook, a block every 0.25 s
    reader thread --/       (latest reading of each meter kept for the screen)

A broken link is tried again with growing pauses, and the gap is recorded. Readings that the writer can't keep up with are
counted and recorded as lost, so that memory stays bounded.
"""

from __future__ import annotations

import contextlib
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from benchlog.adapter import Reader
from benchlog.clock import Clock, SystemClock
from benchlog.errors import BadFrameError, BenchlogError, InstrumentError, LogbookError, UsageError
from benchlog.logbook import EntryRef, Logbook
from benchlog.logbook.block_writer import COMMIT_INTERVAL_S, BlockWriter, Event, Inbox
from benchlog.reading import Origin, Reading
from benchlog.recorder.link import Link, LinkStatus, MeterLink

_STEP_S = 0.1  # a stop is noticed within this while waiting to reconnect


@dataclass(frozen=True, slots=True)
class BackOff:
    """Pauses between attempts to reconnect, second."""

    first_s: float = 0.5
    factor: float = 2.0
    longest_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Recording:
    """Summary of a recorder when it stops: readings on the disk, readings lost, last entry."""

    recorded: int
    dropped: int
    last: EntryRef | None


def _ignore(*_: object) -> None:
    """Ignore the argument."""


class Recorder:
    """Record meters into a logbook until stopped.

    Parameters
    ----------
    logbook : Logbook
        Open for writing; may be used by others meanwhile.
    readers : sequence of Reader
        The recorder opens, reconnects and closes them.
    clock : Clock, optional
        For gaps and pauses; the computer's own by default.
    commit_interval_s : float
        Readings are on the disk at most this long after they arrived.
    back_off : BackOff, optional
        Pauses between attempts to reconnect.
    silence_s : float
        A link without readings for this long is a gap too.
    queue_limit : int
        Most readings held while the logbook can't be written.
    on_reading, on_commit, on_error : callable, optional
        Called with every reading (from its meter's thread), every block on the disk with its entry and readings, and every
        error (from any thread).
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
            raise UsageError(f"a recorder needs meters with different tags, not {tags}")
        self._logbook = logbook
        self._clock: Clock = clock or SystemClock()
        self._interval_s = commit_interval_s
        self._back_off = back_off or BackOff()
        self._read_timeout_s = read_timeout_s
        self._on_reading, self._on_commit, self._on_error = on_reading, on_commit, on_error
        self._inbox = Inbox(queue_limit)
        silence_ns = round(silence_s * 1e9)
        self._links = [
            MeterLink(reader, self._clock, silence_ns, self._put_event, on_error) for reader in readers
        ]
        self._threads: list[threading.Thread] = []
        self._latest: dict[tuple[str, str], Reading] = {}
        self._stop = threading.Event()
        self._writer: BlockWriter | None = None

    # -- control ----------------------------------------------------------------------------------------------

    def start(self) -> Self:
        """Start all threads."""
        if self._writer is not None:
            raise UsageError("a recorder can be started only once")
        self._writer = BlockWriter(
            self._logbook,
            self._inbox,
            clock=self._clock,
            interval_s=self._interval_s,
            on_commit=self._on_commit,
            on_error=self._on_error,
        )
        self._writer.start()
        for link in self._links:
            thread = threading.Thread(
                target=self._follow, args=(link,), name=f"meter {link.reader.instrument}", daemon=True
            )
            thread.start()
            self._threads.append(thread)
        return self

    def stop(self, timeout_s: float = 10.0) -> Recording:
        """Stop the meters, then write their readings; safe to repeat.

        Raises
        ------
        LogbookError
            If readings could not be written.
        """
        if self._writer is None:
            return Recording(0, 0, None)
        self._stop.set()
        for link, thread in zip(self._links, self._threads, strict=False):  # fewer if a start failed
            thread.join(timeout_s)
            if thread.is_alive():
                self._on_error(InstrumentError("did not stop in time", instrument=link.reader.instrument))
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
            with contextlib.suppress(LogbookError):  # the first error is more useful
                self.stop()

    # -- for the screen ---------------------------------------------------------------------------------------

    def latest(self) -> dict[tuple[str, str], Reading]:
        """Newest reading of each (instrument, channel)."""
        return self._latest.copy()

    def statuses(self) -> list[LinkStatus]:
        """State of each meter's link, in the order given."""
        return [link.status() for link in self._links]

    # -- one thread per meter ---------------------------------------------------------------------------------

    def _follow(self, link: MeterLink) -> None:
        pause_s = self._back_off.first_s
        link.last_reading_ns = self._clock.monotonic_ns()
        try:
            while not self._stop.is_set():
                try:
                    link.reader.open()
                    reading = link.reader.read(self._read_timeout_s)
                except BadFrameError as error:
                    if link.bad_frame(error):
                        link.check_silence()
                        continue
                    link.lose(error)
                except BenchlogError as error:
                    link.lose(error)
                except Exception as error:  # noqa: BLE001 - a faulty adapter must not end the others' recording
                    link.lose(
                        InstrumentError(
                            f"its adapter failed: {type(error).__name__}: {error}",
                            hint="please report this",
                            instrument=link.reader.instrument,
                        )
                    )
                else:
                    if reading is None:
                        link.check_silence()
                    else:
                        pause_s = self._back_off.first_s
                        self._take(link, reading)
                    continue
                self._wait(pause_s)
                pause_s = min(pause_s * self._back_off.factor, self._back_off.longest_s)
        finally:
            link.end()

    def _wait(self, seconds: float) -> None:
        steps = max(1, round(seconds / _STEP_S))
        for _ in range(steps):
            # The short real wait lets other threads run when the clock is moved by hand.
            if self._stop.wait(0.001):
                return
            self._clock.sleep(seconds / steps)

    def _take(self, link: MeterLink, reading: Reading) -> None:
        link.bad_in_a_row, link.last_bad = 0, None
        link.last_reading_ns = self._clock.monotonic_ns()
        if link.state is not Link.READING:
            link.end_gap()
        self._latest[reading.instrument, reading.channel] = reading
        link.readings += 1
        try:
            if reading.origin is Origin.FILE:
                self._put_patiently(reading)  # a replayed stream can wait, a meter can't
            else:
                self._inbox.put(reading)
                if link.drop_count:
                    link.report_drops()
        except queue.Full:
            link.drop()
        if link.bad_unreported or dict(link.reader.rejects) != link.rejects_seen:
            link.report_bad_frames()
        try:
            self._on_reading(reading)
        except Exception as error:  # noqa: BLE001 - a screen that fails must not end the recording
            self._on_error(BenchlogError(f"a callback for readings failed: {type(error).__name__}: {error}"))

    def _put_patiently(self, reading: Reading) -> None:
        while True:
            try:
                self._inbox.put(reading, _STEP_S)
                return
            except queue.Full:
                if self._stop.is_set():
                    raise

    def _put_event(self, event: Event) -> None:
        # An event without room is lost together with the readings around it, which are counted.
        with contextlib.suppress(queue.Full):
            self._inbox.put(event, 1.0)
