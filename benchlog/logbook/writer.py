"""Appending to the chain: one writer at a time, whole transactions only, on the disk before it returns."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

from benchlog.clock import Clock, parse_rfc3339, rfc3339
from benchlog.errors import LogbookDamagedError, LogbookError, UsageError
from benchlog.logbook import database
from benchlog.logbook.chain import ZERO_DIGEST, EntryRef, compose, parse_entry
from benchlog.logbook.derived import insert_derived
from benchlog.logbook.entry_rules import CLOCK_STEP_NS
from benchlog.logbook.reader import LogbookReader

if TYPE_CHECKING:
    from benchlog.logbook.reading_block import ChannelKey


class LogbookWriter(LogbookReader):
    """Appends to the chain of an open logbook.

    Attributes
    ----------
    mode : {"rw", "ro"}
    session : int
        Number of the session that entries belong to; 0 outside any.
    busy_timeout_s : float
        How long to wait for another program's writing.
    on_wait : callable
        Called once if that takes more than a second.
    """

    def __init__(self, path: Path, db: sqlite3.Connection, clock: Clock, mode: str) -> None:
        super().__init__(path, db)
        self.clock = clock
        self.mode = mode
        self.session = 0
        self.busy_timeout_s = database.BUSY_TIMEOUT_S
        self.on_wait: Callable[[], object] = lambda: None
        self._depth = 0
        self._failed = False
        self._tail = EntryRef(0, ZERO_DIGEST)
        self._tail_time = ""
        self._channels: dict[ChannelKey, int] | None = None

    def close(self) -> None:
        """Gather all writes into the one file and close it; safe to repeat."""
        with self._lock:
            try:
                if self.mode == "rw":
                    # Fails while another program reads; then the next close does it.
                    self._db.execute("PRAGMA busy_timeout=0")
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except sqlite3.Error:
                pass
            finally:
                super().close()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Group several appends: all of them are stored, or none. May be nested; if an inner one fails, all are undone.

        Raises
        ------
        LogbookLockedError
            If another program keeps writing for longer than the busy time-out.
        LogbookFullError
            If the disk is full; this transaction is undone, everything before it is kept.
        """
        with self._lock, database.mapped_errors(self.path):
            if self._depth:
                try:
                    yield
                except BaseException:
                    self._failed = True
                    raise
                return
            self._refuse_closed()
            if self.mode != "rw":
                raise UsageError(f"logbook {self.path} is open for reading only")
            self._begin()
            before, session = self._tail, self.session
            self._depth, self._failed = 1, False
            try:
                if self._db.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone():
                    self._read_tail()
                    if self._tail != before:
                        self._channels = None  # another program wrote meanwhile
                yield
                if self._failed:
                    raise LogbookError(
                        f"logbook {self.path}: a part of this transaction failed, so none of it is stored"
                    )
                self._db.execute("COMMIT")
            except BaseException:
                self._tail, self._tail_time, self._channels = before, "", None
                self.session = session
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
            finally:
                self._depth = 0

    def _begin(self) -> None:
        """Begin a transaction, waiting while another program writes; `on_wait` is called after a second."""
        self._db.execute(f"PRAGMA busy_timeout={min(1000, int(self.busy_timeout_s * 1000))}")
        give_up = monotonic() + self.busy_timeout_s
        notified = False
        while True:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                return
            except sqlite3.OperationalError as error:
                busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or monotonic() >= give_up:
                    raise
            if not notified:
                notified = True
                self.on_wait()

    def _read_tail(self) -> None:
        row = self._db.execute(
            "SELECT seq, digest, time, text FROM entry ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        if row is None:
            raise LogbookDamagedError(
                f"logbook {self.path} has no first entry", hint="restore it from a copy"
            )
        seq, digest, time, text = row
        if self.mode == "rw" and (seq, digest) != (self._tail.seq, self._tail.digest):
            parse_entry(text, digest, f"logbook {self.path}: the last entry, {seq},")
        self._tail, self._tail_time = EntryRef(seq, digest), time

    def _append(self, kind: str, body: Mapping[str, Any]) -> EntryRef:
        """Append inside the open transaction."""
        now = self.clock.utc_ns()
        time = rfc3339(now)
        if time < self._tail_time and (step := parse_rfc3339(self._tail_time) - now) > CLOCK_STEP_NS:
            self._write("clock", time, {"set_back_s": step / 1e9, "before": self._tail_time})
        return self._write(kind, time, body)

    def _write(self, kind: str, time: str, body: Mapping[str, Any]) -> EntryRef:
        seq = self._tail.seq + 1
        text, digest = compose(seq, kind, self.session, time, self._tail.digest, body)
        self._db.execute(
            "INSERT INTO entry VALUES (?,?,?,?,?,?)", (seq, kind, self.session, time, text, digest)
        )
        if kind in ("channel", "readings", "result", "supersede"):
            insert_derived(self._db, parse_entry(text, digest))
        self._tail, self._tail_time = EntryRef(seq, digest), time
        return self._tail
