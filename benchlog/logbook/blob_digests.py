"""Check the data kept beside the entries, and the tables computed from them, against the chain.

Samples of captures, attached files and blocks of readings against their SHA-256; rollup and tables recomputed.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable
from typing import Any, Self

import msgspec
import numpy as np

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError
from benchlog.logbook import database
from benchlog.logbook.capture_store import samples_fault
from benchlog.logbook.chain_walk import Faults, Walked
from benchlog.logbook.derived import COLUMNS
from benchlog.logbook.kinds import ReadingsBody
from benchlog.logbook.reading_block import RECORD
from benchlog.logbook.reading_table import BlockRow, join_blocks
from benchlog.logbook.rollup import Key, Row, rolled_up

_BATCH_READINGS = 200_000
_Block = tuple[BlockRow, int, int]  # its row, first and last time by its entry


class BlockEntry(msgspec.Struct):
    """What a block is compared with: its entry, already checked."""

    seq: int
    session: int
    body: ReadingsBody

    @classmethod
    def read(cls, text: str | None) -> Self | None:
        """Read an entry's text; None if it is not a `readings` entry."""
        try:
            return msgspec.json.decode(text or "", type=cls)
        except (msgspec.DecodeError, UnicodeEncodeError):
            return None


class BlockCheck:
    """Takes blocks in order and adds what is wrong to `faults`.

    Parameters
    ----------
    channels : iterable of tuple
        (number, entry that defines it, instrument, channel, function, unit).

    Attributes
    ----------
    rollup : dict
        Recomputed summaries.
    whole : bool
        Whether all blocks so far could be used for them.
    """

    def __init__(self, channels: Iterable[tuple[Any, ...]], faults: Faults) -> None:
        rows = list(channels)
        self._names = {row[0]: (row[2], row[3], row[4]) for row in rows}
        self._defined = {row[0]: row[1] for row in rows}
        self._faults = faults
        self._waiting: list[_Block] = []
        self._count = self._next = 0
        self.rollup: dict[Key, Row] = {}
        self.whole = True

    def add(self, entry: BlockEntry, columns: tuple[Any, ...], data: bytes) -> None:
        """Take one block: its entry, its row in the file, its bytes."""
        body = entry.body
        if hashlib.sha256(data).hexdigest() != body.sha256:
            self._faults.add(entry.seq, f"entry {entry.seq}: its readings were altered")
            self.whole = False
            return
        first_ns, last_ns = parse_rfc3339(body.first_time), parse_rfc3339(body.last_time)
        if columns != (entry.session, body.first_reading, body.count, first_ns, last_ns):
            self._faults.add(
                entry.seq, f"entry {entry.seq}: the columns stored with its block of readings were altered"
            )
        if self.whole and body.first_reading != self._next:
            self._faults.add(
                entry.seq,
                f"entry {entry.seq}: its readings count from {body.first_reading}, not {self._next}",
            )
        self._next = body.first_reading + body.count
        self._waiting.append(
            ((entry.seq, entry.session, body.first_reading, body.count, data), first_ns, last_ns)
        )
        self._count += body.count
        if self._count > _BATCH_READINGS:
            self.finish()

    def finish(self) -> None:
        """Check the blocks collected so far."""
        waiting, self._waiting, self._count = self._waiting, [], 0
        if waiting:
            self._look(waiting)

    def _look(self, blocks: list[_Block]) -> None:
        rows = [row for row, _, _ in blocks]
        try:
            self._check(rows, [first for _, first, _ in blocks], [last for _, _, last in blocks])
        except (LogbookDamagedError, UnicodeDecodeError) as error:
            if len(blocks) > 1:
                for block in blocks:  # one after the other, to name the entry
                    self._look([block])
                return
            self._faults.add(rows[0][0], f"entry {rows[0][0]}: its block does not hold readings: {error}")
            self.whole = False
            return
        joined = b"".join(data[: count * RECORD.itemsize] for *_, count, data in rows)
        self.rollup.update(rolled_up(joined, sum(row[3] for row in rows), self.rollup.get))

    def _check(self, rows: list[BlockRow], first_ns: list[int], last_ns: list[int]) -> None:
        arrays = join_blocks(rows, self._names, texts=True)
        if arrays.displayed is not None:
            arrays.displayed.data.decode()
        defined = np.zeros(max(self._defined) + 1, np.int64)
        defined[list(self._defined)] = list(self._defined.values())
        if (defined[arrays.table["channel"]] >= arrays.entry).any():
            raise LogbookDamagedError("a channel is used before it is defined")
        starts = np.cumsum([0, *(row[3] for row in rows[:-1])])
        found = np.minimum.reduceat(arrays.utc_ns, starts), np.maximum.reduceat(arrays.utc_ns, starts)
        if not (np.array_equal(found[0], first_ns) and np.array_equal(found[1], last_ns)):
            raise LogbookDamagedError("their times differ from those in its entry")


