"""Is the logbook as it was written? Names the first entry that is not, and everything hanging off entries.

What this can and can't tell: any change to what was recorded shows, unless somebody computed the whole rest of the
chain anew. That, and a tail cut off, show only against a digest noted outside (a print, a mail, a time stamp): with a
noted digest, everything up to its entry is not altered since it was noted. That the readings were true, no digest tells.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import database
from benchlog.logbook.chain import ZERO_DIGEST, Entry, parse_entry
from benchlog.logbook.derived import COLUMNS, derived_row
from benchlog.logbook.salvage import readable_rows

__all__ = ["Fault", "Verification", "verify"]

MAX_FAULTS = 1000
_BATCH_READINGS = 200_000
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that is not as it was written.

    Attributes
    ----------
    entry : int or None
        Number of the entry concerned; None where it concerns the file.
    what : str
        In words.
    """

    entry: int | None
    what: str


@dataclass(frozen=True, slots=True)
class Verification:
    """What `verify` found.

    Attributes
    ----------
    entries : int
        Entries read.
    head : str
        Digest of the last entry, ``""`` if none can be read.
    faults : tuple of Fault
        In the order found; those of the chain first.
    noted : str
        What the noted head tells, ``""`` when none was given.
    chain_faults : int
        How many of `faults` concern the chain of entries itself.
    """

    path: Path
    entries: int
    head: str
    faults: tuple[Fault, ...] = ()
    noted: str = ""
    chain_faults: int = 0

    @property
    def ok(self) -> bool:
        """Whether nothing was found altered, missing or reordered."""
        return not self.faults

    @property
    def first(self) -> Fault | None:
        """First altered, missing or reordered entry; else the first with something amiss under it, or of the file."""
        pool = self.faults[: self.chain_faults] or self.faults
        numbered = [fault for fault in pool if fault.entry is not None]
        return min(numbered, key=lambda f: f.entry or 0) if numbered else next(iter(self.faults), None)


@dataclass
class _Findings:
    faults: list[Fault] = field(default_factory=list)

    def add(self, entry: int | None, what: str) -> None:
        if len(self.faults) < MAX_FAULTS:
            self.faults.append(Fault(entry, what))


@dataclass
class _Chain:
    """What the walk over the entries gathers for the checks after it."""

    count: int = 0
    head: str = ""
    noted_at: int | None = None
    faults: int = 0
    unproved: set[int] = field(default_factory=set)
    sealed: dict[int, Entry] = field(default_factory=dict)
    derived: dict[str, dict[Any, tuple[Any, ...]]] = field(default_factory=lambda: {t: {} for t in COLUMNS})


def verify(path: Path | str, *, head: str = "", progress: Progress | None = None) -> Verification:
    """Check a whole logbook file; changes nothing and survives any damage.

    Parameters
    ----------
    path : path
    head : str, optional
        Digest noted earlier, with or without ``sha256:``; of at least 8 hex digits.
    progress : callable, optional
        Called with (done, total) entries now and then.

    Raises
    ------
    UsageError
        If there is no such file, or the noted digest is none.
    LogbookError
        If the file is locked, or can't be opened for reasons other than damage.
    """
    path = Path(path)
    noted = _noted_digest(head)
    if not path.is_file():
        raise UsageError(f"there is no logbook {path}", hint="name another with --logbook")
    findings, chain = _Findings(), _Chain()
    try:
        db = database.connect(path, "ro")
    except LogbookDamagedError as error:
        return Verification(path, 0, "", (Fault(None, error.message),))
    with closing(db):
        db.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
        # One state of the file throughout, while a recorder may be writing.
        with suppress(sqlite3.Error):
            db.execute("BEGIN")
        try:
            database.stored_version(path, db)
        except LogbookDamagedError as error:
            findings.add(None, error.message)
        for check in (_check_chain, _check_file, _check_sealed, _check_readings, _check_derived):
            try:
                with database.mapped_errors(path):
                    check(db, chain, findings, noted, progress)
            except LogbookDamagedError as error:
                findings.add(None, error.message)
    told = ""
    if noted:
        told = _tell_noted(noted, chain, findings)
    return Verification(path, chain.count, chain.head, tuple(findings.faults), told, chain.faults)


