"""Forgeries of a logbook file, as somebody with SQLite and time could make them.

Each yields a name and a change to be made to a copy of the file. Those of `FILE_TELLS` contradict what is in the file
itself and must be found by looking at it alone; those of `HEAD_TELLS` do not, and show only against a digest that was
noted (or time-stamped, or signed) before.
"""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from helpers.forge import Database, Edit, Forgery, Rows, appended, edited, rechain

from benchlog.logbook.reading_block import RECORD


def insertions(rows: Rows) -> Iterator[Forgery]:
    """Rows put in at any number, with right digests of their own."""
    end = {"left": "nothing", "next": ""}
    for seq in (-(2**63), -1000, -1, 0, rows.last + 2, 2**31, 2**53, 2**62, 2**63 - 1):
        for kind, body in (
            ("note", {"text": "put in"}),
            ("session end", end),
            ("session begin", {"about": {}}),
        ):
            safe = seq if abs(seq) < 2**53 else 0  # what canonical JSON can hold

            def put_in(
                db: Database, seq: int = seq, kind: str = kind, body: Any = body, safe: int = safe
            ) -> None:
                appended(db, rows, kind, body, seq=safe if safe != 0 or seq == 0 else 1)
                db.execute("UPDATE entry SET seq=? WHERE seq=?", (seq, safe if safe != 0 or seq == 0 else 1))

            if safe != 0 or seq == 0:
                yield f"a {kind} at {seq}", put_in
    for first, last in ((-1000, -1), (-3, 0)):

        def many(db: Database, first: int = first, last: int = last) -> None:
            for seq in range(first, last + 1):
                appended(db, rows, "note", {"text": "x"}, seq=seq)

        yield f"notes from {first} to {last}", many


def hidden(rows: Rows) -> Iterator[Forgery]:
    """Tables, indexes, triggers and views that benchlog does not make, under any name."""
    renamed = "UPDATE sqlite_master SET name=?, tbl_name=CASE type WHEN 'table' THEN ? ELSE tbl_name END, sql=? WHERE name=?"
    for made, sql in (
        ("extra", "CREATE TABLE extra (data TEXT)"),
        ("extra", "CREATE UNIQUE INDEX extra ON entry (kind) WHERE kind='note' AND seq>1000000"),
        ("extra", "CREATE INDEX extra ON entry (time)"),
    ):
        for name in (
            "sqlite_autoindex_entry_1",
            "sqlite_autoindex",
            "sqlite_autoindex_result_9",
            "sqlite_hidden",
        ):

            def smuggle(db: Database, made: str = made, sql: str = sql, name: str = name) -> None:
                db.execute(sql)
                if "TABLE" in sql:
                    db.execute("INSERT INTO extra VALUES ('smuggled')")
                db.execute("PRAGMA writable_schema=ON")
                db.execute(renamed, (name, name, sql.replace(" extra", f" {name}", 1), made))

            yield f"{sql[:30]}... as {name}", smuggle
    for sql in (
        "CREATE TABLE extra (data TEXT)",
        "CREATE VIEW extra AS SELECT 1",
        "CREATE TRIGGER extra AFTER INSERT ON entry BEGIN SELECT 1; END",
        "CREATE INDEX extra ON entry (time)",
        "DROP INDEX entry_kind",
        "ALTER TABLE result ADD COLUMN more TEXT",
        "ALTER TABLE result ADD COLUMN more TEXT GENERATED ALWAYS AS ('x') VIRTUAL",
        "ALTER TABLE stream RENAME COLUMN next TO following",
        "ANALYZE",
        "PRAGMA user_version=1",
        "PRAGMA application_id=1",
    ):
        yield sql, lambda db, sql=sql: db.execute(sql) and None  # type: ignore[misc]


