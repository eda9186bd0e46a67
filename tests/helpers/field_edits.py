"""A logbook's file changed behind benchlog's back: every stored field, small edits of each, one statement."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any


def alter(path: Path, statement: str, values: tuple[Any, ...] = ()) -> None:
    """Run one statement of SQL on the file."""
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA synchronous=OFF")
        with db:
            db.execute(statement, values)


def edits(value: Any) -> list[Any]:
    """Small edits of one stored value, of its own type."""
    if value is None:
        return [0.0]
    if isinstance(value, bytes):
        return [bytes([value[0] ^ 1]) + value[1:], value[:-1], value + b"\0"]
    if isinstance(value, str):
        return [value[:-1] + chr(ord(value[-1]) ^ 1) if value else "x", value + " "]
    if isinstance(value, int):
        return [value + 1, value - 1]
    return [value * (1 + 2.3e-16) if value else 1e-300, None]


def fields(path: Path) -> list[tuple[str, str, str, tuple[Any, ...], Any]]:
    """Every stored field: table, column, condition on the key, key, value."""
    found = []
    with closing(sqlite3.connect(path)) as db:
        tables = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
        for table in tables:
            info = db.execute(f"PRAGMA table_info({table})").fetchall()
            keys = [row[1] for row in info if row[5]]
            where = " AND ".join(f'"{key}"=?' for key in keys)
            for row in db.execute(f"SELECT * FROM {table}"):
                named = dict(zip([column[1] for column in info], row, strict=True))
                key = tuple(named[k] for k in keys)
                found += [(table, column, where, key, value) for column, value in named.items()]
    return found
