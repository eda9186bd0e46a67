"""Forge a logbook in every way that comes to mind, one at a time: what the file alone can show must be found.

    benchlog demo --out /some/folder && python tests/performance/forgeries.py /some/folder/kc1.logbook

Works on a copy. Every stored field is edited, rows are put in, objects hidden, entries rewritten with the whole rest of
the chain computed anew. Then come forgeries that contradict nothing: these must pass, and fall to a noted head. Prints
a table, and every forgery that went as it should not; exit code 1 if one did.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers.field_edits import edits, fields
from helpers.forge import Forgery, Rows, changed
from helpers.forgeries import FILE_TELLS, HEAD_TELLS

from benchlog.logbook.verify import verify


def single_edits(source: Path) -> Iterator[Forgery]:
    """One stored field, changed a little."""
    for table, column, where, key, value in fields(source):
        statement, values = f'UPDATE {table} SET "{column}"=? WHERE {where}', (edits(value)[0], *key)

        def change(
            db: sqlite3.Connection, statement: str = statement, values: tuple[object, ...] = values
        ) -> None:
            db.execute(statement, values)

        yield f"{table}.{column} of {key}: {str(value)[:40]!r}", change


def tried(
    group: str, forgeries: Iterator[Forgery], source: Path, target: Path, right: Callable[[Path], bool]
) -> tuple[int, list[str]]:
    """Try a group; returns how many, and those that went wrong."""
    count, wrong, slowest = 0, [], 0.0
    for name, change in forgeries:
        try:
            changed(source, target, change)
        except sqlite3.Error:
            continue  # SQLite itself refuses it
        count += 1
        began = time.perf_counter()
        if not right(target):
            wrong.append(f"{group}: {name}")
        slowest = max(slowest, time.perf_counter() - began)
        for leftover in target.parent.glob(f"{target.name}-*"):
            leftover.unlink()
    print(f"| {group} | {count} | {len(wrong)} | {slowest:.1f} s |", flush=True)
    return count, wrong


def main() -> int:
    """Try all."""
    parser = argparse.ArgumentParser(description="Forge a logbook in every way, one at a time.")
    parser.add_argument("logbook", type=Path)
    parser.add_argument("--no-edits", action="store_true", help="leave the edits of single fields out")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        source, target = Path(folder) / "whole.logbook", Path(folder) / "forged.logbook"
        with closing(sqlite3.connect(args.logbook)) as db, closing(sqlite3.connect(source)) as copy:
            db.backup(copy)
            copy.execute("PRAGMA journal_mode=WAL")
        whole = verify(source)
        if not whole.ok:
            sys.exit(f"{args.logbook} does not verify as it is: {whole.first}")
        rows, total, wrong = Rows(source), 0, []
        print("| forgery | tried | not as it should be | slowest |\n|---|---|---|---|")
        groups = {name: make(rows) for name, make in FILE_TELLS.items()}
        if not args.no_edits:
            groups["single edits"] = single_edits(source)
        for name, forgeries in groups.items():
            count, missed = tried(name, forgeries, source, target, lambda path: not verify(path).ok)
            total, wrong = total + count, wrong + missed
        for name, right in (
            ("rewritten without a contradiction: the file alone", lambda path: verify(path).ok),
            (
                "rewritten without a contradiction: a noted head",
                lambda path: not verify(path, head=whole.head).ok,
            ),
        ):
            count, missed = tried(name, HEAD_TELLS(rows), source, target, right)
            total, wrong = total + count, wrong + missed
    print(f"{total} forgeries, {len(wrong)} not as they should be")
    for line in wrong:
        print(f"  {line}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
