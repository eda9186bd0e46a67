"""Reading a logbook's entries and the data kept beside them."""

from __future__ import annotations

import hashlib
import heapq
import itertools
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import msgspec

from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import database
from benchlog.logbook.chain import Entry, EntryRef, parse_entry
from benchlog.result import Record, Result

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.logbook.reading_block import ChannelKey
    from benchlog.reading import Reading

_BATCH = 500


class LogbookReader:
    """Read access to an open logbook. Every entry's digest is checked as it is read.

    Parameters
    ----------
    db : sqlite3.Connection
    """

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db
        self._lock = threading.RLock()
        self._closed = False

    def close(self) -> None:
        """Close the file; safe to repeat."""
        with self._lock:
            self._closed = True
            self._db.close()

    def _refuse_closed(self) -> None:
        if self._closed:
            raise UsageError(f"logbook {self.path} was closed", hint="open it again with Logbook.open")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    @contextmanager
    def querying(self) -> Iterator[sqlite3.Connection]:
        """The locked connection, for queries of the logbook's own modules."""
        with self._lock, database.mapped_errors(self.path):
            self._refuse_closed()
            yield self._db

    def head(self) -> EntryRef:
        """Newest entry; its digest covers all before it."""
        with self.querying() as db:
            return EntryRef(*db.execute("SELECT seq, digest FROM entry ORDER BY seq DESC LIMIT 1").fetchone())

    def first_altered(self, newest: int = 5000) -> int | None:
        """Number of the first entry, of the newest so many, that is not as it was written; None: all are.

        A quick look before writing: `verify` proves the whole file.
        """
        previous = ""
        with self.querying() as db:
            for seq, text, digest in db.execute(
                "SELECT seq, text, digest FROM entry WHERE seq > (SELECT max(seq) FROM entry) - ? ORDER BY seq",
                (newest,),
            ):
                data = text.encode("utf-8", "surrogateescape") if isinstance(text, str) else b""
                if hashlib.sha256(data).hexdigest() != digest or f'"previous":"{previous}' not in text:
                    return int(seq)
                previous = digest
        return None

    def entry(self, seq: int) -> Entry:
        """Return one entry; `UsageError` if there is none of that number."""
        with self.querying() as db:
            known = -(2**63) <= seq < 2**63  # the range of SQLite's integers
            row = db.execute("SELECT text, digest FROM entry WHERE seq=?", (seq if known else 0,)).fetchone()
            if row is None:
                raise UsageError(f"there is no entry {seq} in {self.path}", hint="see `benchlog record list`")
            return parse_entry(row[0], row[1], f"entry {seq}")

    def entries(
        self,
        kind: str | Sequence[str] | None = None,
        after: int = 0,
        *,
        session: int | None = None,
        newest_first: bool = False,
        limit: int | None = None,
    ) -> Iterator[Entry]:
        """Iterate over entries, a few hundred at a time in memory.

        Parameters
        ----------
        kind : str or sequence of str, optional
            Only these kinds.
        after : int
            Only entries with a larger number.
        session : int, optional
            Only entries of this session.
        limit : int, optional
            At most so many.
        """
        if kind is None and session is None:
            streams = [self._stream("seq>? AND seq<?", (), after, newest_first, limit)]
        else:
            # One index scan per kind, merged: sorting would read every matching entry first.
            kinds = self.kinds() if kind is None else [kind] if isinstance(kind, str) else list(kind)
            condition = "kind=? AND seq>? AND seq<?"
            values: tuple[int, ...] = ()
            if session is not None:
                condition, values = "session=? AND kind=? AND seq>? AND seq<?", (session,)
            streams = [
                self._stream(condition, (*values, name), after, newest_first, limit)
                for name in dict.fromkeys(kinds)
            ]
        merged = heapq.merge(*streams, key=lambda row: row[0], reverse=newest_first)
        for seq, text, digest in itertools.islice(merged, limit):
            yield parse_entry(text, digest, f"entry {seq}")

    def _stream(
        self, condition: str, values: tuple[str | int, ...], after: int, newest_first: bool, limit: int | None
    ) -> Iterator[tuple[int, str, str]]:
        """Yield (seq, text, digest) in order, in batches; `condition` ends with the range of seq."""
        low, high = after, 2**62
        size = _BATCH if limit is None else min(_BATCH, limit)
        direction = "DESC" if newest_first else "ASC"
        # The condition is one of the callers' own texts, values go in as parameters.
        query = f"SELECT seq, text, digest FROM entry WHERE {condition} ORDER BY seq {direction} LIMIT ?"  # noqa: S608
        while size > 0:
            with self.querying() as db:
                rows = db.execute(query, (*values, low, high, size)).fetchall()
            yield from rows
            if len(rows) < size:
                return
            if newest_first:
                high = rows[-1][0]
            else:
                low = rows[-1][0]

    def kinds(self) -> list[str]:
        """Kinds of entries that occur."""
        found: list[str] = []
        with self.querying() as db:
            # From kind to kind along the index; DISTINCT would walk over every entry.
            while True:
                after = found[-1] if found else ""
                (kind,) = db.execute("SELECT min(kind) FROM entry WHERE kind>?", (after,)).fetchone()
                if kind is None:
                    return found
                found.append(kind)

    def counts(self) -> dict[str, int]:
        """Number of entries of each kind; the many `readings` entries are not counted but found by subtraction."""
        kinds = self.kinds()
        with self.querying() as db:
            found = {
                kind: db.execute("SELECT count(*) FROM entry WHERE kind=?", (kind,)).fetchone()[0]
                for kind in kinds
                if kind != "readings"
            }
        if "readings" in kinds:
            found["readings"] = self.head().seq - sum(found.values())
        return dict(sorted(found.items()))

    def channels(self) -> dict[int, ChannelKey]:
        """Number -> (instrument, channel, function) of every channel in the logbook."""
        with self.querying() as db:
            rows = db.execute("SELECT id, instrument, channel, function FROM channel").fetchall()
        return {number: (instrument, channel, function) for number, instrument, channel, function in rows}

    def superseded(self) -> dict[int, int]:
        """Entry -> the entry that declared it wrong."""
        with self.querying() as db:
            return dict(db.execute("SELECT entry, superseded_by FROM superseded").fetchall())

    def results(self, *, after: int = 0) -> Iterator[tuple[Entry, Result]]:
        """Iterate over all results, superseded ones included, oldest first."""
        return (self._with_result(entry) for entry in self.entries("result", after))

    def result(self, seq: int) -> Result:
        """Return one result."""
        entry = self.entry(seq)
        if entry.kind != "result":
            raise UsageError(f"entry {seq} is a {entry.kind!r} entry, not a result")
        return self._with_result(entry)[1]

    def record_of(self, ref: EntryRef) -> Record:
        """Return the reference to its entry that a `Result` holds."""
        return Record(str(self.path), ref.seq, f"sha256:{ref.digest}")

    def _with_result(self, entry: Entry) -> tuple[Entry, Result]:
        try:
            result = Result.from_json(entry.body)
        except (msgspec.ValidationError, TypeError, AttributeError) as error:
            raise LogbookDamagedError(f"entry {entry.seq} is not a result: {error}") from error
        return entry, msgspec.structs.replace(result, record=self.record_of(entry.ref))

    def readings_of(self, seq: int) -> list[Reading]:
        """Return the readings of one `readings` entry."""
        from benchlog.logbook.reading_block import unpack

        entry = self.entry(seq)
        if entry.kind != "readings":
            raise UsageError(f"entry {seq} is a {entry.kind!r} entry, not readings")
        with self.querying() as db:
            row = db.execute("SELECT data FROM block WHERE entry=?", (seq,)).fetchone()
        if row is None or hashlib.sha256(row[0]).hexdigest() != entry.body["sha256"]:
            raise LogbookDamagedError(f"the readings of entry {seq} are missing or altered")
        return unpack(row[0], entry.body["count"], self.channels())

    def capture(self, seq: int) -> Capture:
        """Return the capture of one `capture` entry, samples included."""
        from benchlog.logbook.capture_store import decode_capture

        entry = self.entry(seq)
        if entry.kind != "capture":
            raise UsageError(f"entry {seq} is a {entry.kind!r} entry, not a capture")
        with self.querying() as db:
            parts = db.execute("SELECT part, data FROM capture_data WHERE entry=?", (seq,)).fetchall()
        return decode_capture(entry.body, dict(parts))

    def attachment(self, sha256: str) -> bytes:
        """Return an attachment's bytes by its SHA-256."""
        with self.querying() as db:
            row = db.execute("SELECT data FROM attachment WHERE sha256=?", (sha256,)).fetchone()
        if row is None:
            raise UsageError(f"there is no attachment {sha256[:16]}... in {self.path}")
        return bytes(row[0])

    @property
    def project(self) -> str:
        """Name of the project, from the first entry."""
        return str(self.entry(1).body.get("project", ""))

    def last_session(self) -> tuple[int, bool] | None:
        """Number of the newest session and whether it is still open; None before the first."""
        with self.querying():
            row = self._db.execute(
                "SELECT session FROM entry WHERE kind='session begin' ORDER BY seq DESC LIMIT 1"
            ).fetchone()
            if row is None:
                return None
            ended = self._db.execute(
                "SELECT 1 FROM entry WHERE session=? AND kind='session end' LIMIT 1", row
            ).fetchone()
            return int(row[0]), ended is None


def as_json(entry: Entry) -> dict[str, Any]:
    """Return an entry as one plain JSON object."""
    return {
        "seq": entry.seq,
        "kind": entry.kind,
        "session": entry.session,
        "time": entry.time,
        "previous": entry.previous,
        "digest": f"sha256:{entry.digest}",
        "body": entry.body,
    }
