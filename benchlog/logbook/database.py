"""The SQLite file of a logbook: opening it, its schema and versions, and its errors.

Only `entry`, `block`, `capture_data` and `attachment` hold original data. Every other table is computed from them, so
that opening and summaries are as fast for a huge logbook as for a small one.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from benchlog.errors import (
    LogbookDamagedError,
    LogbookError,
    LogbookFullError,
    LogbookLockedError,
    LogbookVersionError,
)
from benchlog.files import special_file, sync_folder

SCHEMA_VERSION = 2
APPLICATION_ID = 0x424C4F47  # "BLOG" in ASCII: bench log
BUSY_TIMEOUT_S = 30.0

#: Name -> statement, word for word as SQLite keeps it.
SCHEMA = {
    "entry": (
        "CREATE TABLE entry (seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, session INTEGER NOT NULL,"
        " time TEXT NOT NULL, text TEXT NOT NULL, digest TEXT NOT NULL) STRICT"
    ),
    "entry_kind": "CREATE INDEX entry_kind ON entry (kind, seq)",
    "entry_session": "CREATE INDEX entry_session ON entry (session, kind, seq)",
    "block": (
        "CREATE TABLE block (entry INTEGER PRIMARY KEY, session INTEGER NOT NULL, first_reading INTEGER NOT NULL,"
        " count INTEGER NOT NULL, first_utc_ns INTEGER NOT NULL, last_utc_ns INTEGER NOT NULL,"
        " data BLOB NOT NULL) STRICT"
    ),
    "block_time": "CREATE INDEX block_time ON block (last_utc_ns)",
    "block_session": "CREATE INDEX block_session ON block (session)",
    "capture_data": (
        "CREATE TABLE capture_data (entry INTEGER NOT NULL, part INTEGER NOT NULL, data BLOB NOT NULL,"
        " PRIMARY KEY (entry, part)) STRICT"
    ),
    "attachment": (
        "CREATE TABLE attachment (sha256 TEXT PRIMARY KEY, size INTEGER NOT NULL, data BLOB NOT NULL) STRICT"
    ),
    "channel": (
        "CREATE TABLE channel (id INTEGER PRIMARY KEY, entry INTEGER NOT NULL, instrument TEXT NOT NULL,"
        " channel TEXT NOT NULL, function TEXT NOT NULL, unit TEXT NOT NULL) STRICT"
    ),
    "result": (
        'CREATE TABLE result (entry INTEGER PRIMARY KEY, part TEXT NOT NULL, "check" TEXT NOT NULL,'
        " verdict TEXT NOT NULL) STRICT"
    ),
    "result_check": 'CREATE INDEX result_check ON result (part, "check", entry)',
    "stream": (
        "CREATE TABLE stream (name TEXT PRIMARY KEY, next INTEGER NOT NULL, entry INTEGER NOT NULL) STRICT"
    ),
    "superseded": "CREATE TABLE superseded (entry INTEGER PRIMARY KEY, superseded_by INTEGER NOT NULL) STRICT",
    "rollup": (
        "CREATE TABLE rollup (channel INTEGER NOT NULL, bucket INTEGER NOT NULL, ok INTEGER NOT NULL,"
        " not_ok INTEGER NOT NULL, total REAL, total_squares REAL, minimum REAL, maximum REAL, first REAL, last REAL,"
        " PRIMARY KEY (channel, bucket)) STRICT, WITHOUT ROWID"
    ),
}

#: Schema version that added it, if not the first.
_SINCE = {"stream": 2}

_LOCKED = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_DAMAGED = {sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_SCHEMA, sqlite3.SQLITE_MISMATCH}
_FULL = {sqlite3.SQLITE_FULL}
_NO_WRITE = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM}
_READ_FAILED = {sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_CORRUPTFS}


@contextmanager
def mapped_errors(path: Path) -> Iterator[None]:
    """Turn every error of SQLite into one of the `LogbookError` tree."""
    try:
        yield
    except sqlite3.Error as error:
        raise _mapped(path, error) from error


def _mapped(path: Path, error: sqlite3.Error) -> LogbookError:
    extended = getattr(error, "sqlite_errorcode", None)
    code = None if extended is None else extended & 0xFF
    if code in _LOCKED:
        return LogbookLockedError(
            f"logbook {path}: another program is writing to it",
            hint="close the other program, or wait until it has finished, then try again",
        )
    if code in _FULL:
        return LogbookFullError(
            f"logbook {path}: the disk is full; nothing written before is lost",
            hint="make room on the disk, then go on",
        )
    if code in _NO_WRITE:
        return LogbookFullError(
            f"logbook {path} can't be opened for writing: {error}",
            hint="check that file and folder exist and may be written, or copy the logbook elsewhere",
        )
    # No error code: the file holds text that is not UTF-8.
    if code is None or code in _DAMAGED or extended in _READ_FAILED:
        return LogbookDamagedError(
            f"logbook {path} is damaged or not a logbook: {error}",
            hint="`benchlog record verify` lists what is intact; keep the file, go on from a copy",
        )
    if code == sqlite3.SQLITE_IOERR:
        return LogbookFullError(
            f"logbook {path}: writing failed: {error}; nothing written before is lost",
            hint="check the disk: full, unplugged or failing",
        )
    return LogbookError(f"logbook {path}: {error}", hint="see `benchlog record verify`")


def connect(path: Path, mode: str, *, busy_timeout_s: float = BUSY_TIMEOUT_S) -> sqlite3.Connection:
    """Open the file, safe against power loss in mode ``"rw"``; in mode ``"ro"`` the file stays as it is, byte for byte.

    Raises
    ------
    LogbookError
        A subclass, if the file can't be used.
    """
    waiting = _refuse_foreign(path)
    if mode == "rw":
        return _connect_as(path, "mode=rwc", busy_timeout_s)
    if waiting:
        try:
            return _connect_as(path, "mode=ro", busy_timeout_s)
        except LogbookFullError:
            raise LogbookFullError(
                f"logbook {path} has writes waiting in {path.name}-wal, and its folder can't be written",
                hint=f"copy {path.name} and {path.name}-wal together into a folder you can write to, and open it there",
            ) from None
    try:
        # No writes are waiting, so SQLite changes nothing in the file, and it deletes its own temporary files at the end;
        # with mode=ro they would be left behind.
        return _connect_as(path, "mode=rw", busy_timeout_s, query_only=True)
    except LogbookFullError:
        return _connect_as(path, "mode=ro&immutable=1", busy_timeout_s)


def _connect_as(
    path: Path, access: str, busy_timeout_s: float, *, query_only: bool = False
) -> sqlite3.Connection:
    uri = f"file:{quote(path.absolute().as_posix())}?{access}"
    with mapped_errors(path):
        db = sqlite3.connect(
            uri, uri=True, timeout=busy_timeout_s, isolation_level=None, check_same_thread=False
        )
        try:
            db.execute("PRAGMA trusted_schema=OFF")
            db.execute("PRAGMA cell_size_check=ON")
            if query_only:
                db.execute("PRAGMA query_only=ON")
            if access == "mode=rwc":
                journal = db.execute("PRAGMA journal_mode=WAL").fetchone()[0]
                if journal != "wal":
                    raise LogbookFullError(
                        f"logbook {path}: this folder can't hold a write-ahead log (journal mode {journal})",
                        hint="keep the logbook on a local disk",
                    )
                db.execute("PRAGMA synchronous=FULL")
                # On macOS a plain fsync leaves data in the drive's cache; elsewhere these two change nothing.
                db.execute("PRAGMA fullfsync=ON")
                db.execute("PRAGMA checkpoint_fullfsync=ON")
            else:
                db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except BaseException:
            db.close()
            raise
        return db


def _refuse_foreign(path: Path) -> bool:
    """Refuse files that SQLite must not open; returns whether the write-ahead log holds writes.

    benchlog never leaves a rollback journal beside a logbook. SQLite would replay a foreign one: it would change the
    logbook and delete any file that the journal names.
    """
    if _on_network(path.absolute().drive):
        raise LogbookFullError(
            f"logbook {path} is on a network share, where several programs can't write it safely",
            hint="keep the logbook on a local disk; `benchlog record copy` puts a copy on the share",
        )
    journal, wal, shared = beside(path)
    for file in (path, journal, wal, shared):
        if what := special_file(file):
            raise LogbookFullError(f"{file} is {what}, not a file", hint="name a file, e.g. bench.logbook")
    if size_of(journal):
        raise LogbookDamagedError(
            f"{journal.name} beside the logbook is not benchlog's: it could change the logbook and delete other files",
            hint=f"move {journal.name} away; then run `benchlog record verify`",
        )
    try:
        with path.open("rb") as found:
            start = found.read(16)
    except FileNotFoundError:
        if size_of(wal):
            raise LogbookDamagedError(
                f"{wal.name} is there without {path.name}",
                hint="put both files into one folder again, or move this one away",
            ) from None
        return False
    except OSError as error:
        raise LogbookFullError(
            f"logbook {path} can't be read: {error.strerror}", hint="check the path and its permissions"
        ) from error
    if start and start != b"SQLite format 3\x00":
        raise LogbookDamagedError(
            f"{path} is not a logbook, which is an SQLite file",
            hint="name another file with --logbook; if it once was the logbook, restore it from a copy",
        )
    return size_of(wal) > 0


def size_of(path: Path) -> int:
    """Size of a file, 0 where there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _on_network(drive: str) -> bool:
    """Whether a drive, as Windows names it, is a network share.

    >>> _on_network("//server/share"), _on_network("C:"), _on_network("")
    (True, False, False)
    """
    return drive.startswith(("\\\\", "//"))


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Make a database under a temporary name; it gets its own name once it is complete on the disk.

    Yields
    ------
    Path
        Name to make it under, in the same folder; it must be closed at the end.

    Raises
    ------
    FileExistsError
        If a file of that name exists by then; it is kept.
    LogbookFullError
        If there is no such folder.
    """
    if not path.parent.is_dir():
        raise LogbookFullError(
            f"logbook {path} can't be opened: there is no folder {path.parent}",
            hint="make the folder, or check the path",
        )
    _refuse_foreign(path)
    half = path.with_name(f".{path.name[:150]}.{os.urandom(4).hex()}.part")
    try:
        yield half
        try:
            os.link(half, path)
        except FileExistsError:
            raise
        except OSError:  # a disk without hard links
            if path.exists():
                raise FileExistsError(str(path)) from None
            half.rename(path)
        sync_folder(path.parent)
    except LogbookError as error:
        error.message = error.message.replace(str(half), str(path))
        raise
    finally:
        for leftover in (half, *beside(half)):
            leftover.unlink(missing_ok=True)


def beside(path: Path) -> list[Path]:
    """Files that SQLite may keep beside a database: rollback journal, write-ahead log, its index."""
    return [path.with_name(path.name + ending) for ending in ("-journal", "-wal", "-shm")]


def create_schema(db: sqlite3.Connection) -> None:
    """Make all tables; to be called inside a transaction."""
    for statement in SCHEMA.values():
        db.execute(statement)
    db.execute(f"PRAGMA application_id={APPLICATION_ID}")
    db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")


def stored_version(path: Path, db: sqlite3.Connection) -> int:
    """Return the file's schema version, 0 for an empty file.

    Raises
    ------
    LogbookDamagedError
        If it is another program's database, or holds triggers or views.
    LogbookVersionError
        If a newer benchlog wrote it.
    """
    with mapped_errors(path):
        tables = db.execute("SELECT type, name FROM sqlite_master").fetchall()
        if not tables:
            return 0
        (application,) = db.execute("PRAGMA application_id").fetchone()
        (version,) = db.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION_ID:
        raise LogbookDamagedError(
            f"{path} is a database of another program, not a logbook", hint="name another file with --logbook"
        )
    strangers = [name for kind, name in tables if kind not in ("table", "index")]
    if strangers:
        raise LogbookDamagedError(
            f"logbook {path} holds {strangers[0]!r}, a trigger or view that benchlog never makes",
            hint="don't use this file; `benchlog record verify` lists the differences",
        )
    if version > SCHEMA_VERSION:
        raise LogbookVersionError(
            f"logbook {path} has schema version {version}; this benchlog knows up to {SCHEMA_VERSION}",
            hint="update benchlog, or open the logbook where it was written",
        )
    if version < 1:
        raise LogbookDamagedError(f"logbook {path} has the impossible schema version {version}")
    return int(version)


def schema_of(version: int) -> dict[str, str]:
    """Return name -> statement of a schema version."""
    return {name: sql for name, sql in SCHEMA.items() if _SINCE.get(name, 1) <= version}


def migrate(path: Path, db: sqlite3.Connection, version: int) -> str:
    """Bring an older file to this schema version, inside the caller's transaction; entries stay as they are.

    Returns
    -------
    str
        Name of the copy of the old file, kept beside it.
    """
    number, copy = 0, path.with_name(f"{path.stem}.schema{version}{path.suffix}")
    while copy.exists():
        number += 1
        copy = path.with_name(f"{path.stem}.schema{version}-{number}{path.suffix}")
    # A second connection sees the state before the transaction.
    with closing(connect(path, "ro")) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    for name, statement in SCHEMA.items():
        if _SINCE.get(name, 1) > version:
            db.execute(statement)
    db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
    return copy.name


def schema_faults(db: sqlite3.Connection, version: int) -> list[str]:
    """List differences between the file's schema and that of its version, SQLite's own indexes included."""
    query = "SELECT name, type, tbl_name, sql FROM sqlite_master"
    with closing(sqlite3.connect(":memory:")) as fresh:
        for statement in schema_of(version).values():
            fresh.execute(statement)
        wanted = {row[0]: row[1:] for row in fresh.execute(query)}
    rows = db.execute(query).fetchall()
    found = {row[0]: row[1:] for row in rows}
    faults = [f"{name}: not in the file" for name in wanted if name not in found]
    faults += [f"{name}: not made by benchlog" for name in found if name not in wanted]
    faults += [
        f"{name}: defined differently" for name, made in found.items() if wanted.get(name, made) != made
    ]
    faults += [f"{name}: defined more than once" for name in found if [r[0] for r in rows].count(name) > 1]
    return faults
