"""The logbook: one file that keeps everything of one project, appended to and never changed."""

from __future__ import annotations

import hashlib
import json
import re
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, Self

from benchlog import __version__
from benchlog.clock import Clock, SystemClock, parse_rfc3339, rfc3339
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import database
from benchlog.logbook.attachment import MAX_ATTACHMENT_BYTES, check_size, media_type, read_file, safe_name
from benchlog.logbook.chain import ZERO_DIGEST, Entry, EntryRef, compose, parse_entry
from benchlog.logbook.derived import insert_derived
from benchlog.result import Record, Result

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.logbook.reading_block import ChannelKey
    from benchlog.logbook.view import LogbookView
    from benchlog.reading import Reading

__all__ = ["FORMAT", "Logbook"]

FORMAT = "benchlog.logbook/1"
# What these entries say is also kept in tables, so only the methods here may write them.
_OWN_KINDS = frozenset(
    {
        "logbook",
        "migration",
        "clock",
        "channel",
        "readings",
        "capture",
        "attachment",
        "result",
        "supersede",
        "session begin",
        "session resume",
        "session end",
    }
)
_NOT_SUPERSEDED = _OWN_KINDS - {"readings", "capture", "attachment", "result"}
_KIND = re.compile(r"[a-z][a-z0-9_ ]{0,39}")
_CLOCK_STEP_NS = 10_000_000  # time services slew by less
_BATCH = 500