def check_file(db: sqlite3.Connection, chain: Walked, faults: Faults) -> None:
    """Compare the file's version and schema with the entries, and run SQLite's own integrity check."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    written = [
        e.body.get("schema_version") for e in chain.sealed.values() if e.kind in ("logbook", "migration")
    ]
    if written and version != written[-1]:
        faults.add(None, f"the file says schema version {version}, its entries say {written[-1]}")
    for fault in database.schema_faults(db, version):
        faults.add(None, f"table or index {fault}")
    for (seq,) in db.execute("SELECT seq FROM entry WHERE seq<1 ORDER BY seq DESC"):
        faults.add(seq, f"entry {seq} was put in: entries count from 1")
    for (line,) in db.execute("PRAGMA integrity_check(20)"):
        if line != "ok":
            faults.add(None, f"the file's structure is damaged: {line}")


def check_sealed(db: sqlite3.Connection, chain: Walked, faults: Faults) -> None:
    """Captures and attachments: bytes against the SHA-256 in their entries; nothing missing, nothing left over."""
    _check_captures(db, chain, faults)
    _check_attachments(db, chain, faults)


def _check_captures(db: sqlite3.Connection, chain: Walked, faults: Faults) -> None:
    expected: dict[tuple[int, int], dict[str, Any]] = {}
    for seq, entry in chain.sealed.items():
        if entry.kind == "capture":
            about = [
                {**channel["samples"], "of": f"samples of {channel['name']}"}
                for channel in entry.body["channels"]
            ]
            if entry.body["times"] is not None:
                about.append({**entry.body["times"], "of": "sample times"})
            expected.update({(seq, part): a for part, a in enumerate(about)})
            if len({a["samples"] for a in about}) != 1:
                faults.add(seq, f"entry {seq}: the channels of the capture have different numbers of samples")
    for seq, part in db.execute("SELECT entry, part FROM capture_data ORDER BY entry, part").fetchall():
        wanted = expected.pop((seq, part), None)
        if seq in chain.unproved:
            continue  # its entry is damaged, so there is nothing to compare with
        if wanted is None:
            faults.add(seq, f"samples {part} of entry {seq} belong to no capture")
            continue
        data = _blob(db, "SELECT data FROM capture_data WHERE entry=? AND part=?", (seq, part))
        if hashlib.sha256(data).hexdigest() != wanted["sha256"]:
            faults.add(seq, f"entry {seq}: {wanted['of']} were altered")
        elif fault := samples_fault(data, wanted):
            faults.add(seq, f"entry {seq}: {wanted['of']}: {fault}")
    for (seq, _), wanted in expected.items():
        faults.add(seq, f"entry {seq}: {wanted['of']} are missing")


def _check_attachments(db: sqlite3.Connection, chain: Walked, faults: Faults) -> None:
    attached = {e.body["sha256"]: e for e in chain.sealed.values() if e.kind == "attachment"}
    for sha256, size in db.execute("SELECT sha256, size FROM attachment").fetchall():
        holder = attached.pop(sha256, None)
        if holder is None:
            if not chain.unproved:  # it may belong to a damaged entry
                faults.add(None, f"the attachment {str(sha256)[:16]} belongs to no entry")
            continue
        data = _blob(db, "SELECT data FROM attachment WHERE sha256=?", (sha256,))
        if size != holder.body["size"] or hashlib.sha256(data).hexdigest() != sha256:
            faults.add(holder.seq, f"entry {holder.seq}: the attached {holder.body['name']!r} was altered")
    for entry in attached.values():
        faults.add(entry.seq, f"entry {entry.seq}: the attached {entry.body['name']!r} is missing")


def _blob(db: sqlite3.Connection, query: str, key: tuple[Any, ...]) -> bytes:
    """One stored blob, ``b""`` if it can't be read or is of another type."""
    try:
        row = db.execute(query, key).fetchone()
    except sqlite3.Error:
        return b""
    return row[0] if row and isinstance(row[0], bytes) else b""