def _noted_digest(text: str) -> str:
    digest = text.strip().lower().removeprefix("sha256:").replace(" ", "")
    if text and (len(digest) < 8 or len(digest) > 64 or set(digest) - set("0123456789abcdef")):
        raise UsageError(
            f"{text!r} is no digest",
            hint="copy the 64 hex digits from the certificate, or at least the first 8",
        )
    return digest


def _tell_noted(noted: str, chain: _Chain, findings: _Findings) -> str:
    if chain.noted_at is None:
        findings.add(
            None,
            f"no entry has the noted digest {noted[:16]}: entries were cut off at the end, or altered,"
            " since it was noted, or it is of another logbook",
        )
        return "the noted digest is not in this logbook"
    first_bad = min((f.entry for f in findings.faults if f.entry is not None), default=chain.noted_at + 1)
    if first_bad <= chain.noted_at:
        return (
            f"the noted digest is entry {chain.noted_at}, but entry {first_bad} before it is not as written"
        )
    later = chain.count - chain.noted_at
    more = f"; {later} entries were added since" if later else ""
    return f"entries 1 to {chain.noted_at} are not altered since this digest was noted{more}"


# -- the chain --------------------------------------------------------------------------------------------------


def _check_chain(
    db: sqlite3.Connection, chain: _Chain, findings: _Findings, noted: str, progress: Progress | None
) -> None:
    total = 0
    if progress is not None:
        total = db.execute("SELECT max(seq) FROM entry").fetchone()[0] or 0
    previous, expected = ZERO_DIGEST, 1
    for seq, kind, session, time, text, digest in readable_rows(db, findings.add):
        chain.count += 1
        if not isinstance(seq, int) or not all(isinstance(v, str) for v in (kind, time, text, digest)):
            findings.add(expected, f"entry {expected} holds values of another type than written")
            continue
        if seq > expected:
            missing = (
                f"entry {expected} is" if seq == expected + 1 else f"entries {expected} to {seq - 1} are"
            )
            findings.add(expected, f"{missing} missing")
        elif seq < expected:
            findings.add(seq, f"entry {seq} is out of place")
        actual = hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()
        entry = _checked_entry(seq, (kind, session, time), text, actual, digest, findings)
        if entry is None:
            chain.unproved.add(seq)
        else:
            if entry.previous != previous and entry.seq == seq == expected:
                if entry.previous == ZERO_DIGEST or seq == 1:
                    findings.add(seq, f"entry {seq} rests on nothing: the chain begins anew")
                elif actual == digest:
                    before = seq - 1
                    findings.add(
                        before,
                        f"entry {before} was altered or exchanged: entry {seq} rests on another digest",
                    )
            _gather(entry, chain, findings)
        if noted and digest.startswith(noted) and actual == digest:
            chain.noted_at = seq
        previous, expected, chain.head = digest, seq + 1, digest
        if progress is not None and chain.count % 5000 == 0:
            progress(chain.count, total)
    if not chain.count:
        findings.add(1, "entry 1 is missing: there are no entries")
    chain.faults = len(findings.faults)
    if progress is not None:
        progress(total, total)


def _checked_entry(
    seq: int, columns: tuple[Any, ...], text: str, actual: str, digest: str, findings: _Findings
) -> Entry | None:
    """Compare text, digest and columns; None if the text can't be believed at all."""
    if actual != digest:
        findings.add(seq, f"entry {seq} was altered: its text does not give its digest")
        return None
    try:
        entry = parse_entry(text, digest)
    except LogbookDamagedError as error:
        findings.add(seq, f"entry {seq}: {error.message}")
        return None
    if entry.seq != seq:
        findings.add(seq, f"entry {seq} was reordered: its text says it is entry {entry.seq}")
    if (entry.kind, entry.session, entry.time) != columns:
        findings.add(seq, f"entry {seq}: kind, session or time beside the text was altered")
    return entry