def other_texts(rows: Rows) -> Iterator[Forgery]:
    """Texts of right digest, with the rest of the chain computed anew, that are not canonical JSON."""
    for seq in {rows.first_of.get("result", rows.last), rows.first_of["logbook"], rows.last}:
        changes: dict[str, Callable[[str], str]] = {
            "a key twice, first": lambda t: t.replace(
                '{"body":{', '{"body":{"verdict":"pass","zz":1,"zz":2,', 1
            ),
            "a key twice, outside": lambda t: t[:-1] + ',"kind":"note"}',
            "blanks": lambda t: t.replace('":', '": ', 1),
            "a line end": lambda t: t + "\n",
            "escapes": lambda t: t.replace('"body"', '"\\u0062ody"', 1),
            "another order": lambda t: json.dumps(
                dict(reversed(json.loads(t).items())), separators=(",", ":")
            ),
            "NaN": lambda t: t.replace('{"body":{', '{"body":{"a":NaN,', 1),
            "infinity": lambda t: t.replace('{"body":{', '{"body":{"a":1e999,', 1),
            "minus zero": lambda t: t.replace('{"body":{', '{"body":{"a":-0,', 1),
            "1.0 for 1": lambda t: t.replace('{"body":{', '{"body":{"a":1.0,', 1),
            "5000 digits": lambda t: t.replace('{"body":{', '{"body":{"a":' + "1" * 5000 + ",", 1),
            "half a character": lambda t: t.replace('{"body":{', '{"body":{"a":"\\ud800",', 1),
            "deep": lambda t: t.replace('{"body":{', '{"body":{"a":' + "[" * 5000 + "]" * 5000 + ",", 1),
            "deeper than benchlog writes": lambda t: t.replace(
                '{"body":{', '{"body":{"a":' + "[" * 61 + "]" * 61 + ",", 1
            ),
            "a list": lambda t: "[1]",
            "empty": lambda t: "",
            "no body": lambda t: t.replace('"body"', '"bady"', 1),
            "body a list": lambda t: (
                t[: t.index("{", 1)] + "[1]" + t[t.rindex("}", 0, t.index(',"kind"')) + 1 :]
            ),
        }
        for name, change in changes.items():
            yield f"entry {seq}: {name}", lambda db, seq=seq, change=change: rechain(db, seq, change)  # type: ignore[misc]


#: Kinds whose bodies are whatever was put in them.
_FREE_KINDS = {
    *("note", "session begin", "session resume", "session end", "diagnosis", "doubt", "exploratory"),
    *("stop", "trouble"),
}
#: Fields that are shown as they are, or not read at all.
FREE = {
    "logbook": {"about", "benchlog", "logbook_id", "format"},
    "migration": {"benchlog", "from", "kept_copy"},
    "result": {"schema", "wiring", "details", "turns"},
    "recall undone": {"meter", "reason"},
}
#: Fields that an entry may lack: most of them are not in older ones.
_MAY_LACK = {
    "logbook": {"project"},
    "migration": {"project"},
    "readings": {"stream", "position"},
    "attachment": {"about", "media_type"},
    "substitution": {"on"},
    "supersede": {"replacement"},
    "standard": {"findings", "finding_kinds", "note", "standard_half_width"},
    "recall": {
        "after_entry",
        "to_entry",
        "error",
        "holds",
        "passed_on_it",
        "failed_on_it",
        "channel",
        "range",
    },
    "release": {"by", "rests_on"},
    "concession": {"by", "rests_on"},
    "step": {"by", "rests_on"},
}
_MAY_BE_NULL = {
    "capture": {"start", "times"},
    "supersede": {"replacement"},
    "recall": {"error", "range"},
    "standard": {"standard_half_width"},
    "substitution": {"on"},
    "result": {"conformance_probability"},
}
#: Measured numbers; all others are counts, or numbers of entries.
_MEASURED = {
    *("value", "standard_value", "resolution", "error", "e_n", "range", "set_back_s", "interval_s"),
    *("conformance_probability", "standard_half_width"),
}


