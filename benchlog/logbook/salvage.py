"""Read the intact parts of a damaged file and report the rest."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from typing import Any

from benchlog.errors import LogbookDamagedError
from benchlog.logbook.chain import Entry, parse_entry
from benchlog.logbook.reader import LogbookReader
from benchlog.logbook.reading_block import ChannelKey
from benchlog.logbook.reading_table import BlockRow

OnDamage = Callable[[int, str], object]  # entry, what is wrong with it


def readable_rows(db: sqlite3.Connection, on_damage: OnDamage) -> Iterator[tuple[Any, ...]]:
    """Yield (seq, kind, session, time, text, digest) in order, skipping places of the file that can't be read."""
    last = 0
    while True:
        try:
            for row in db.execute(
                "SELECT seq, kind, session, time, text, digest FROM entry WHERE seq>? ORDER BY seq", (last,)
            ):
                last = row[0]
                yield row
            return
        except sqlite3.Error as error:
            on_damage(last + 1, f"entry {last + 1} can't be read: {error}")
            found = _before_next_readable(db, last)
            if found is None:
                return
            last = found


def _before_next_readable(db: sqlite3.Connection, after: int) -> int | None:
    """Return the number before the next entry past a damaged place, None if there is none."""
    step, probe = 1, after + 1
    while probe < 2**40:
        try:
            row = db.execute("SELECT min(seq) FROM entry WHERE seq>?", (probe,)).fetchone()
            if row[0] is None:
                return None
            db.execute("SELECT * FROM entry WHERE seq=?", row).fetchone()
            return int(row[0]) - 1
        except sqlite3.Error:
            probe += step
            step *= 2
    return None


def intact_entries(
    book: LogbookReader, on_damage: OnDamage | None, kind: str | None = None
) -> Iterator[Entry]:
    """Iterate over intact entries; without `on_damage` the first damaged one raises an error.

    Raises
    ------
    LogbookDamagedError
        Without `on_damage`, at the first damaged entry.
    """
    if on_damage is None:
        yield from book.entries(kind)
        return
    with book.querying() as db:
        rows = list(readable_rows(db, on_damage))
    for seq, name, _, _, text, digest in rows:
        if kind in (None, name):
            try:
                yield parse_entry(text, digest, f"entry {seq}")
            except (LogbookDamagedError, AttributeError) as error:
                on_damage(seq, str(error))


def intact_channels(book: LogbookReader, on_damage: OnDamage | None) -> dict[int, ChannelKey]:
    """Number -> (instrument, channel, function), from the entries themselves."""
    return {
        int(body["id"]): (str(body["instrument"]), str(body["channel"]), str(body["function"]))
        for body in (entry.body for entry in intact_entries(book, on_damage, "channel"))
    }


def intact_blocks(book: LogbookReader, entries: Sequence[int], on_damage: OnDamage | None) -> list[BlockRow]:
    """Fetch blocks of readings that match their entries.

    Parameters
    ----------
    entries : sequence of int
        Numbers of their entries.

    Raises
    ------
    LogbookDamagedError
        Without `on_damage`, at the first damaged block.
    """
    query = (
        "SELECT entry, block.session, first_reading, count, data, text, digest FROM block"
        " JOIN entry ON entry.seq = block.entry WHERE block.entry BETWEEN ? AND ? ORDER BY block.entry"
    )
    found: list[BlockRow] = []
    left = set(entries)
    try:
        with book.querying() as db:
            rows = db.execute(query, (entries[0], entries[-1])).fetchall()
    except LogbookDamagedError:
        if on_damage is None:
            raise
        rows = []
        for seq in entries:
            with suppress(LogbookDamagedError), book.querying() as db:
                rows += db.execute(query, (seq, seq)).fetchall()
    for entry, session, first, count, data, text, digest in rows:
        if _vouched(first, count, data, text, digest):
            found.append((entry, session, first, count, data))
            left.discard(entry)
    for seq in sorted(left):
        fault = f"the readings of entry {seq} are missing or were altered"
        if on_damage is None:
            raise LogbookDamagedError(fault, hint="`benchlog record verify` shows what else is damaged")
        on_damage(seq, fault)
    return found


def _vouched(first: object, count: object, data: object, text: object, digest: object) -> bool:
    """Whether an entry's text matches its digest and the block it describes."""
    if not isinstance(text, str) or not isinstance(data, bytes):
        return False
    said = (
        f'"count":{count},',
        f'"first_reading":{first},',
        f'"sha256":"{hashlib.sha256(data).hexdigest()}"',
    )
    return hashlib.sha256(text.encode()).hexdigest() == digest and all(words in text for words in said)
