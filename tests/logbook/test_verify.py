"""Verification: every alteration is found and named; a damaged file is never a crash."""

from __future__ import annotations

import json
import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from helpers.field_edits import alter, edits, fields

from benchlog.cli import main
from benchlog.errors import BenchlogError, LogbookError, UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.chain import compose, parse_entry
from benchlog.logbook.verify import Verification, verify
from benchlog.logbook.view import LogbookView

SCRIPT = Path(__file__).with_name("check_chain.py")


def verified(path: Path, statement: str, values: tuple[Any, ...] = ()) -> Verification:
    """Change the file behind benchlog's back, then verify."""
    alter(path, statement, values)
    return verify(path)


def test_a_logbook_as_written_verifies(small_file: Path) -> None:
    """Nothing is found where nothing was done."""
    found = verify(small_file)
    assert found.ok
    assert found.first is None
    with Logbook.open(small_file, mode="ro") as book:
        assert (found.entries, found.head) == (book.head().seq, book.head().digest)


def test_every_edit_of_every_field_of_every_table_is_found(small_file: Path, tmp_path: Path) -> None:
    """One changed field, wherever it is, whatever the change: the logbook no longer verifies, and says where."""
    target = tmp_path / "edited.logbook"
    whole = small_file.read_bytes()
    tried = 0
    tables = set()
    for table, column, where, key, value in fields(small_file):
        for new in edits(value):
            target.write_bytes(whole)
            try:
                found = verified(target, f'UPDATE {table} SET "{column}"=? WHERE {where}', (new, *key))
            except sqlite3.IntegrityError:
                continue  # the file itself refuses this value
            assert not found.ok, f"{table}.{column} of {key}: {value!r} to {new!r} passes"
            assert found.first is not None
            tried += 1
            tables.add(table)
            if table == "entry" and column == "text":
                assert found.first.entry == key[0]
    assert tables == {
        "entry",
        "block",
        "capture_data",
        "attachment",
        "channel",
        "result",
        "stream",
        "superseded",
        "rollup",
    }
    assert tried > 200


@pytest.mark.parametrize("pragma", ["user_version=1", "user_version=0"])
def test_what_the_file_says_of_itself_is_checked(small: Path, pragma: str) -> None:
    """The schema version is in the file's head and in its entries."""
    assert not verified(small, f"PRAGMA {pragma}").ok


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE extra (a)",
        "DROP INDEX entry_kind",
        "CREATE INDEX more ON entry (time)",
        "ALTER TABLE result ADD COLUMN b TEXT",
        "CREATE VIEW v AS SELECT 1",
    ],
)
def test_a_changed_schema_is_found(small: Path, statement: str) -> None:
    """Tables and indexes are as benchlog makes them, no more and no fewer."""
    assert not verified(small, statement).ok


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM block WHERE entry = (SELECT min(entry) FROM block)",
        "DELETE FROM capture_data WHERE part = 1",
        "DELETE FROM attachment",
        "DELETE FROM channel WHERE id = 1",
        "DELETE FROM result",
        "DELETE FROM stream",
        "DELETE FROM superseded",
        "DELETE FROM rollup WHERE channel = 2",
        "INSERT INTO rollup SELECT channel, bucket + 9, ok, not_ok, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0 FROM rollup LIMIT 1",
        "INSERT INTO superseded VALUES (2, 3)",
        "INSERT INTO attachment VALUES ('00', 1, x'00')",
        "INSERT INTO capture_data VALUES (2, 0, x'00')",
        "INSERT INTO block SELECT 2, session, 30, count, first_utc_ns, last_utc_ns, data FROM block LIMIT 1",
    ],
)
def test_rows_taken_out_or_put_in_are_found(small: Path, statement: str) -> None:
    """Nothing hanging off an entry may be missing, nothing may be there without an entry."""
    assert not verified(small, statement).ok


def test_a_logbook_being_written_verifies(small: Path) -> None:
    """Entries that come while it is verified do not look like damage."""
    with Logbook.open(small) as book:
        template = book.readings_of(next(book.entries("readings")).seq)

        def more(done: int, total: int) -> None:
            book.append_readings(template)
            book.append_result(next(book.results())[1])

        found = verify(small, progress=more)
        assert found.faults == ()
        assert found.entries < book.head().seq


def test_a_missing_entry_is_named(small: Path) -> None:
    """From the middle of the chain."""
    found = verified(small, "DELETE FROM entry WHERE seq = 5")
    assert found.first is not None
    assert (found.first.entry, found.first.what) == (5, "entry 5 is missing")


def test_entries_closed_up_over_a_gap_are_named(small: Path) -> None:
    """Renumbering the rest does not help: each text says its own number."""
    alter(small, "DELETE FROM entry WHERE seq = 10")
    found = verified(small, "UPDATE entry SET seq = seq - 1 WHERE seq > 10")
    assert found.first is not None
    assert found.first.entry == 10
    assert "says it is entry 11" in found.first.what