def wrong_shapes(rows: Rows) -> Iterator[Forgery]:
    """Each field of an entry of benchlog's own, of another type or gone, with the rest chained anew."""
    for kind, seq in rows.first_of.items():
        if kind in _FREE_KINDS:
            continue
        may_lack = _MAY_LACK.get(kind, set())
        for name, held in rows.entries[seq]["body"].items():
            if name in FREE.get(kind, set()):
                continue
            required = name in ("verdict", "check", "reason") if kind == "result" else name not in may_lack
            null = held is None or name in _MAY_BE_NULL.get(kind, set())
            for value in ("x", [[1]], {"a": [None]}, 1e300, None, ...):
                if (
                    (isinstance(value, str) and isinstance(held, str))
                    or (isinstance(value, float) and name in _MEASURED)
                    or (value is None and null)
                    or (value is ... and not required)
                ):
                    continue

                def spoil(fields: dict[str, Any], name: str = name, value: Any = value) -> None:
                    if value is ...:
                        del fields["body"][name]
                    else:
                        fields["body"][name] = value

                label = "gone" if value is ... else repr(value)
                yield f"{kind} {seq}: {name} {label}", lambda db, seq=seq, spoil=spoil: edited(db, seq, spoil)  # type: ignore[misc]


def broken_rules(rows: Rows) -> Iterator[Forgery]:
    """Entries of right shape and digest that contradict the others."""

    def body(**values: Any) -> Edit:
        return lambda fields: fields["body"].update(values)

    def of(**values: Any) -> Edit:
        return lambda fields: fields.update(values)

    for name, kind, edit in (
        ("a time before the one before", "result", of(time="1999-01-01T00:00:00.000000000Z")),
        ("no time", "result", of(time="yesterday")),
        ("a month 13", "result", of(time="2026-13-01T00:00:00.000000000Z")),
        ("a session never begun", "result", of(session=99)),
        ("a negative session", "result", of(session=-1)),
        ("a wrong own number", "result", of(seq=1)),
        ("a kind turned into another", "note", of(kind="logbook")),
        ("readings that jump", "readings", body(first_reading=10**6)),
        ("readings of another year", "readings", body(first_time="2019-01-01T00:00:00.000000000Z")),
        ("more readings than there are", "readings", body(count=10**9)),
        ("samples of another digest", "capture", lambda f: f["body"]["channels"][0]["samples"].update(samples_sha256="0" * 64)),
        ("more samples than there are", "capture", lambda f: f["body"]["channels"][0]["samples"].update(samples=10**8)),
        ("another packing", "capture", lambda f: f["body"]["channels"][0]["samples"].update(encoding="none")),
        ("a size that is not", "attachment", body(size=1)),
        ("another channel number", "channel", body(id=2)),
        ("another step of the clock", "clock", body(set_back_s=1.0)),
    ):  # fmt: skip
        if kind in rows.first_of:
            yield name, lambda db, seq=rows.first_of[kind], edit=edit: edited(db, seq, edit)  # type: ignore[misc]
    for name, kind, added in (
        ("a comparison of meters without them", "result", {"check": "crosscheck", "verdict": "pass", "reason": "x", "details": {"meters": [1], "pairs": 3}}),
        ("a correction of nothing", "supersede", {"entry": rows.last + 900, "reason": "x"}),
        ("a correction of itself", "supersede", {"entry": rows.last + 1, "reason": "x"}),
        ("a correction of the beginning", "supersede", {"entry": 1, "reason": "x"}),
        ("a recall of what is to come", "recall", {"meter": "MA-01", "function": "V=", "reason": "x", "results": [{"entry": rows.last + 9, "check_id": "C01", "part": "T1", "class": "measure again"}]}),
        ("a recall of nothing undone", "recall undone", {"entry": rows.last + 9}),
        ("the beginning undone", "recall undone", {"entry": 1}),
        ("a release that rests on nothing", "release", {"hold": "H1", "step": "x", "rests_on": [{"check_id": "C01", "entry": rows.last + 9}]}),
        ("a signature of what is to come", "signature", {"entry": rows.last + 9, "digest": "0" * 64, "key": "x", "signature": "x"}),
        ("a second beginning", "logbook", rows.entries[1]["body"]),
        ("a result that is none", "result", {"hello": 1}),
        ("a clock entry for no step", "clock", {"set_back_s": 1.0, "before": "2020-01-01T00:00:00.000000000Z"}),
        ("readings without a block", "readings", rows.entries[rows.first_of["readings"]]["body"] if "readings" in rows.first_of else {}),
        ("an attachment without bytes", "attachment", {"name": "x", "size": 1, "sha256": "0" * 64, "about": ""}),
    ):  # fmt: skip
        yield name, lambda db, kind=kind, added=added: appended(db, rows, kind, added)  # type: ignore[misc]
    yield from _forged_blocks(rows)
    yield from _forged_samples(rows)


