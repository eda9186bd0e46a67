"""Tables computed from entries alone: at most one row per entry, which replaces an older row with the same key. They
are filled as entries are written, and recomputed and compared when the logbook is verified."""

from __future__ import annotations

import sqlite3
from typing import Any

from benchlog.logbook.chain import Entry

#: Table -> columns, in the order of the rows that `derived_row` makes; the first is the key.
COLUMNS = {
    "channel": ("id", "entry", "instrument", "channel", "function", "unit"),
    "result": ("entry", "part", "check", "verdict"),
    "stream": ("name", "next", "entry"),
    "superseded": ("entry", "superseded_by"),
}


def derived_row(entry: Entry) -> tuple[str, tuple[Any, ...]] | None:
    """Return the table and row computed from an entry, or None."""
    body = entry.body
    match entry.kind:
        case "channel":
            names = ("instrument", "channel", "function", "unit")
            return "channel", (body["id"], entry.seq, *(body[name] for name in names))
        case "result":
            # The plan's id distinguishes checks of one kind on the same part.
            check = body.get("check_id") or body["check"]
            return "result", (entry.seq, body.get("part", ""), check, body["verdict"])
        case "readings" if "stream" in body:
            return "stream", (body["stream"], body["position"] + body["count"], entry.seq)
        case "supersede":
            return "superseded", (body["entry"], entry.seq)
        case _:
            return None


def insert_derived(db: sqlite3.Connection, entry: Entry) -> None:
    """Write the row computed from an entry."""
    found = derived_row(entry)
    if found is not None:
        table, row = found
        db.execute(f"INSERT OR REPLACE INTO {table} VALUES ({','.join('?' * len(row))})", row)  # noqa: S608 - fixed names
