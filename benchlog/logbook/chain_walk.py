"""Follow the chain of entries: each text matches its digest, each entry names the digest before it, none is missing.

It also collects what the entries say about everything else in the file.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchlog.errors import LogbookDamagedError
from benchlog.logbook.chain import ZERO_DIGEST, Entry, canonical_fault, parse_entry
from benchlog.logbook.derived import COLUMNS, derived_row
from benchlog.logbook.entry_rules import EntryRules
from benchlog.logbook.salvage import readable_rows

Progress = Callable[[int, int], None]
MAX_FAULTS = 1000


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in the file that differs from what was written."""

    entry: int | None  #: Number of the entry concerned; None where it concerns the file.
    what: str  #: In words.
    mistyped: bool = False  #: Only a digest given for comparison is wrong, by one character.


@dataclass
class Faults:
    """Faults as they are found, at most `MAX_FAULTS` of them."""

    found: list[Fault] = field(default_factory=list)

    def add(self, entry: int | None, what: str, *, mistyped: bool = False) -> None:
        """Note one."""
        if len(self.found) < MAX_FAULTS:
            self.found.append(Fault(entry, what, mistyped))


@dataclass
class Walked:
    """What the walk over the entries collects for the checks after it."""

    count: int = 0  #: Entries read.
    head: str = ""  #: Digest of the last of them, ``""`` if there was none.
    noted_at: dict[str, int] = field(default_factory=dict)  #: Entries that have the digests noted earlier.
    #: Entries whose digests differ in one character from those noted earlier.
    nearly_at: dict[str, int] = field(default_factory=dict)
    faults: int = 0  #: How many were found in the chain.
    unproved: set[int] = field(default_factory=set)  #: Entries whose text is not proven.
    #: Entries with data elsewhere in the file, or that describe the file. Not those of readings: there may be too
    #: many to keep in memory.
    sealed: dict[int, Entry] = field(default_factory=dict)
    #: Table rows computed from the entries, by table and first column.
    derived: dict[str, dict[Any, tuple[Any, ...]]] = field(default_factory=lambda: {t: {} for t in COLUMNS})

    def compare(self, noted: Sequence[str], digest: str, seq: int) -> None:
        """Note which of the beginnings of digests noted earlier are those of an entry, or nearly."""
        for beginning in noted:
            if digest.startswith(beginning):
                self.noted_at[beginning] = seq
            elif _one_character_off(beginning, digest):
                self.nearly_at[beginning] = seq


def walk_chain(
    db: sqlite3.Connection,
    chain: Walked,
    faults: Faults,
    noted: Sequence[str] = (),
    progress: Progress | None = None,
) -> None:
    """Check every entry against its digest, its columns, its canonical form and the entries before it.

    Parameters
    ----------
    db : sqlite3.Connection
    chain : Walked
        Filled in.
    faults : Faults
        Added to.
    noted : sequence of str
        Beginnings of digests noted earlier, looked for on the way.
    progress : callable, optional
        Called with (done, total) entries now and then.
    """
    (total,) = db.execute("SELECT coalesce(max(seq), 0) FROM entry").fetchone()
    progress = progress or _unheard
    previous, expected, rules = ZERO_DIGEST, 1, EntryRules()
    for seq, kind, session, time, text, digest in readable_rows(db, faults.add):
        chain.count += 1
        if not isinstance(seq, int) or not all(isinstance(v, str) for v in (kind, time, text, digest)):
            faults.add(expected, f"entry {expected} holds values of another type than written")
            continue
        _check_place(seq, expected, faults)
        actual = hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()
        entry = _checked_entry(seq, (kind, session, time), text, actual, digest, faults)
        if entry is None:
            chain.unproved.add(seq)
        else:
            if entry.seq == seq == expected:
                _check_link(entry, previous, faults)
            for fault in filter(None, (canonical_fault(entry, text), *rules.broken(entry))):
                faults.add(seq, f"entry {seq}: {fault}" if fault[:3] == "its" else f"entry {seq} {fault}")
            _gather(entry, chain)
        if actual == digest:
            chain.compare(noted, digest, seq)
        previous, expected, chain.head = digest, seq + 1, digest
        if chain.count % 5000 == 0:
            progress(chain.count, total)
    if not chain.count:
        faults.add(1, "entry 1 is missing: there are no entries")
    chain.faults = len(faults.found)
    progress(total, total)


def _unheard(done: int, total: int) -> None:
    """Default for `progress`: report nothing."""


def _one_character_off(noted: str, digest: str) -> bool:
    """Whether the beginning of a digest was noted with one wrong character."""
    likely = noted[:4] == digest[:4] or noted[4:] == digest[4 : len(noted)]
    return likely and sum(a != b for a, b in zip(noted, digest, strict=False)) == 1


def _check_place(seq: int, expected: int, faults: Faults) -> None:
    """Check that an entry comes right after the one before it."""
    if seq > expected:
        missing = f"entry {expected} is" if seq == expected + 1 else f"entries {expected} to {seq - 1} are"
        faults.add(expected, f"{missing} missing")
    elif seq < expected:
        faults.add(seq, f"entry {seq} is out of place")


def _check_link(entry: Entry, previous: str, faults: Faults) -> None:
    """Check that an entry names the digest of the one before it."""
    if entry.previous == previous:
        return
    if entry.previous == ZERO_DIGEST or entry.seq == 1:
        faults.add(entry.seq, f"entry {entry.seq} names no earlier entry: a second chain begins here")
        return
    before = entry.seq - 1
    faults.add(before, f"entry {before} was altered or replaced: entry {entry.seq} names another digest")


def _checked_entry(
    seq: int, columns: tuple[Any, ...], text: str, actual: str, digest: str, faults: Faults
) -> Entry | None:
    """Compare text, digest and columns; None if the text is not proven."""
    if actual != digest:
        faults.add(seq, f"entry {seq} was altered: its text does not match its digest")
        return None
    try:
        entry = parse_entry(text, digest)
    except LogbookDamagedError as error:
        faults.add(seq, f"entry {seq}: {error.message}")
        return None
    if entry.seq != seq:
        faults.add(seq, f"entry {seq} was reordered: its text says it is entry {entry.seq}")
    if (entry.kind, entry.session, entry.time) != columns:
        faults.add(seq, f"entry {seq}: its column kind, session or time was altered")
    return entry


def _gather(entry: Entry, chain: Walked) -> None:
    if entry.kind in ("capture", "attachment", "logbook", "migration", "anchor", "signature"):
        chain.sealed[entry.seq] = entry
    found = derived_row(entry)
    if found is not None:
        table, row = found
        chain.derived[table][row[0]] = row
