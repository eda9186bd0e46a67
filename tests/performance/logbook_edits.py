"""Edit every single field of every table of a logbook, one at a time: each edit must be caught.

    benchlog demo --out /some/folder && python tests/performance/logbook_edits.py /some/folder/kc1.logbook

Works on a copy. Prints the edits tried by table, the slowest verification, and every edit that passed; exit code 1
if one did.
"""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from helpers.field_edits import edits, fields

from benchlog.logbook.verify import verify


def main() -> int:
    """Try all edits."""
    parser = argparse.ArgumentParser(description="Edit every field of a logbook, one at a time.")
    parser.add_argument("logbook", type=Path)
    source = parser.parse_args().logbook
    tried: Counter[str] = Counter()
    passed: list[str] = []
    slowest = 0.0
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "edited.logbook"
        for table, column, where, key, value in fields(source):
            new = edits(value)[0]
            shutil.copyfile(source, target)
            try:
                with closing(sqlite3.connect(target)) as db, db:
                    db.execute("PRAGMA synchronous=OFF")
                    db.execute(f'UPDATE {table} SET "{column}"=? WHERE {where}', (new, *key))
            except sqlite3.IntegrityError:
                continue  # the file itself refuses this value
            began = time.perf_counter()
            if verify(target).ok:
                passed.append(f"{table}.{column} of {key}: {str(value)[:40]!r} to {str(new)[:40]!r}")
            slowest = max(slowest, time.perf_counter() - began)
            tried[table] += 1
    for table, count in tried.items():
        print(f"{table:15} {count:6} edits")
    print(f"{sum(tried.values())} edits, {len(passed)} passed unseen, slowest verification {slowest:.2f} s")
    for line in passed:
        print(f"  not caught: {line}")
    return 1 if passed else 0


if __name__ == "__main__":
    sys.exit(main())