class Logbook:
    """One logbook file, open.

    Use `Logbook.open`. Every method may be called from any thread; every append is on the disk when it returns.

    Attributes
    ----------
    path : Path
    session : int
        Number of the session that entries belong to; 0 outside any.
    """

    def __init__(self, path: Path, db: sqlite3.Connection, clock: Clock, mode: str) -> None:
        self.path = path
        self.clock = clock
        self.mode = mode
        self.session = 0
        self._db = db
        self._lock = threading.RLock()
        self._depth = 0
        self._tail = EntryRef(0, ZERO_DIGEST)
        self._tail_time = ""
        self._channels: dict[ChannelKey, int] | None = None

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        clock: Clock | None = None,
        mode: Literal["rw", "ro"] | str = "rw",
        create: bool = True,
        project: str = "",
        busy_timeout_s: float = database.BUSY_TIMEOUT_S,
    ) -> Self:
        """Open a logbook, making it if there is none.

        Parameters
        ----------
        path : path
        clock : Clock, optional
            The computer's own by default.
        mode : {"rw", "ro"}
            ``"ro"`` never writes and never creates.
        create : bool
            Whether ``"rw"`` may make a new file.
        project : str
            Name of the project, kept in the first entry of a new logbook; the file's name by default.
        busy_timeout_s : float
            How long to wait for another program's writing.

        Raises
        ------
        LogbookError
            One of its kinds: locked, damaged or no logbook, full or not writable, written by a newer benchlog.
        """
        path = Path(path)
        if mode not in ("rw", "ro"):
            raise UsageError(f"a logbook opens in mode 'rw' or 'ro', not {mode!r}")
        if not path.exists() and (mode == "ro" or not create):
            raise UsageError(f"there is no logbook {path}", hint="name another with --logbook")
        db = database.connect(path, mode, busy_timeout_s=busy_timeout_s)
        book = cls(path, db, clock or SystemClock(), mode)
        try:
            version = database.stored_version(path, db)
            if version == 0:
                if mode == "ro" or not create:
                    raise LogbookDamagedError(
                        f"{path} is empty, no logbook yet", hint="record something first"
                    )
                book._create(project or path.stem)
            with database.mapped_errors(path):
                book._read_tail()
        except BaseException:
            db.close()
            raise
        return book

    def _create(self, project: str) -> None:
        with self.transaction():
            # Another program may have made it while we waited for the lock.
            if database.stored_version(self.path, self._db):
                return
            database.create_schema(self._db)
            now = self.clock.utc_ns()
            identity = hashlib.sha256(f"{project}\n{now}\n{id(self)}".encode()).hexdigest()[:16]
            body = {
                "format": FORMAT,
                "schema_version": database.SCHEMA_VERSION,
                "project": project,
                "logbook_id": identity,
                "benchlog": __version__,
            }
            self._append("logbook", body)

    # -- closing ----------------------------------------------------------------------------------------------

    def close(self) -> None:
        """Gather all writes into the one file and close it; safe to repeat."""
        with self._lock:
            try:
                if self.mode == "rw":
                    # A reader elsewhere may hold this up; then the next close does it.
                    self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except sqlite3.Error:
                pass
            finally:
                self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.close()

    # -- writing ----------------------------------------------------------------------------------------------

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Group several appends: all of them are kept, or none. May be nested.

        Raises
        ------
        LogbookLockedError
            If another program keeps writing for longer than the busy time-out.
        LogbookFullError
            If the disk is full; nothing of this transaction is kept, everything before is.
        """
        with self._lock, database.mapped_errors(self.path):
            if self._depth:
                yield
                return
            if self.mode != "rw":
                raise UsageError(f"logbook {self.path} is open for reading only")
            self._db.execute("BEGIN IMMEDIATE")
            before = self._tail
            self._depth = 1
            try:
                if self._db.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone():
                    self._read_tail()
                    if self._tail != before:
                        self._channels = None  # another program wrote meanwhile
                yield
                self._db.execute("COMMIT")
            except BaseException:
                self._tail, self._tail_time, self._channels = before, "", None
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise
            finally:
                self._depth = 0

    def _read_tail(self) -> None:
        row = self._db.execute(
            "SELECT seq, digest, time, text FROM entry ORDER BY seq DESC LIMIT 1"
        ).fetchone()
        if row is None:
            raise LogbookDamagedError(
                f"logbook {self.path} has no first entry", hint="restore it from a copy"
            )
        seq, digest, time, text = row
        if self.mode == "rw":
            parse_entry(text, digest, f"logbook {self.path}: the last entry, {seq},")
        self._tail, self._tail_time = EntryRef(seq, digest), time

    def _append(self, kind: str, body: Mapping[str, Any]) -> EntryRef:
        """Append inside the open transaction."""
        now = self.clock.utc_ns()
        time = rfc3339(now)
        if time < self._tail_time and (step := parse_rfc3339(self._tail_time) - now) > _CLOCK_STEP_NS:
            self._write("clock", time, {"set_back_s": step / 1e9, "before": self._tail_time})
        return self._write(kind, time, body)

    def _write(self, kind: str, time: str, body: Mapping[str, Any]) -> EntryRef:
        seq = self._tail.seq + 1
        text, digest = compose(seq, kind, self.session, time, self._tail.digest, body)
        self._db.execute(
            "INSERT INTO entry VALUES (?,?,?,?,?,?)", (seq, kind, self.session, time, text, digest)
        )
        if kind in ("channel", "result", "supersede"):
            insert_derived(self._db, parse_entry(text, digest))
        self._tail, self._tail_time = EntryRef(seq, digest), time
        return self._tail

    def append(self, kind: str, body: Mapping[str, Any]) -> EntryRef:
        """Append an entry of a kind that has no method of its own: note, release, concession, recall...

        Parameters
        ----------
        kind : str
            Lower-case words.
        body : mapping
            What JSON can hold; NaN and infinity become null.

        Raises
        ------
        UsageError
            If the kind or the body can't be kept.
        """
        if not _KIND.fullmatch(kind):
            raise UsageError(f"{kind!r} can't be a kind of entry", hint="use lower-case words")
        if kind in _OWN_KINDS:
            raise UsageError(f"entries of kind {kind!r} are written by their own method")
        with self.transaction():
            return self._append(kind, body)

    def append_result(self, result: Result) -> EntryRef:
        """Append what a check concluded; its time is now unless it has one."""
        with self.transaction():
            body = result.to_json()
            body.pop("record", None)
            body["time"] = result.time or rfc3339(self.clock.utc_ns())
            return self._append("result", body)

    def record_of(self, ref: EntryRef) -> Record:
        """Return what a `Result` says about where it was written down."""
        return Record(str(self.path), ref.seq, f"sha256:{ref.digest}")

    def append_readings(self, readings: Sequence[Reading]) -> EntryRef:
        """Append readings as one sealed block; all are on the disk when this returns.

        Raises
        ------
        UsageError
            If there are none, or one can't be kept.
        """
        if not readings:
            raise UsageError("there are no readings to append")
        from benchlog.logbook.reading_block import pack, records
        from benchlog.logbook.rollup import add_to_rollup

        with self.transaction():
            block = pack(readings, self._channel_ids(readings))
            row = self._db.execute(
                "SELECT first_reading + count FROM block ORDER BY entry DESC LIMIT 1"
            ).fetchone()
            first = row[0] if row else 0
            body = {
                "first_reading": first,
                "count": block.count,
                "first_time": rfc3339(block.first_utc_ns),
                "last_time": rfc3339(block.last_utc_ns),
                "sha256": hashlib.sha256(block.data).hexdigest(),
            }
            ref = self._append("readings", body)
            self._db.execute(
                "INSERT INTO block VALUES (?,?,?,?,?,?,?)",
                (
                    ref.seq,
                    self.session,
                    first,
                    block.count,
                    block.first_utc_ns,
                    block.last_utc_ns,
                    block.data,
                ),
            )
            add_to_rollup(self._db, records(block.data, block.count))
            return ref

    def _channel_ids(self, readings: Sequence[Reading]) -> dict[ChannelKey, int]:
        if self._channels is None:
            self._channels = {key: number for number, key in self.channels().items()}
        known = self._channels
        for instrument, channel, function in sorted(
            {(r.instrument, r.channel, r.function) for r in readings}
        ):
            key = (instrument, channel, str(function))
            if key not in known:
                body = {
                    "id": len(known) + 1,
                    "instrument": instrument,
                    "channel": channel,
                    "function": str(function),
                    "unit": function.unit,
                }
                self._append("channel", body)
                known[key] = len(known) + 1
        return known

    def append_capture(self, capture: Capture, *, about: str = "") -> EntryRef:
        """Append a capture with all its samples.

        Raises
        ------
        UsageError
            If its samples can't be kept.
        """
        from benchlog.logbook.capture_store import encode_capture

        body, parts = encode_capture(capture, about)
        with self.transaction():
            ref = self._append("capture", body)
            self._db.executemany(
                "INSERT INTO capture_data VALUES (?,?,?)",
                [(ref.seq, n, data) for n, data in enumerate(parts)],
            )
            return ref

    def attach(
        self,
        source: Path | str | bytes,
        name: str = "",
        about: str = "",
        *,
        limit_bytes: int = MAX_ATTACHMENT_BYTES,
    ) -> EntryRef:
        """Keep a file's bytes under their SHA-256.

        Parameters
        ----------
        source : path or bytes
            What to keep.
        name : str
            Name to show; the file's own by default. Folders in it are dropped.
        about : str
            What it shows, or the tag of the part.

        Raises
        ------
        UsageError
            If it can't be read or is over the limit.
        """
        if isinstance(source, bytes):
            check_size(len(source), name or "the attachment", limit_bytes)
            data = source
        else:
            data = read_file(Path(source), limit_bytes)
            name = name or Path(source).name
        sha256 = hashlib.sha256(data).hexdigest()
        body = {
            "name": safe_name(name),
            "about": about,
            "size": len(data),
            "media_type": media_type(data),
            "sha256": sha256,
        }
        with self.transaction():
            ref = self._append("attachment", body)
            self._db.execute("INSERT OR IGNORE INTO attachment VALUES (?,?,?)", (sha256, len(data), data))
            return ref

    def supersede(self, seq: int, reason: str, *, replacement: int | None = None) -> EntryRef:
        """Declare an entry wrong: it stays, marked, with the reason.

        Parameters
        ----------
        seq : int
            Entry that no longer counts.
        reason : str
            Why, in words.
        replacement : int, optional
            Entry that stands in its place.

        Raises
        ------
        UsageError
            If there is no such entry, it can't be superseded or already is, or the reason is empty.
        """
        if not reason.strip():
            raise UsageError("superseding an entry needs a reason", hint="say in a few words what was wrong")
        with self.transaction():
            kind = self.entry(seq).kind
            if kind in _NOT_SUPERSEDED:
                raise UsageError(f"entry {seq} is a {kind!r} entry and can't be superseded")
            row = self._db.execute("SELECT superseded_by FROM superseded WHERE entry=?", (seq,)).fetchone()
            if row:
                raise UsageError(f"entry {seq} is already superseded by entry {row[0]}")
            body: dict[str, Any] = {"entry": seq, "reason": reason}
            if replacement is not None:
                body["replacement"] = self.entry(replacement).seq
            return self._append("supersede", body)

    def begin_session(self, about: Mapping[str, Any] | None = None, *, resume: bool = False) -> int:
        """Begin a sitting at the bench; entries from now on belong to it.

        Parameters
        ----------
        about : mapping, optional
            Who, conditions, plan...
        resume : bool
            Go on with the last session if it was never ended (power cut, killed program).

        Returns
        -------
        int
            The session's number.
        """
        with self.transaction():
            last = self.last_session()
            if resume and last is not None and last[1]:
                self.session = last[0]
                self._append("session resume", {"about": dict(about or {})})
            else:
                self.session = (last[0] if last else 0) + 1
                self._append("session begin", {"benchlog": __version__, "about": dict(about or {})})
            return self.session

    def end_session(self, summary: Mapping[str, Any] | str = "") -> EntryRef:
        """End the session; say what is done, open, charged or loose, and the next action.

        Raises
        ------
        UsageError
            If no session was begun.
        """
        if not self.session:
            raise UsageError("no session was begun")
        body = {"summary": summary} if isinstance(summary, str) else dict(summary)
        with self.transaction():
            ref = self._append("session end", body)
        self.session = 0
        return ref

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

    # -- reading ----------------------------------------------------------------------------------------------

    @contextmanager
    def querying(self) -> Iterator[sqlite3.Connection]:
        """The connection, for queries of the logbook's own modules; nobody else writes meanwhile."""
        with self._lock, database.mapped_errors(self.path):
            yield self._db

    def head(self) -> EntryRef:
        """Newest entry: its digest vouches for all before it."""
        with self.querying() as db:
            return EntryRef(*db.execute("SELECT seq, digest FROM entry ORDER BY seq DESC LIMIT 1").fetchone())

    def entry(self, seq: int) -> Entry:
        """Return one entry.

        Raises
        ------
        UsageError
            If there is none of that number.
        """
        with self.querying() as db:
            row = db.execute("SELECT text, digest FROM entry WHERE seq=?", (seq,)).fetchone()
            if row is None:
                raise UsageError(f"there is no entry {seq} in {self.path}", hint="see `benchlog record list`")
            return parse_entry(*row, f"entry {seq}")

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
        newest_first : bool
        limit : int, optional
            At most so many.
        """
        conditions: list[str] = []
        values: list[str | int] = []
        if kind is not None:
            kinds = [kind] if isinstance(kind, str) else list(kind)
            conditions.append(f"kind IN ({','.join('?' * len(kinds))})")
            values += kinds
        if session is not None:
            conditions.append("session=?")
            values.append(session)
        where = " AND ".join(["seq>?", "seq<?", *conditions])
        direction = "DESC" if newest_first else "ASC"
        low, high = after, 2**62
        left = limit if limit is not None else 2**62
        while left > 0:
            with self.querying() as db:
                rows = db.execute(
                    f"SELECT seq, text, digest FROM entry WHERE {where} ORDER BY seq {direction} LIMIT ?",  # noqa: S608
                    (low, high, *values, min(_BATCH, left)),
                ).fetchall()
            for seq, text, digest in rows:
                yield parse_entry(text, digest, f"entry {seq}")
            if len(rows) < _BATCH:
                return
            left -= len(rows)
            if newest_first:
                high = rows[-1][0]
            else:
                low = rows[-1][0]

    def channels(self) -> dict[int, ChannelKey]:
        """Number -> (instrument, channel, function) of everything that was ever read."""
        with self.querying() as db:
            rows = db.execute("SELECT id, instrument, channel, function FROM channel").fetchall()
        return {number: (instrument, channel, function) for number, instrument, channel, function in rows}

    def superseded(self) -> dict[int, int]:
        """Entry -> the entry that declared it wrong."""
        with self.querying() as db:
            return dict(db.execute("SELECT entry, superseded_by FROM superseded").fetchall())

    def latest_results(self) -> list[tuple[Entry, Result]]:
        """Newest result of each check on each part that was not superseded, oldest first."""
        with self.querying() as db:
            rows: list[tuple[str, str, str]] = db.execute(
                "SELECT text, digest, 'entry ' || seq FROM entry WHERE seq IN (SELECT max(entry) FROM result"
                ' WHERE entry NOT IN (SELECT entry FROM superseded) GROUP BY part, "check") ORDER BY seq'
            ).fetchall()
        return [self._with_result(parse_entry(text, digest, where)) for text, digest, where in rows]

    def results(self, *, after: int = 0) -> Iterator[tuple[Entry, Result]]:
        """Iterate over all results, superseded ones included, oldest first."""
        return (self._with_result(entry) for entry in self.entries("result", after))

    def result(self, seq: int) -> Result:
        """Return one result."""
        entry = self.entry(seq)
        if entry.kind != "result":
            raise UsageError(f"entry {seq} is a {entry.kind!r} entry, not a result")
        return self._with_result(entry)[1]

    def _with_result(self, entry: Entry) -> tuple[Entry, Result]:
        import msgspec

        try:
            result = Result.from_json(entry.body)
        except (msgspec.ValidationError, TypeError, AttributeError) as error:
            raise LogbookDamagedError(f"entry {entry.seq} is no result: {error}") from error
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

    def view(self) -> LogbookView:
        """Tables of what is in here, for analysis."""
        from benchlog.logbook.view import LogbookView

        return LogbookView(self)


def as_json(entry: Entry) -> dict[str, Any]:
    """Return an entry as one plain JSON object."""
    plain: dict[str, Any] = json.loads(json.dumps(entry.body))
    return {
        "seq": entry.seq,
        "kind": entry.kind,
        "session": entry.session,
        "time": entry.time,
        "previous": entry.previous,
        "digest": f"sha256:{entry.digest}",
        "body": plain,
    }