def check_readings(db: sqlite3.Connection, chain: Walked, faults: Faults) -> None:
    """Reading blocks against their entries and the channels, and the rollup against the readings."""
    check = BlockCheck(chain.derived["channel"].values(), faults)
    # Entries are read a second time: there may be a million, too many to keep in memory.
    for seq, session, first, number, first_ns, last_ns, data, text in db.execute(
        "SELECT block.entry, block.session, first_reading, count, first_utc_ns, last_utc_ns, data, text FROM block"
        " LEFT JOIN entry ON seq = block.entry AND kind = 'readings' ORDER BY block.entry"
    ):
        if seq in chain.unproved:
            check.whole = False
        elif (entry := BlockEntry.read(text)) is None:
            faults.add(seq, f"readings under entry {seq} belong to no entry")
            check.whole = False
        else:
            check.add(entry, (session, first, number, first_ns, last_ns), data)
    check.finish()
    for (seq,) in db.execute(
        "SELECT seq FROM entry WHERE kind = 'readings' AND seq NOT IN (SELECT entry FROM block) ORDER BY seq"
    ):
        if seq not in chain.unproved:
            faults.add(seq, f"entry {seq}: its readings are missing")
        check.whole = False
    if not check.whole:
        return  # with readings missing the rollup can't be recomputed
    rollup = check.rollup
    for row in db.execute("SELECT * FROM rollup ORDER BY channel, bucket"):
        key, stored = (row[0], row[1]), tuple(row[2:])
        if repr(stored) != repr(tuple(rollup.pop(key, ()))):
            faults.add(
                None, f"the summary of channel {key[0]}, bucket {key[1]} does not follow from the readings"
            )
    for channel, bucket in rollup:
        faults.add(None, f"the summary of channel {channel}, bucket {bucket} is missing")


def check_derived(db: sqlite3.Connection, chain: Walked, faults: Faults) -> None:
    """Compare the tables computed from entries, row by row; skipped if an entry is damaged."""
    if chain.faults:
        return
    (version,) = db.execute("PRAGMA user_version").fetchone()
    for table in COLUMNS.keys() & database.schema_of(version).keys():
        wanted = list(chain.derived[table].values())
        found = db.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - fixed names
        where = COLUMNS[table].index("entry")
        for row in set(map(_hashable, found)) - set(map(_hashable, wanted)):
            faults.add(
                None,
                f"table {table}: a row for entry {json.loads(row)[where]} does not follow from any entry",
            )
        for row in set(map(_hashable, wanted)) - set(map(_hashable, found)):
            number = json.loads(row)[where]
            faults.add(number, f"entry {number}: its row in table {table} is missing or was altered")
        if len(found) != len(wanted):
            faults.add(None, f"table {table} has {len(found)} rows; {len(wanted)} follow from the entries")


def _hashable(row: tuple[Any, ...]) -> str:
    return json.dumps([value if isinstance(value, str | int | float) else repr(value) for value in row])