def test_exchanged_entries_are_named(small: Path) -> None:
    """Two entries in each other's place."""
    with closing(sqlite3.connect(small)) as db, db:
        db.execute("UPDATE entry SET seq = -1 WHERE seq = 8")
        db.execute("UPDATE entry SET seq = 8 WHERE seq = 9")
        db.execute("UPDATE entry SET seq = 9 WHERE seq = -1")
    first = verify(small).first
    assert first is not None
    assert first.entry == 8
    assert "reordered" in first.what


def rewrite(path: Path, seq: int, body: dict[str, Any], *, whole_rest: bool) -> Verification:
    """Forge an entry with a right digest; with `whole_rest` also every entry after it, as an owner could."""
    with closing(sqlite3.connect(path)) as db, db:
        previous = None
        for number, text, digest in db.execute(
            "SELECT seq, text, digest FROM entry WHERE seq>=? ORDER BY seq", (seq,)
        ):
            entry = parse_entry(text, digest)
            if number == seq:
                previous = entry.previous
            elif not whole_rest:
                break
            text, previous = compose(
                number,
                entry.kind,
                entry.session,
                entry.time,
                str(previous),
                body if number == seq else entry.body,
            )
            db.execute("UPDATE entry SET text=?, digest=? WHERE seq=?", (text, previous, number))
    return verify(path)


def note_of(path: Path) -> int:
    """Number of the note."""
    with Logbook.open(path, mode="ro") as book:
        return next(book.entries("note")).seq


def test_a_forged_entry_with_a_right_digest_is_named(small: Path) -> None:
    """The entry after it has the digest of the true one."""
    note = note_of(small)
    found = rewrite(small, note, {"text": "cover is off"}, whole_rest=False)
    assert found.first is not None
    assert found.first.entry == note
    assert "altered or replaced" in found.first.what


def test_a_chain_forged_to_its_end_shows_only_against_a_noted_head(small: Path) -> None:
    """What a sole owner can do, and what a digest noted outside is for."""
    with Logbook.open(small, mode="ro") as book:
        noted = book.head().digest
    assert rewrite(small, note_of(small), {"text": "cover is off"}, whole_rest=True).ok
    found = verify(small, head=noted)
    assert not found.ok
    assert "noted digest" in found.faults[0].what


def test_a_tail_cut_off_shows_only_against_a_noted_head(small: Path) -> None:
    """The last entry taken out leaves a shorter chain that is whole."""
    with Logbook.open(small, mode="ro") as book:
        noted = book.head()
    assert verified(small, "DELETE FROM entry WHERE seq = ?", (noted.seq,)).ok
    found = verify(small, head=f"sha256:{noted.digest}")
    assert not found.ok
    assert "cut off" in found.faults[0].what


def test_a_noted_head_tells_how_far_it_vouches(small: Path) -> None:
    """Up to its entry, not beyond; part of a digest is enough, nonsense is refused."""
    with Logbook.open(small) as book:
        noted = book.head()
        book.append("note", {"text": "later"})
    found = verify(small, head=noted.digest[:12].upper())
    assert found.ok
    assert found.noted == (
        f"entries 1 to {noted.seq} are not altered since this digest was noted; 1 entries were added since"
    )
    for bad in ("abc", "no digest", "0" * 65):
        with pytest.raises(UsageError):
            verify(small, head=bad)


