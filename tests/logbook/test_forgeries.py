"""What the file alone can show is found; what only a noted head can show is found with that. The long version, over the
demo's logbook, is `tests/performance/forgeries.py`."""

from __future__ import annotations

import random
import re
import sqlite3
from pathlib import Path

import pytest
from helpers.forge import Rows, changed, edited, rechain
from helpers.forgeries import FILE_TELLS, FREE, HEAD_TELLS

from benchlog.cli import main
from benchlog.clock import parse_rfc3339, rfc3339
from benchlog.logbook.kinds import SHAPES
from benchlog.logbook.verify import verify


def test_every_kind_of_entry_is_forged(full_file: Path) -> None:
    """Else a new kind could be of any shape; witnesses need an authority and a key, and have tests of their own."""
    assert Rows(full_file).first_of.keys() >= {*SHAPES, "result"} - {"migration", "anchor", "signature"}


def test_what_the_demo_writes_is_described(demo: tuple[Path, object, float]) -> None:
    """Each field of each entry that has a shape is in it, or its type would not be checked."""
    for entry in Rows(demo[0] / "kc1.logbook").entries.values():
        if (shape := SHAPES.get(entry["kind"])) is not None:
            known = set(shape.__struct_encode_fields__) | FREE.get(entry["kind"], set())
            assert entry["body"].keys() <= known, entry["kind"]


@pytest.mark.parametrize("group", FILE_TELLS)
def test_what_the_file_alone_can_show_is_found(full_file: Path, tmp_path: Path, group: str) -> None:
    """However right the digests are."""
    target = tmp_path / "forged.logbook"
    tried = 0
    for name, change in FILE_TELLS[group](Rows(full_file)):
        try:
            changed(full_file, target, change)
        except sqlite3.Error:
            continue  # SQLite itself refuses it
        found = verify(target)
        assert not found.ok, name
        assert found.first is not None
        tried += 1
    assert tried > 15


def test_another_story_shows_against_a_noted_head_only(small_file: Path, tmp_path: Path) -> None:
    """The limit of what a chain can do, and what a head is noted for."""
    noted = verify(small_file).head
    target = tmp_path / "forged.logbook"
    for name, change in HEAD_TELLS(Rows(small_file)):
        changed(small_file, target, change)
        assert verify(target).ok, name
        assert not verify(target, head=noted).ok, name


COMMANDS = (
    ["record", "list", "--all"],
    ["record", "show"],
    ["record", "show", "{seq}"],
    ["record", "verify"],
    ["record", "export", "--csv", "{folder}/csv", "--jsonl", "{folder}/jsonl"],
    ["record", "certificate", "--out", "{folder}/certificate.html"],
    ["record", "note", "x"],
)


def test_no_command_trips_over_an_entry_of_wrong_shape(
    full_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is named, with exit code 5, or does not concern the command."""
    rows = Rows(full_file)
    forgeries = [
        forgery
        for group in (
            "not canonical, chained anew",
            "wrong shapes, chained anew",
            "against the rules, chained anew",
        )
        for forgery in FILE_TELLS[group](rows)
    ]
    for number, (name, change) in enumerate(random.Random(5).sample(forgeries, 25)):
        folder = tmp_path / str(number)
        folder.mkdir()
        target = folder / "forged.logbook"
        changed(full_file, target, change)
        named = re.match(r"\w+ (\d+):", name)
        seq = named[1] if named else "3"
        for words in COMMANDS:
            filled = [w.format(seq=seq, folder=folder) for w in words]
            code = main([*filled, "--logbook", str(target)])
            said = "".join(capsys.readouterr())
            assert "did not foresee" not in said, (name, words, said[-300:])
            assert code in (0, 5), (name, words, code, said[-300:])


@pytest.mark.parametrize("seq", [1, 5, -1])
def test_the_entry_is_named(small_file: Path, tmp_path: Path, seq: int) -> None:
    """By its number, also below one."""
    rows = Rows(small_file)
    target = tmp_path / "forged.logbook"
    if seq < 0:
        changed(small_file, target, dict(FILE_TELLS["rows put in"](rows))["a session end at -1"])
    else:
        changed(small_file, target, lambda db: rechain(db, seq, lambda text: text.replace('":', '": ', 1)))
    first = verify(target).first
    assert first is not None
    assert first.entry == seq


def test_time_going_back_needs_its_clock_entry(small_file: Path, tmp_path: Path) -> None:
    """By more than a time service slews."""
    rows = Rows(small_file)
    target = tmp_path / "forged.logbook"
    seq = rows.first_of["note"]
    before = parse_rfc3339(rows.entries[seq - 1]["time"])
    for back_ns, ok in ((5_000_000, True), (60_000_000_000, False)):
        time = rfc3339(before - back_ns)
        changed(small_file, target, lambda db, time=time: edited(db, seq, lambda f: f.update(time=time)))
        assert verify(target).ok is ok
