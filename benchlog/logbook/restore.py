"""Restore a logbook from its JSON lines, with the same digests."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from itertools import groupby
from pathlib import Path
from typing import Any

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import database
from benchlog.logbook.chain import Entry, parse_entry
from benchlog.logbook.derived import insert_derived
from benchlog.logbook.reading_block import ChannelKey, pack
from benchlog.logbook.rollup import add_to_rollup
from benchlog.logbook.verify import Verification, verify
from benchlog.reading import Flag, Function, Origin, Reading, State


def restore(folder: Path, path: Path) -> Verification:
    """Restore the logbook `path` from what `export.export_jsonl` wrote into `folder`.

    Returns
    -------
    Verification
        Of the new logbook; its head is that of the old one.

    Raises
    ------
    UsageError
        If `path` exists, or the folder holds no such export.
    LogbookDamagedError
        If the export was altered or is incomplete; then no file is left at `path`.
    """
    if path.exists():
        raise UsageError(f"{path} exists already", hint="name a new file; nothing is ever overwritten")
    for name in ("entries.jsonl", "readings.jsonl"):
        if not (folder / name).is_file():
            raise UsageError(
                f"{folder} holds no {name}", hint="name a folder made by `record export --jsonl`"
            )
    with database.new_file(path) as half:
        with closing(database.connect(half, "rw")) as db, database.mapped_errors(half):
            db.execute("BEGIN IMMEDIATE")
            database.create_schema(db)
            _fill(db, folder)
            db.execute("COMMIT")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        verification = verify(half)
        if not verification.ok:
            fault = verification.first
            raise LogbookDamagedError(
                f"the export in {folder} is incomplete or altered: {fault.what if fault else ''}",
                hint="export again from the logbook or from a copy",
            )
    return Verification(path, verification.entries, verification.head)


def _fill(db: sqlite3.Connection, folder: Path) -> None:
    blocks = _reading_groups(folder / "readings.jsonl")
    waiting = next(blocks, None)
    channels: dict[ChannelKey, int] = {}
    version = database.SCHEMA_VERSION
    for entry, text in _entries(folder / "entries.jsonl"):
        db.execute(
            "INSERT INTO entry VALUES (?,?,?,?,?,?)",
            (entry.seq, entry.kind, entry.session, entry.time, text, entry.digest),
        )
        insert_derived(db, entry)
        try:
            match entry.kind:
                case "logbook" | "migration":
                    version = int(entry.body["schema_version"])
                case "channel":
                    key = (entry.body["instrument"], entry.body["channel"], entry.body["function"])
                    channels[key] = entry.body["id"]
                case "readings":
                    if waiting is None or waiting[0] != entry.seq:
                        raise LogbookDamagedError(
                            f"readings of entry {entry.seq} are missing from readings.jsonl"
                        )
                    _insert_block(db, entry, waiting[1], channels)
                    waiting = next(blocks, None)
                case "capture":
                    about = [c["samples"] for c in entry.body["channels"]]
                    about += [entry.body["times"]] if entry.body["times"] is not None else []
                    for part, samples in enumerate(about):
                        data = _blob(folder, samples["sha256"])
                        db.execute("INSERT INTO capture_data VALUES (?,?,?)", (entry.seq, part, data))
                case "attachment":
                    data = _blob(folder, entry.body["sha256"])
                    row = (entry.body["sha256"], len(data), data)
                    db.execute("INSERT OR IGNORE INTO attachment VALUES (?,?,?)", row)
        except (KeyError, TypeError, ValueError) as error:
            if isinstance(error, LogbookDamagedError):
                raise
            raise LogbookDamagedError(
                f"entry {entry.seq} ({entry.kind}) can't be restored: {error}"
            ) from error
    if version != database.SCHEMA_VERSION:
        raise UsageError(
            f"the export is of schema version {version}; this benchlog restores {database.SCHEMA_VERSION}",
            hint="open the logbook once with this benchlog, which migrates it, and export again",
        )


def _lines(path: Path) -> Iterator[str]:
    try:
        # Editors and version control may turn line ends into CR LF or add a byte order mark: no entry holds either.
        with path.open(encoding="utf-8-sig", newline="\n") as file:
            for line in file:
                yield line.removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError as error:
        raise LogbookDamagedError(f"{path} is not UTF-8 text: {error}") from error


def _entries(path: Path) -> Iterator[tuple[Entry, str]]:
    for number, line in enumerate(_lines(path), 1):
        digest = hashlib.sha256(line.encode()).hexdigest()
        yield parse_entry(line, digest, f"{path.name}, line {number}"), line


def _reading_groups(path: Path) -> Iterator[tuple[int, list[Reading]]]:
    def parsed() -> Iterator[tuple[int, Reading]]:
        for number, line in enumerate(_lines(path), 1):
            try:
                fields = json.loads(line)
                yield int(fields["entry"]), _reading(fields)
            except (KeyError, TypeError, ValueError, RecursionError) as error:
                raise LogbookDamagedError(f"{path.name}, line {number} is not a reading: {error}") from error

    for entry, group in groupby(parsed(), key=lambda pair: pair[0]):
        yield entry, [reading for _, reading in group]


def _reading(fields: dict[str, Any]) -> Reading:
    def number(name: str) -> float | None:
        value = fields[name]
        return None if value is None else float(value)

    resolution = number("resolution")
    return Reading(
        function=Function(fields["function"]),
        value=number("value"),
        resolution=0.0 if resolution is None else resolution,
        displayed=fields["displayed"],
        state=State(fields["state"]),
        flags=frozenset(Flag(flag) for flag in fields["flags"]),
        range_max=number("range_max"),
        raw=bytes.fromhex(fields["raw"]),
        instrument=fields["instrument"],
        channel=fields["channel"],
        utc_ns=parse_rfc3339(fields["time"]),
        mono_ns=int(fields["mono_ns"]),
        origin=Origin(fields["origin"]),
    )


def _insert_block(
    db: sqlite3.Connection, entry: Entry, readings: list[Reading], channels: dict[ChannelKey, int]
) -> None:
    block = pack(readings, channels)
    db.execute(
        "INSERT INTO block VALUES (?,?,?,?,?,?,?)",
        (
            entry.seq,
            entry.session,
            entry.body["first_reading"],
            block.count,
            block.first_utc_ns,
            block.last_utc_ns,
            block.data,
        ),
    )
    add_to_rollup(db, block.data, block.count)


def _blob(folder: Path, digest: str) -> bytes:
    if len(digest) != 64 or set(digest) - set("0123456789abcdef"):
        raise LogbookDamagedError(f"{digest[:70]!r} is not a SHA-256")
    try:
        return (folder / "blobs" / digest).read_bytes()
    except OSError as error:
        raise LogbookDamagedError(f"blobs/{digest[:16]}... can't be read: {error.strerror}") from error
