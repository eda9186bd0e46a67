"""One thread that writes what comes through a queue: a block of readings every 0.25 s, one commit each."""

from __future__ import annotations

import itertools
import queue
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.clock import Clock, rfc3339
from benchlog.errors import BenchlogError, LogbookError, LogbookLockedError, UsageError
from benchlog.logbook.book import Logbook
from benchlog.logbook.chain import EntryRef
from benchlog.reading import Reading

COMMIT_INTERVAL_S = 0.25
MAX_BLOCK = 10_000
_RETRY_S = 1.0
_run_numbers = itertools.count(1)


@dataclass(frozen=True, slots=True)
class Event:
    """An entry to be written between readings."""

    kind: str
    body: dict[str, Any]


class Inbox:
    """A bounded queue that is emptied now and then; unlike `queue.Queue`, `put` does not wake the reader each time.

    Parameters
    ----------
    limit : int
        Most items it holds.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._items: deque[Reading | Event] = deque()
        self._room = threading.Condition()
        self._urgent = threading.Event()

    def put(self, item: Reading | Event, timeout_s: float = 0.0) -> None:
        """Put one thing in, waiting for room if there is none.

        Raises
        ------
        queue.Full
            If there is still none after `timeout_s`.
        """
        if len(self._items) >= self._limit:
            self._urgent.set()
            with self._room:
                if not self._room.wait_for(lambda: len(self._items) < self._limit, timeout_s):
                    raise queue.Full
        # No lock: threads that see the last free place at once may each use it, and overfill by that many at most.
        self._items.append(item)
        if len(self._items) * 2 >= self._limit:
            self._urgent.set()

    def take(self, most: int) -> list[Reading | Event]:
        """Take out up to `most` things, oldest first; for one thread only."""
        self._urgent.clear()
        taken = [self._items.popleft() for _ in range(min(most, len(self._items)))]
        with self._room:
            self._room.notify_all()
        return taken

    def wait(self, timeout_s: float) -> None:
        """Wait that long, or until the queue is half full or `hurry` is called."""
        self._urgent.wait(timeout_s)

    def hurry(self) -> None:
        """End a `wait`."""
        self._urgent.set()


class BlockWriter:
    """Writes readings and events from an inbox.

    While the logbook can't be written (locked, full disk) one block is held and tried again; meanwhile the inbox fills,
    and `put` waits. A reading that can't be stored at all is left out and counted.

    Parameters
    ----------
    clock : Clock
        Names the stream of this run.
    interval_s : float
        Readings are on the disk at most this long after they arrived.
    on_commit : callable
        Called with each block's entry and readings once they are on the disk.
    on_error : callable
        Called with each error; a lasting one is reported once.
    """

    def __init__(
        self,
        logbook: Logbook,
        inbox: Inbox,
        *,
        clock: Clock,
        interval_s: float,
        on_commit: Callable[[EntryRef, Sequence[Reading]], object],
        on_error: Callable[[BenchlogError], object],
    ) -> None:
        self._logbook = logbook
        self._inbox = inbox
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
        """Write what is left and end the thread; after this nothing may be put into the inbox.

        Returns
        -------
        recorded, refused : int
            Readings on the disk; readings that could not be stored.
        last : EntryRef or None
            Last block's entry.

        Raises
        ------
        LogbookError
            If something could not be written.
        """
        self._finish.set()
        self._inbox.hurry()
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
        while True:
            finishing = self._finish.is_set()
            if not finishing:
                self._inbox.wait(self._interval_s)
            items = self._inbox.take(MAX_BLOCK)
            batch = [item for item in items if isinstance(item, Reading)]
            events = [item for item in items if isinstance(item, Event)]
            while (batch or events) and not self._write(batch, events):
                if finishing:  # this attempt began after the request to finish: it was the last one
                    return
                self._finish.wait(_RETRY_S)
                finishing = self._finish.is_set()
            if finishing and not items:
                return

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
        """Halve the block until only the readings that can't be stored are left out."""
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