def _forged_blocks(rows: Rows) -> Iterator[Forgery]:
    """Blocks whose bytes were changed, with the digest in their entry, columns and chain to match."""
    if "readings" not in rows.first_of:
        return
    seq = rows.first_of["readings"]
    for name, value in (("state", 200), ("origin", 200), ("channel", 60_000), ("flags", 0xFFFF), ("displayed_length", 60_000), ("utc_ns", 1)):  # fmt: skip

        def forge(db: Database, name: str = name, value: int = value) -> None:
            count, data = db.execute("SELECT count, data FROM block WHERE entry=?", (seq,)).fetchone()
            table = np.frombuffer(data, RECORD, count).copy()
            table[name][0] = value
            data = table.tobytes() + data[count * RECORD.itemsize :]
            db.execute("UPDATE block SET data=? WHERE entry=?", (data, seq))
            edited(db, seq, lambda f: f["body"].update(sha256=hashlib.sha256(data).hexdigest()))

        yield f"a reading whose {name} is {value}", forge


def _forged_samples(rows: Rows) -> Iterator[Forgery]:
    """Samples exchanged for others, or for a bomb, with the digest of the packed bytes to match."""
    if "capture" not in rows.first_of:
        return
    seq = rows.first_of["capture"]
    for name, data in (
        (
            "other samples",
            zlib.compress(b"\1" * rows.entries[seq]["body"]["channels"][0]["samples"]["samples"]),
        ),
        ("a bomb", zlib.compress(b"\0" * 100_000_000)),
        ("bytes that are not packed", b"hello"),
        ("nothing", b""),
    ):

        def forge(db: Database, data: bytes = data) -> None:
            db.execute("UPDATE capture_data SET data=? WHERE entry=? AND part=0", (data, seq))
            digest = hashlib.sha256(data).hexdigest()
            edited(db, seq, lambda f: f["body"]["channels"][0]["samples"].update(sha256=digest))

        yield f"{name} in a capture", forge


FILE_TELLS: dict[str, Callable[[Rows], Iterator[Forgery]]] = {
    "rows put in": insertions,
    "hidden objects": hidden,
    "not canonical, chained anew": other_texts,
    "wrong shapes, chained anew": wrong_shapes,
    "against the rules, chained anew": broken_rules,
}


def honest_looking(rows: Rows) -> Iterator[Forgery]:
    """Entries rewritten without a contradiction."""
    if "note" in rows.first_of:
        seq = rows.first_of["note"]
        yield "a note rewritten", lambda db: edited(db, seq, lambda f: f["body"].update(text="all was well"))
    if "result" in rows.first_of:
        seq_result = rows.first_of["result"]
        yield (
            "a result's value rewritten",
            lambda db: edited(db, seq_result, lambda f: f["body"].update(reason="well inside")),
        )
    yield "the last entry cut off", lambda db: _cut(db, rows.last)
    yield "another entry at the end", lambda db: _exchanged_end(db, rows)


def _cut(db: Database, seq: int) -> None:
    entry = json.loads(db.execute("SELECT text FROM entry WHERE seq=?", (seq,)).fetchone()[0])
    if entry["kind"] in ("readings", "capture", "attachment", "result", "supersede", "channel"):
        raise ValueError(f"the last entry is a {entry['kind']}; end the session first")
    db.execute("DELETE FROM entry WHERE seq=?", (seq,))


def _exchanged_end(db: Database, rows: Rows) -> None:
    _cut(db, rows.last)
    before = Rows.__new__(Rows)
    before.entries, before.last = rows.entries, rows.last - 1
    appended(db, before, "note", {"text": "another end"})


HEAD_TELLS = honest_looking
