"""Copies of a logbook in other places, and whether two of them still agree.

A copy is complete and read-only, with its head digest in a file beside it. It is only replaced by a logbook that
continues it; two that differ are reported and never merged.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from contextlib import closing
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from benchlog.errors import LogbookError, UsageError
from benchlog.files import sync_folder, write_whole
from benchlog.logbook import database
from benchlog.logbook.book import Logbook
from benchlog.logbook.chain import EntryRef
from benchlog.logbook.reader import LogbookReader


class Relation(StrEnum):
    """Relation between two logbooks."""

    SAME = "same"
    FIRST_LONGER = "the first goes on"
    SECOND_LONGER = "the second goes on"
    FORKED = "forked"
    STRANGERS = "of other projects"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two logbooks compared."""

    relation: Relation
    common: int  #: Entries they share, from the first on.
    #: first, second: Their heads.
    first: EntryRef
    second: EntryRef


def compare(first: LogbookReader, second: LogbookReader) -> Comparison:
    """Compare two logbooks; verify both first (see `verify.verify`)."""
    heads = first.head(), second.head()
    low, high = 0, min(head.seq for head in heads)
    while low < high:  # equal digests mean equal entries up to there: bisect
        middle = (low + high + 1) // 2
        if first.entry(middle).digest == second.entry(middle).digest:
            low = middle
        else:
            high = middle - 1
    if low == heads[0].seq == heads[1].seq:
        relation = Relation.SAME
    elif low == 0:
        relation = Relation.STRANGERS
    elif low == heads[1].seq:
        relation = Relation.FIRST_LONGER
    elif low == heads[0].seq:
        relation = Relation.SECOND_LONGER
    else:
        relation = Relation.FORKED
    return Comparison(relation, low, *heads)


def copy_path(logbook: Path, folder: Path) -> Path:
    """Where the copy of a logbook in a folder is."""
    return folder / f"{logbook.stem}.copy{logbook.suffix}"


def make_copy(book: Logbook, folder: Path) -> Path:
    """Put a sealed copy of an open logbook into a folder, with its head digest beside it.

    Raises
    ------
    UsageError
        If the folder does not exist, or the copy in it is not an earlier state of this logbook.
    """
    if not folder.is_dir():
        raise UsageError(
            f"there is no folder {folder} for a copy", hint="is the stick plugged in, the disk there?"
        )
    target = copy_path(book.path, folder)
    if target.exists():
        with Logbook.open(target, mode="ro") as older:
            found = compare(book, older)
        if found.relation not in (Relation.SAME, Relation.FIRST_LONGER):
            raise UsageError(
                f"{target} is not an earlier state of {book.path}: {found.relation} after entry {found.common}",
                hint=f"benchlog record compare {book.path} {target}; move the copy elsewhere to keep it",
            )
    half = target.with_name(f".{target.name}.{os.urandom(4).hex()}.part")
    try:
        with database.mapped_errors(half), closing(sqlite3.connect(half)) as copy:
            with book.querying() as db:
                db.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")  # so that it can be read where nothing may be written
            head = EntryRef(
                *copy.execute("SELECT seq, digest FROM entry ORDER BY seq DESC LIMIT 1").fetchone()
            )
        half.chmod(stat.S_IREAD)
        if target.exists():
            target.chmod(stat.S_IREAD | stat.S_IWRITE)  # Windows can't replace a read-only file
        os.replace(half, target)
        sync_folder(folder)
        write_whole(folder / f"{target.name}.head.txt", f"sha256:{head.digest} entry {head.seq}\n")
    except OSError as error:
        raise UsageError(
            f"could not copy to {folder}: {error.strerror}", hint="is it full or write-protected?"
        ) from None
    finally:
        for leftover in (half, *database.beside(half)):
            leftover.unlink(missing_ok=True)
    return target


def copy_state(book: LogbookReader, folder: Path) -> str:
    """Say in words whether the copy in a folder is up to date."""
    target = copy_path(book.path, folder)
    if not target.exists():
        return f"{'no copy in' if folder.is_dir() else 'no folder for the copy,'} {folder}"
    try:
        with Logbook.open(target, mode="ro") as copy:
            found = compare(book, copy)
    except LogbookError as error:
        return f"the copy can't be read: {error.message}"
    behind = found.first.seq - found.second.seq
    if found.relation is Relation.SAME:
        return f"the copy in {folder} is up to date"
    if found.relation is Relation.FIRST_LONGER:
        return f"the copy in {folder} is {behind} entries behind"
    return f"the copy in {folder} differs from this logbook after entry {found.common}: see benchlog record compare"
