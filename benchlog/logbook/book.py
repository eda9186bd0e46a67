"""The logbook: one file that keeps everything of one project, appended to and never changed."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

from benchlog.clock import Clock, SystemClock, rfc3339
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.files import special_file
from benchlog.logbook import database
from benchlog.logbook.attachment import MAX_ATTACHMENT_BYTES, check_size, media_type, read_file, safe_name
from benchlog.logbook.chain import EntryRef
from benchlog.logbook.entry_rules import named_entries
from benchlog.logbook.kinds import NOT_SUPERSEDED, OWN_KINDS
from benchlog.logbook.writer import LogbookWriter
from benchlog.version import __version__

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.logbook.reading_block import ChannelKey
    from benchlog.reading import Reading
    from benchlog.result import Result

FORMAT = "benchlog.logbook/1"
_KIND = r"[a-z][a-z0-9_ ]{0,39}"


class Logbook(LogbookWriter):
    """One logbook file, open.

    Use `Logbook.open`. Every method may be called from any thread; every append is on the disk when it returns.

    Attributes
    ----------
    session : int
        Number of the session that entries belong to; 0 outside any.
    """

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
            A subclass: locked, damaged or not a logbook, disk full or not writable, written by a newer benchlog.
        """
        path, clock = Path(path), clock or SystemClock()
        project = project or path.stem
        if mode not in ("rw", "ro"):
            raise UsageError(f"a logbook opens in mode 'rw' or 'ro', not {mode!r}")
        create = create and mode == "rw"
        if not path.exists() and not special_file(path):
            if not create:
                raise UsageError(
                    f"there is no logbook {path}",
                    hint="the first result you save makes one; name another with --logbook",
                )
            cls._make(path, clock, project)
        db = database.connect(path, mode, busy_timeout_s=busy_timeout_s)
        book = cls(path, db, clock, mode)
        book.busy_timeout_s = busy_timeout_s
        try:
            version = database.stored_version(path, db)
            if version == 0:
                if not create:
                    raise LogbookDamagedError(
                        f"{path} is empty: no logbook was written yet", hint="record something first"
                    )
                book._create(project, path)
            elif version < database.SCHEMA_VERSION and mode == "rw":
                book._migrate()
            with database.mapped_errors(path):
                book._read_tail()
        except BaseException:
            db.close()
            raise
        return book

    @classmethod
    def _make(cls, path: Path, clock: Clock, project: str) -> None:
        """Make a new logbook, complete or not at all; if another program made one meanwhile, that one is kept."""
        with (
            suppress(FileExistsError),
            database.new_file(path) as half,
            cls(half, database.connect(half, "rw"), clock, "rw") as book,
        ):
            book._create(project, path)

    def _create(self, project: str, path: Path) -> None:
        with self.transaction():
            # Another program may have made it while we waited for the lock.
            if database.stored_version(self.path, self._db):
                return
            database.create_schema(self._db)
            now = self.clock.utc_ns()
            identity = hashlib.sha256(
                f"{project}\n{now}\n{path.absolute()}".encode("utf-8", "replace")
            ).hexdigest()[:16]
            body = {
                "format": FORMAT,
                "schema_version": database.SCHEMA_VERSION,
                "project": project,
                "logbook_id": identity,
                "benchlog": __version__,
            }
            self._append("logbook", body)

    def _migrate(self) -> None:
        with self.transaction():
            version = database.stored_version(self.path, self._db)
            if version < database.SCHEMA_VERSION:  # else another program was first
                copy = database.migrate(self.path, self._db, version)
                body = {"schema_version": database.SCHEMA_VERSION, "from": version, "kept_copy": copy}
                self._append("migration", {**body, "benchlog": __version__})

    # -- writing ----------------------------------------------------------------------------------------------

    def append(self, kind: str, body: Mapping[str, Any]) -> EntryRef:
        """Append an entry of a kind that has no method of its own: note, release, concession, recall...

        Parameters
        ----------
        kind : str
            Lower-case words.
        body : mapping
            Values that JSON can hold; NaN and infinity become null.

        Raises
        ------
        UsageError
            If the kind or the body can't be stored, or the body names an entry that does not exist.
        """
        if not re.fullmatch(_KIND, kind):
            raise UsageError(f"{kind!r} can't be a kind of entry", hint="use lower-case words")
        if kind in OWN_KINDS:
            raise UsageError(f"entries of kind {kind!r} are written by their own method")
        with self.transaction():
            ref = self._append(kind, body)
            for number in named_entries(kind, body):
                if not 0 < number < ref.seq:
                    raise UsageError(f"a {kind} entry names entry {number}, which does not exist")
                if kind == "recall undone" and self.entry(number).kind != "recall":
                    raise UsageError(f"entry {number} is not a recall")
            return ref

    def append_result(self, result: Result) -> EntryRef:
        """Append what a check concluded; its time is now unless it has one."""
        with self.transaction():
            body = result.to_json()
            body.pop("record", None)
            body["time"] = result.time or rfc3339(self.clock.utc_ns())
            return self._append("result", body)

    def append_readings(
        self, readings: Sequence[Reading], *, uses: Sequence[str] = (), stream: str = "", position: int = 0
    ) -> EntryRef:
        """Append readings as one sealed block; all are on the disk when this returns.

        Parameters
        ----------
        readings : sequence of Reading
            At least one.
        uses : sequence of str, optional
            What each is to its check: ``"lead null"``, ``"loaded"``...
        stream : str, optional
            Name of the run these readings belong to. With it, readings that were not acknowledged can safely be sent again:
            those already stored are left out.
        position : int
            Place of the first reading in its stream, from 0.

        Raises
        ------
        UsageError
            If there are none, one can't be stored, or earlier readings of the stream are missing.
        """
        if not readings:
            raise UsageError("there are no readings to append")
        from benchlog.logbook.reading_block import pack
        from benchlog.logbook.rollup import add_to_rollup

        with self.transaction():
            about: dict[str, Any] = {"uses": list(uses)} if any(uses) else {}
            if stream:
                row = self._db.execute("SELECT next, entry FROM stream WHERE name=?", (stream,)).fetchone()
                kept, last = row or (0, 0)
                if position > kept:
                    raise UsageError(f"readings {kept} to {position - 1} of stream {stream!r} are missing")
                if position + len(readings) <= kept:
                    return self.entry(last).ref
                readings, position = readings[kept - position :], kept
                about |= {"stream": stream, "position": position}
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
                **about,
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
            add_to_rollup(self._db, block.data, block.count)
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
            If its samples can't be stored.
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
        """Declare an entry wrong: it is kept and marked, with the reason.

        Parameters
        ----------
        seq : int
            Entry that is withdrawn.
        replacement : int, optional
            Entry that replaces it.

        Raises
        ------
        UsageError
            If there is no such entry, it can't be superseded or already is, or the reason is empty.
        """
        if not reason.strip():
            raise UsageError("superseding an entry needs a reason", hint="say in a few words what was wrong")
        with self.transaction():
            kind = self.entry(seq).kind
            if kind in NOT_SUPERSEDED:
                raise UsageError(f"entry {seq} is a {kind!r} entry and can't be withdrawn")
            row = self._db.execute("SELECT superseded_by FROM superseded WHERE entry=?", (seq,)).fetchone()
            if row:
                raise UsageError(f"entry {seq} is already withdrawn in entry {row[0]}")
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
        """End the session; note what is done, open, charged or loose, and the next action.

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