def test_a_digest_with_one_wrong_character_is_a_slip_of_typing(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It still proves nothing, but the logbook is not called altered."""
    with Logbook.open(small, mode="ro") as book:
        digest = book.head().digest
    other = {"0": "1"}.get
    typed, worse = (
        "".join(other(c, "0") if i in wrong else c for i, c in enumerate(digest))
        for wrong in ({20}, {20, 40})
    )
    words = ["record", "verify", "--logbook", str(small), "--head"]
    assert main([*words, typed]) == 5
    said = " ".join(capsys.readouterr().out.split())
    assert "differs in one character" in said
    assert "the chain itself is intact" in said
    assert "not intact" not in said
    assert main([*words, typed, "--json"]) == 5
    assert json.loads(capsys.readouterr().out)["first"]["mistyped"]
    for heads in ([worse], [typed, "--head", worse]):
        assert main([*words, *heads]) == 5
        assert capsys.readouterr().out.startswith("▲ not intact: no entry has the noted digest")
    assert not verified(small, "DELETE FROM entry WHERE seq = 1").ok
    assert main([*words, typed]) == 5
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("▲ not intact: entry 1 is missing")
    assert "itself is intact" not in said


def test_an_alteration_before_a_noted_head_is_not_vouched_for(small: Path) -> None:
    """The noted digest may still be there; that does not make the entries before it good."""
    with Logbook.open(small, mode="ro") as book:
        noted = book.head().digest
    alter(small, "UPDATE entry SET text = replace(text, 'cover', 'Cover') WHERE kind = 'note'")
    found = verify(small, head=noted)
    assert not found.ok
    assert "is not intact" in found.noted


def test_a_page_of_text_and_sha256_are_enough(small: Path) -> None:
    """A short script that knows nothing of benchlog comes to the same conclusions."""

    def check(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-I", str(SCRIPT), str(small), *words],
            capture_output=True,
            encoding="utf-8",
            check=False,
        )

    source = SCRIPT.read_text(encoding="utf-8")
    assert "benchlog" not in source.split('"""')[2]
    head = verify(small).head
    assert check(head).stdout.split() == [str(verify(small).entries), "entries,", "head", head]
    assert check("0" * 64).returncode == 1
    note = note_of(small)
    alter(small, "UPDATE entry SET text = replace(text, 'cover', 'Cover') WHERE seq = ?", (note,))
    assert check().stderr.strip() == f"entry {note} was altered"


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE capture_data SET data = x'00' WHERE part = 1", "capture"),
        ("DELETE FROM capture_data WHERE part = 2", "capture"),
        ("UPDATE attachment SET data = x'00'", "attachment"),
        ("DELETE FROM block WHERE entry = (SELECT min(entry) FROM block)", "readings"),
        ("UPDATE entry SET text = '[' WHERE seq = 4", "the logbook is damaged"),
        ("UPDATE entry SET text = '[1]' WHERE seq = 4", "the logbook is damaged"),
        ("DROP TABLE capture_data", "the logbook is damaged"),
    ],
)
def test_the_short_script_checks_what_entries_keep_and_ends_in_words(
    small: Path, statement: str, said: str
) -> None:
    """Captures, attachments, blocks; never a traceback."""
    alter(small, statement)
    words = [sys.executable, "-I", str(SCRIPT), str(small)]
    done = subprocess.run(words, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 1
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def content(path: Path) -> list[Any]:
    """All that is stored, table by table."""
    with closing(sqlite3.connect(path)) as db:
        tables = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type='table' ORDER BY name")]
        return [(table, db.execute(f"SELECT * FROM {table}").fetchall()) for table in tables]


def use_everything(path: Path, *modes: str) -> None:
    """Read all there is and append; anything but benchlog's own errors goes through."""
    for mode in modes:
        try:
            with Logbook.open(path, mode=mode) as book:
                for entry in book.entries():
                    if entry.kind == "readings":
                        book.readings_of(entry.seq)
                    if entry.kind == "capture":
                        book.capture(entry.seq)
                list(book.results())
                LogbookView(book).reading_arrays()
                book.append("note", {"text": "after the damage"})
        except BenchlogError:
            continue


def test_random_byte_flips_are_named_or_harmless_and_never_a_crash(small: Path, tmp_path: Path) -> None:
    """A hundred flipped bytes, one at a time: found, or in a place that holds nothing."""
    rng = random.Random(7)
    with Logbook.open(small) as book:
        book.attach(rng.randbytes(50_000), "photo.jpg")
        for entry in list(book.entries("readings")):
            book.append_readings(book.readings_of(entry.seq) * 20)
        for number in range(100):
            book.append("note", {"text": f"note {number}"})
    whole = small.read_bytes()
    before = content(small)
    found_damage = 0
    target = tmp_path / "flipped.logbook"
    for turn in range(100):
        spoilt = bytearray(whole)
        spoilt[rng.randrange(len(whole))] ^= rng.randrange(1, 256)
        target.write_bytes(spoilt)
        try:
            ok = verify(target).ok
        except LogbookError:
            ok = False
        if ok:
            assert content(target) == before
        else:
            found_damage += 1
        use_everything(target, "ro" if turn % 3 == 0 else "rw")
        for leftover in tmp_path.iterdir():
            leftover.unlink()
    assert found_damage > 50  # the rest of so small a file is unused room in its pages


def test_a_file_cut_short_is_damage(small_file: Path, tmp_path: Path) -> None:
    """At any length."""
    whole = small_file.read_bytes()
    target = tmp_path / "short.logbook"
    for length in (1, 16, 100, 4096, 20_000, len(whole) - 4096, len(whole) - 1):
        target.write_bytes(whole[:length])
        assert not verify(target).ok, length
        use_everything(target, "ro", "rw")


def test_what_is_intact_is_still_read(small: Path) -> None:
    """An altered entry costs itself, not the others."""
    note = note_of(small)
    alter(small, "UPDATE entry SET text = replace(text, 'cover', 'Cover') WHERE seq = ?", (note,))
    with Logbook.open(small, mode="ro") as book:
        assert [r.verdict for _, r in book.results()] == ["fail", "pass"]
        assert len(LogbookView(book).readings()) == 30
        with pytest.raises(LogbookError, match=f"entry {note} was altered"):
            list(book.entries("note"))


def test_a_missing_file_is_not_a_logbook(tmp_path: Path) -> None:
    """One clear error."""
    with pytest.raises(UsageError):
        verify(tmp_path / "none.logbook")
    (tmp_path / "notes.txt").write_text("buy wire")
    assert "not a logbook" in verify(tmp_path / "notes.txt").faults[0].what