def _gather(entry: Entry, chain: _Chain, findings: _Findings) -> None:
    if entry.kind in ("readings", "capture", "attachment", "logbook", "migration"):
        chain.sealed[entry.seq] = entry
    try:
        found = derived_row(entry)
    except LogbookDamagedError as error:
        findings.add(entry.seq, error.message)
        return
    if found is not None:
        table, row = found
        chain.derived[table][row[0]] = row


# -- what hangs off entries -------------------------------------------------------------------------------------


def _check_file(
    db: sqlite3.Connection, chain: _Chain, findings: _Findings, noted: str, progress: Progress | None
) -> None:
    """Compare what the file says of itself with the entries, and let SQLite look at its own structure."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    written = [
        e.body.get("schema_version") for e in chain.sealed.values() if e.kind in ("logbook", "migration")
    ]
    if written and version != written[-1]:
        findings.add(None, f"the file says schema version {version}, its entries say {written[-1]}")
    for fault in database.schema_faults(db, version):
        findings.add(None, f"table or index {fault}")
    for (line,) in db.execute("PRAGMA integrity_check(20)"):
        if line != "ok":
            findings.add(None, f"the file's structure is damaged: {line}")


def _check_sealed(
    db: sqlite3.Connection, chain: _Chain, findings: _Findings, noted: str, progress: Progress | None
) -> None:
    """Captures and attachments: bytes against the SHA-256 in their entries; nothing missing, nothing left over."""
    captures = {seq: entry for seq, entry in chain.sealed.items() if entry.kind == "capture"}
    expected: dict[tuple[int, int], str] = {}
    for seq, entry in captures.items():
        about = [channel["samples"] for channel in entry.body["channels"]]
        if entry.body["times"] is not None:
            about.append(entry.body["times"])
        expected.update({(seq, part): a["sha256"] for part, a in enumerate(about)})
    for seq, part in db.execute("SELECT entry, part FROM capture_data ORDER BY entry, part").fetchall():
        wanted = expected.pop((seq, part), None)
        if seq in chain.unproved:
            continue  # what its entry said of it is not known
        if wanted is None:
            findings.add(seq, f"samples {part} of entry {seq} belong to no capture")
        elif (
            _blob_digest(db, "SELECT data FROM capture_data WHERE entry=? AND part=?", (seq, part)) != wanted
        ):
            findings.add(seq, f"entry {seq}: samples {part} of the capture were altered")
    for seq, part in expected:
        findings.add(seq, f"entry {seq}: samples {part} of the capture are missing")

    attached = {e.body["sha256"]: e for e in chain.sealed.values() if e.kind == "attachment"}
    for sha256, size in db.execute("SELECT sha256, size FROM attachment").fetchall():
        holder = attached.pop(sha256, None)
        if holder is None and chain.unproved:
            continue  # it may belong to an entry that can't be believed
        if holder is None:
            findings.add(None, f"the attachment {str(sha256)[:16]} belongs to no entry")
            continue
        if (
            size != holder.body["size"]
            or _blob_digest(db, "SELECT data FROM attachment WHERE sha256=?", (sha256,)) != sha256
        ):
            findings.add(holder.seq, f"entry {holder.seq}: the attached {holder.body['name']!r} was altered")
    for entry in attached.values():
        findings.add(entry.seq, f"entry {entry.seq}: the attached {entry.body['name']!r} is missing")


def _blob_digest(db: sqlite3.Connection, query: str, key: tuple[Any, ...]) -> str:
    """SHA-256 of one stored piece, ``""`` if it can't be read or is of another type."""
    try:
        row = db.execute(query, key).fetchone()
    except sqlite3.Error:
        return ""
    return hashlib.sha256(row[0]).hexdigest() if row and isinstance(row[0], bytes) else ""


