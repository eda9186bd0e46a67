"""The record shows any change, reads in a text editor, and needs neither network nor account."""

from __future__ import annotations

import hashlib
import json
import random
import socket
import sqlite3

import pytest
from helpers.desk import Desk


def test_any_changed_byte_of_an_entry_names_the_entry(story_end: Desk) -> None:
    """One byte of the text of one entry, at a place drawn at random, ten times: verify names that entry, exit 5."""
    rng = random.Random(13)
    whole = story_end.logbook.read_bytes()
    for _ in range(10):
        story_end.logbook.write_bytes(whole)
        with sqlite3.connect(story_end.logbook) as db:
            rows = db.execute("SELECT seq, text FROM entry").fetchall()
            seq, text = rng.choice(rows)
            at = rng.randrange(len(text))
            changed = text[:at] + chr(33 + (ord(text[at]) - 32) % 90) + text[at + 1 :]
            db.execute("UPDATE entry SET text=? WHERE seq=?", (changed, seq))
        db.close()
        said = story_end.run("record", "verify", "--json")
        assert said.code == 5
        assert said.json["first"]["entry"] == seq


def test_it_reads_in_a_text_editor(story_end: Desk) -> None:
    """The export is lines of text: each reading with its time, meter, digits and unit, each entry with its digest's chain."""
    story_end.run("record", "export", "--jsonl", story_end.folder / "out")
    entries = (story_end.folder / "out" / "entries.jsonl").read_bytes().splitlines()
    previous = "0" * 64
    for line in entries:
        assert json.loads(line)["previous"] == previous
        previous = hashlib.sha256(line).hexdigest()
    assert previous in story_end.run("record", "verify").words
    first = json.loads(
        (story_end.folder / "out" / "readings.jsonl").read_text(encoding="utf-8").splitlines()[0]
    )
    assert first["displayed"]
    assert first["instrument"]
    assert first["time"].startswith("2026-03-02")


def test_it_opens_without_a_network(story_end: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """With every socket refused, status, verify, show, certificate and export do their work."""

    def refused(*args: object, **kwargs: object) -> None:
        raise OSError("no network here")

    monkeypatch.setattr(socket, "socket", refused)
    monkeypatch.setattr(socket, "getaddrinfo", refused)
    plan = story_end.folder / "plan.toml"
    assert story_end.run("status", plan).code == 0
    assert story_end.run("record", "verify").code == 0
    assert story_end.run("record", "show").code == 0
    assert (
        story_end.run("record", "certificate", "--plan", plan, "--out", story_end.folder / "c.html").code == 0
    )
    assert story_end.run("record", "export", "--csv", story_end.folder / "csv").code == 0
