"""What somebody with SQLite can do to a logbook file: change an entry and chain the rest anew, or add one."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import rfc8785

Database = sqlite3.Connection
Forgery = tuple[str, Callable[[Database], None]]
Edit = Callable[[dict[str, Any]], None]


class Rows:
    """What the forger knows of the logbook."""

    def __init__(self, path: Path) -> None:
        with closing(sqlite3.connect(path)) as db:
            self.entries = {
                seq: json.loads(t) for seq, t in db.execute("SELECT seq, text FROM entry ORDER BY seq")
            }
        self.last = max(self.entries)
        self.first_of: dict[str, int] = {}
        for seq, entry in self.entries.items():
            self.first_of.setdefault(entry["kind"], seq)


def changed(source: Path, target: Path, change: Callable[[Database], None]) -> None:
    """Make a copy with a change in it."""
    target.write_bytes(source.read_bytes())
    with closing(sqlite3.connect(target)) as db:
        db.execute("PRAGMA synchronous=OFF")
        with db:
            change(db)


def digest_of(text: str) -> str:
    """SHA-256 of a text that may hold half characters."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def rechain(db: Database, seq: int, change: Callable[[str], str]) -> None:
    """Change the text of an entry, and compute every digest after it anew."""
    previous = None
    for number, text in db.execute(
        "SELECT seq, text FROM entry WHERE seq>=? ORDER BY seq", (seq,)
    ).fetchall():
        if number == seq:
            text = change(text)
        else:
            fields = json.loads(text)
            fields["previous"] = previous
            text = rfc8785.dumps(fields).decode()
        previous = digest_of(text)
        db.execute("UPDATE entry SET text=?, digest=? WHERE seq=?", (text, previous, number))


def edited(db: Database, seq: int, edit: Edit) -> None:
    """Edit the fields of an entry, columns beside it and the whole rest of the chain."""

    def change(text: str) -> str:
        fields = json.loads(text)
        edit(fields)
        return rfc8785.dumps(fields).decode()

    rechain(db, seq, change)
    fields = json.loads(db.execute("SELECT text FROM entry WHERE seq=?", (seq,)).fetchone()[0])
    db.execute(
        "UPDATE entry SET kind=?, session=?, time=? WHERE seq=?",
        (fields["kind"], fields["session"], fields["time"], seq),
    )


def appended(db: Database, rows: Rows, kind: str, body: Any, **fields: Any) -> None:
    """Append an entry with a right digest."""
    last = rows.entries[rows.last]
    seq = fields.pop("seq", rows.last + 1)
    (previous,) = db.execute("SELECT digest FROM entry WHERE seq=?", (rows.last,)).fetchone()
    entry = {"body": body, "kind": kind, "previous": previous, "seq": seq}
    entry |= {"session": last["session"], "time": last["time"], **fields}
    text = rfc8785.dumps(entry).decode()
    db.execute(
        "INSERT INTO entry VALUES (?,?,?,?,?,?)",
        (seq, kind, entry["session"], entry["time"], text, digest_of(text)),
    )
