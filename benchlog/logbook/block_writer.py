"""One thread that writes what comes through a queue: a block of readings every 0.25 s, one commit each."""

from __future__ import annotations

import itertools
import queue
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.clock import Clock, rfc3339
from benchlog.errors import BenchlogError, LogbookError, LogbookLockedError, UsageError
from benchlog.logbook.book import Logbook
from benchlog.logbook.chain import EntryRef
from benchlog.reading import Reading

__all__ = ["COMMIT_INTERVAL_S", "BlockWriter", "Event"]

COMMIT_INTERVAL_S = 0.25
MAX_BLOCK = 10_000
_RETRY_S = 1.0
_run_numbers = itertools.count(1)


@dataclass(frozen=True, slots=True)
class Event:
    """An entry to be written between readings."""

    kind: str
    body: dict[str, Any]


class BlockWriter:
    """Writes readings and events from a bounded queue.

    While the logbook can't be written (locked, full disk) one block is held and tried again; the queue fills, and
    who puts into it sees that. A reading that can't be kept at all is left out and counted.

    Parameters
    ----------
    logbook : Logbook
    inbox : Queue of Reading or Event
    clock : Clock
        For the commit interval.
    interval_s : float
        Readings are on the disk at most this long after they came.
    on_commit : callable
        Told each block's entry and readings once they are on the disk.
    on_error : callable
        Told what goes wrong, each kind of trouble once until it is over.
    """

    def __init__(
        self,
        logbook: Logbook,
        inbox: queue.Queue[Reading | Event],
        *,
        clock: Clock,
        interval_s: float,
        on_commit: Callable[[EntryRef, Sequence[Reading]], object],
        on_error: Callable[[BenchlogError], object],
    ) -> None:
        self._logbook = logbook
        self._inbox = inbox
        self._clock = clock
        self._interval_s = interval_s
        self._on_commit, self._on_error = on_commit, on_error
        self._stream = f"{rfc3339(clock.utc_ns())} {next(_run_numbers)}"
        self._finish = threading.Event()
        self._thread = threading.Thread(target=self._run, name="logbook writer", daemon=True)
        self._recorded = self._refused = 0
        self._last: EntryRef | None = None
        self._error: LogbookError | None = None

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def finish(self, timeout_s: float) -> tuple[int, int, EntryRef | None]:
        """Write what is left and end the thread; nothing may be put into the queue any more.

        Returns
        -------
        recorded, refused : int
            Readings on the disk; readings that can't be kept.
        last : EntryRef or None
            Last block's entry.

        Raises
        ------
        LogbookError
            If something could not be written.
        """
        self._finish.set()
        self._thread.join(timeout_s)
        if self._thread.is_alive():
            raise LogbookLockedError(
                f"logbook {self._logbook.path}: the last readings were not written within {timeout_s:g} s",
                hint="close other programs that use the logbook",
            )
        if self._error is not None:
            raise self._error
        return self._recorded, self._refused, self._last

    def _run(self) -> None:
        batch: list[Reading] = []
        events: list[Event] = []
        began_ns = 0
        while True:
            finishing = self._finish.is_set()
            age_s = (self._clock.monotonic_ns() - began_ns) / 1e9 if batch else 0.0
            item = self._next(0.0 if finishing else max(0.005, self._interval_s - age_s))
            if isinstance(item, Reading):
                began_ns = began_ns if batch else self._clock.monotonic_ns()
                batch.append(item)
            elif item is not None:
                events.append(item)
            full = len(batch) + len(events) >= MAX_BLOCK
            if (batch or events) and (item is None or full or age_s >= self._interval_s):
                while not self._write(batch, events):
                    if self._finish.is_set():
                        return
                    self._finish.wait(_RETRY_S)
            if finishing and item is None:
                return

    def _next(self, wait_s: float) -> Reading | Event | None:
        try:
            return self._inbox.get(timeout=wait_s) if wait_s > 0 else self._inbox.get_nowait()
        except queue.Empty:
            return None

    def _write(self, batch: list[Reading], events: list[Event]) -> bool:
        """Write all, emptying the lists; False if the logbook can't be written now, with the rest still in them."""
        try:
            try:
                self._commit(batch, events)
            except UsageError as error:
                self._on_error(error)
                self._write_what_can_be(batch, events)
        except LogbookError as error:
            if self._error is None or self._error.message != error.message:
                self._on_error(error)
            self._error = error
            return False
        self._error = None
        return True

    def _commit(self, batch: list[Reading], events: list[Event], size: int = MAX_BLOCK) -> None:
        """Write up to `size` readings and all events in one transaction, and take them off the lists."""
        ref = None
        chunk = batch[:size]
        with self._logbook.transaction():
            if chunk:
                ref = self._logbook.append_readings(chunk, stream=self._stream, position=self._recorded)
            for event in events:
                self._logbook.append(event.kind, event.body)
        del batch[:size]
        events.clear()
        if ref is not None:
            self._recorded += len(chunk)
            self._last = ref
            self._on_commit(ref, chunk)

    def _write_what_can_be(self, batch: list[Reading], events: list[Event]) -> None:
        """Halve the block until only what can't be kept is left out."""
        size = max(1, len(batch) // 2)
        while batch:
            try:
                self._commit(batch, [], size)
            except UsageError:
                if size == 1:
                    del batch[0]
                    self._refused += 1
                size = max(1, size // 2)
        while events:
            try:
                self._commit([], [events[0]])
            except UsageError as error:
                self._on_error(error)
            del events[0]