def _check_readings(
    db: sqlite3.Connection, chain: _Chain, findings: _Findings, noted: str, progress: Progress | None
) -> None:
    """Reading blocks against their entries, and the rollup against the readings."""
    from benchlog.logbook.reading_block import RECORD
    from benchlog.logbook.rollup import Key, Row, rolled_up

    expected = {seq: entry for seq, entry in chain.sealed.items() if entry.kind == "readings"}
    rollup: dict[Key, Row] = {}
    waiting: list[bytes] = []
    count = 0
    whole = True
    for seq, session, first, number, first_ns, last_ns, data in db.execute(
        "SELECT entry, session, first_reading, count, first_utc_ns, last_utc_ns, data FROM block ORDER BY entry"
    ):
        entry = expected.pop(seq, None)
        if seq in chain.unproved:
            whole = False
            continue
        if entry is None:
            findings.add(seq, f"readings under entry {seq} belong to no entry")
            whole = False
            continue
        body = entry.body
        if hashlib.sha256(data).hexdigest() != body["sha256"]:
            findings.add(seq, f"entry {seq}: its readings were altered")
            whole = False
            continue
        columns = (session, first, number, first_ns, last_ns)
        if columns != (
            entry.session,
            body["first_reading"],
            body["count"],
            parse_rfc3339(body["first_time"]),
            parse_rfc3339(body["last_time"]),
        ):
            findings.add(seq, f"entry {seq}: what stands beside its block of readings was altered")
        waiting.append(data[: body["count"] * RECORD.itemsize])
        count += body["count"]
        if count > _BATCH_READINGS:
            rollup.update(rolled_up(b"".join(waiting), count, rollup.get))
            waiting, count = [], 0
    if count:
        rollup.update(rolled_up(b"".join(waiting), count, rollup.get))
    for seq in expected:
        findings.add(seq, f"entry {seq}: its readings are missing")
        whole = False
    if not whole:
        return  # the rollup can't be computed again from readings that aren't all there
    for row in db.execute("SELECT * FROM rollup ORDER BY channel, bucket"):
        key, stored = (row[0], row[1]), tuple(row[2:])
        if repr(stored) != repr(tuple(rollup.pop(key, ()))):
            findings.add(
                None, f"the summary of channel {key[0]}, bucket {key[1]} does not follow from the readings"
            )
    for channel, bucket in rollup:
        findings.add(None, f"the summary of channel {channel}, bucket {bucket} is missing")


def _check_derived(
    db: sqlite3.Connection, chain: _Chain, findings: _Findings, noted: str, progress: Progress | None
) -> None:
    """Tables that follow from the entries alone, row by row; not where entries can't be believed."""
    if chain.faults:
        return
    (version,) = db.execute("PRAGMA user_version").fetchone()
    for table in COLUMNS.keys() & database.schema_of(version).keys():
        wanted = list(chain.derived[table].values())
        found = db.execute(f"SELECT * FROM {table}").fetchall()  # noqa: S608 - fixed names
        where = COLUMNS[table].index("entry")
        for row in set(map(_hashable, found)) - set(map(_hashable, wanted)):
            findings.add(
                None,
                f"table {table}: a row for entry {json.loads(row)[where]} does not follow from any entry",
            )
        for row in set(map(_hashable, wanted)) - set(map(_hashable, found)):
            number = json.loads(row)[where]
            findings.add(number, f"entry {number}: its row in table {table} is missing or was altered")
        if len(found) != len(wanted):
            findings.add(None, f"table {table} has {len(found)} rows; {len(wanted)} follow from the entries")


def _hashable(row: tuple[Any, ...]) -> str:
    return json.dumps([value if isinstance(value, str | int | float) else repr(value) for value in row])
