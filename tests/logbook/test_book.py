"""The logbook: appended to, kept, read back, under all that can go wrong around it."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from helpers.field_edits import alter
from helpers.logbook_torture import fill_up, small_file_system
from helpers.small_logbook import START, a_result, some_readings
from helpers.systems import needs_file_modes

from benchlog.clock import ManualClock
from benchlog.errors import (
    LogbookDamagedError,
    LogbookError,
    LogbookFullError,
    LogbookLockedError,
    LogbookVersionError,
    UsageError,
)
from benchlog.logbook import Logbook
from benchlog.logbook.database import APPLICATION_ID, SCHEMA_VERSION
from benchlog.logbook.rollup import rolled_up
from benchlog.logbook.verify import verify
from benchlog.logbook.view import LogbookView
from benchlog.result import Verdict


def test_a_closed_logbook_is_told_as_closed(book: Logbook) -> None:
    """Not as damaged."""
    book.close()
    for use in (book.head, lambda: book.append("note", {"text": "x"}), lambda: list(book.entries())):
        with pytest.raises(UsageError, match="was closed"):
            use()


@pytest.mark.parametrize("body", [None, [1], "text", 3, ("a", 1)])
def test_what_is_not_names_and_values_is_refused(book: Logbook, body: Any) -> None:
    """It would be a last entry that nothing can be appended to."""
    with pytest.raises(UsageError):
        book.append("note", body)
    with pytest.raises(UsageError, match="can't hold this"):
        book.append("release", {"step": "opened"})
    with pytest.raises(UsageError, match="entry 9, which does not exist"):
        book.append("release", {"hold": "H1", "step": "x", "rests_on": [{"check_id": "C01", "entry": 9}]})
    with pytest.raises(UsageError, match="entry 1 is not a recall"):
        book.append("recall undone", {"entry": 1})
    assert book.append("note", {"text": "goes on"}).seq == 2


def test_a_long_double_is_kept_as_a_number(book: Logbook) -> None:
    """Its `item()` gives a long double again."""
    ref = book.append("note", {"value": np.longdouble(1.5)})
    assert book.entry(ref.seq).body == {"value": 1.5}


def test_waiting_for_another_program_is_told_once(tmp_path: Path) -> None:
    """Then the entry gets in."""
    path = tmp_path / "bench.logbook"
    told = []
    with Logbook.open(path) as first, Logbook.open(path) as second:
        release, held = threading.Event(), threading.Event()

        def hold() -> None:
            with first.transaction():
                held.set()
                release.wait(20)

        holder = threading.Thread(target=hold)
        holder.start()
        held.wait(20)
        second.on_wait = lambda: (told.append(1), release.set())
        assert second.append("note", {"text": "in the end"}).seq == 2
        holder.join()
    assert told == [1]


@pytest.mark.slow
def test_fifty_commands_at_once_all_get_in(tmp_path: Path) -> None:
    """In a folder without a logbook yet: one makes it, all write into it."""
    words = [sys.executable, "-c", "from benchlog.start import main; main()", "record", "note", "x"]
    running = [
        subprocess.Popen(words, cwd=tmp_path, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL)
        for _ in range(50)
    ]
    errors = [program.communicate()[1] for program in running]
    assert [program.returncode for program in running] == [0] * 50, errors
    with Logbook.open(tmp_path / "bench.logbook", mode="ro") as book:
        assert len(list(book.entries("note"))) == 50


def test_what_is_appended_is_read_back(book: Logbook, clock: ManualClock) -> None:
    """Readings, results and notes come back equal, each entry resting on the one before."""
    readings = some_readings(clock)
    ref = book.append_readings(readings)
    assert book.readings_of(ref.seq) == readings
    result = a_result()
    placed = book.result(book.append_result(result).seq)
    assert (placed.quantities, placed.limits, placed.verdict) == (
        result.quantities,
        result.limits,
        Verdict.PASS,
    )
    assert placed.record == book.record_of(book.head())
    note = book.append("note", {"text": "cover stays on"})
    assert book.entry(note.seq).body == {"text": "cover stays on"}
    entries = list(book.entries())
    assert [e.seq for e in entries] == list(range(1, len(entries) + 1))
    assert all(later.previous == earlier.digest for earlier, later in pairwise(entries))
    assert book.head() == note


def test_entries_can_be_chosen(book: Logbook) -> None:
    """By kind, place, session, from either end."""
    for number in range(6):
        book.append("note" if number % 2 else "remark", {"n": number})
    session = book.begin_session()
    book.append("note", {"n": 6})
    assert [e.body["n"] for e in book.entries("note")] == [1, 3, 5, 6]
    assert [e.body["n"] for e in book.entries("note", newest_first=True, limit=2)] == [6, 5]
    assert [e.body["n"] for e in book.entries(("note", "remark"), after=5)] == [4, 5, 6]
    assert [e.body.get("n") for e in book.entries(session=session)] == [None, 6]
    assert book.kinds() == ["logbook", "note", "remark", "session begin"]
    assert book.counts()["note"] == 4


def test_long_lists_of_entries_come_in_pieces(book: Logbook) -> None:
    """Iterating gives every entry once, in order, however many there are."""
    with book.transaction():
        for number in range(1203):
            book.append("note", {"n": number})
    assert [e.body["n"] for e in book.entries("note")] == list(range(1203))
    assert [e.body["n"] for e in book.entries("note", newest_first=True)] == list(range(1202, -1, -1))
    assert len(list(book.entries("note", limit=700))) == 700


def test_a_transaction_is_kept_whole_or_not_at_all(book: Logbook) -> None:
    """An error between two appends undoes the first; the book goes on."""
    head = book.head()

    def interrupted() -> None:
        with book.transaction():
            book.append("note", {"text": "first"})
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert book.head() == head
    assert book.append("note", {"text": "after"}).seq == head.seq + 1
    assert verify(book.path).ok


def test_a_part_that_fails_undoes_the_whole_transaction(book: Logbook, clock: ManualClock) -> None:
    """Even when the caller swallows the error: half an append is never kept."""

    def swallowing() -> None:
        with book.transaction():
            book.append("note", {"text": "first"})
            with suppress(UsageError):
                book.append_readings([msgspec.structs.replace(some_readings(clock)[0], raw=bytes(70_000))])

    head = book.head()
    with pytest.raises(LogbookError, match="a part of this transaction failed"):
        swallowing()
    assert book.head() == head
    assert verify(book.path).ok


@pytest.mark.parametrize("kind", ["result", "readings", "Note", "", "no\nte", "x" * 60])
def test_kinds_that_have_their_own_method_or_no_name_are_refused(book: Logbook, kind: str) -> None:
    """What tables are derived from is written in one place only."""
    with pytest.raises(UsageError):
        book.append(kind, {})


def test_a_correction_supersedes_and_never_overwrites(book: Logbook) -> None:
    """The wrong result stays, marked; the newest that counts is the other one."""
    wrong = book.append_result(a_result(Verdict.FAIL))
    right = book.append_result(a_result())
    book.append_result(a_result(part="T2"))
    mark = book.supersede(right.seq, "the lead was off", replacement=wrong.seq)
    assert book.superseded() == {right.seq: mark.seq}
    assert book.result(right.seq).verdict is Verdict.PASS
    for bad in (right.seq, mark.seq, 1, 99):
        with pytest.raises(UsageError):
            book.supersede(bad, "again")
    with pytest.raises(UsageError, match="reason"):
        book.supersede(wrong.seq, " ")


def test_a_session_that_was_cut_off_is_resumed_under_its_number(book: Logbook, clock: ManualClock) -> None:
    """A killed program leaves a session open; going on with it makes no second one."""
    assert book.begin_session({"plan": "kc1.toml"}) == 1
    book.close()
    with Logbook.open(book.path, clock=clock) as again:
        assert again.last_session() == (1, True)
        assert again.begin_session(resume=True) == 1
        again.end_session({"next": "load point"})
        assert again.last_session() == (1, False)
        assert again.begin_session(resume=True) == 2
        kinds = [e.kind for e in again.entries(session=1)]
    assert kinds == ["session begin", "session resume", "session end"]


def test_ending_no_session_is_refused(book: Logbook) -> None:
    """A session must have begun."""
    with pytest.raises(UsageError):
        book.end_session("done")


def test_readings_sent_again_are_kept_once(book: Logbook, clock: ManualClock) -> None:
    """A stream resumed from its last acknowledged place doubles nothing and leaves no hole."""
    readings = some_readings(clock, 30)
    first = book.append_readings(readings[:10], stream="run", position=0)
    assert book.append_readings(readings[:10], stream="run", position=0) == first
    second = book.append_readings(readings[5:20], stream="run", position=5)
    assert book.readings_of(second.seq) == readings[10:20]
    with pytest.raises(UsageError, match="missing"):
        book.append_readings(readings[25:], stream="run", position=25)
    book.append_readings(readings[20:], stream="run", position=20)
    assert [r for e in book.entries("readings") for r in book.readings_of(e.seq)] == readings
    assert verify(book.path).ok


def test_a_clock_set_back_is_written_down(book: Logbook, clock: ManualClock) -> None:
    """Order comes from the numbers; that the clock went back is an entry of its own."""
    clock.advance(3600)
    book.append("note", {"n": 1})
    clock.set_utc_ns(START)
    book.append("note", {"n": 2})
    book.append("note", {"n": 3})
    step = next(book.entries("clock"))
    assert step.body["set_back_s"] == 3600
    assert [e.kind for e in book.entries()] == ["logbook", "note", "clock", "note", "note"]
    assert verify(book.path).ok


def test_two_programs_write_in_turn(book: Logbook, clock: ManualClock) -> None:
    """Two open logbooks on one file keep one chain, and know each other's channels."""
    with Logbook.open(book.path, clock=clock) as other:
        for turn in range(4):
            (book, other)[turn % 2].append_readings(some_readings(clock, 3, instrument=f"M{turn // 2}"))
            (other, book)[turn % 2].append("note", {"turn": turn})
        assert len(book.channels()) == len(other.channels()) == 3
    assert verify(book.path).ok


def test_two_threads_share_one_logbook(book: Logbook, clock: ManualClock) -> None:
    """Appends from several threads are kept one after the other."""

    def write(tag: str) -> None:
        for number in range(40):
            book.append("note", {"by": tag, "n": number})

    threads = [threading.Thread(target=write, args=(tag,)) for tag in "abc"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    notes = [(e.body["by"], e.body["n"]) for e in book.entries("note")]
    assert len(notes) == 120
    assert all([n for by, n in notes if by == tag] == list(range(40)) for tag in "abc")
    assert verify(book.path).ok


def test_a_program_that_keeps_writing_gives_a_clear_error(book: Logbook, clock: ManualClock) -> None:
    """After the time-out: locked, with what to do; afterwards all goes on."""
    with Logbook.open(book.path, clock=clock, busy_timeout_s=0.05) as other:
        with book.transaction():
            book.append("note", {"n": 1})
            with pytest.raises(LogbookLockedError, match="another program") as caught:
                other.append("note", {"n": 2})
            assert "close the other program" in caught.value.hint
        assert other.append("note", {"n": 3}).seq == 3


@pytest.mark.parametrize("pages", range(24, 124, 11))
def test_a_full_disk_loses_nothing(tmp_path: Path, pages: int) -> None:
    """At whatever page the disk is full: a clear error, all that was acknowledged intact, writing goes on after."""
    error = fill_up(tmp_path / "bench.logbook", pages)
    assert "disk is full" in error.message
    assert "room" in error.hint


def test_a_really_full_file_system_loses_nothing(tmp_path: Path) -> None:
    """The same on a real file system of a megabyte, where this test may mount one."""
    with small_file_system(tmp_path / "small") as mount:
        if mount is None:
            pytest.skip("mounting a small file system is not allowed here")
        fill_up(mount / "bench.logbook", None)


def test_a_text_file_is_no_logbook_and_stays_as_it_was(tmp_path: Path) -> None:
    """Neither reading nor writing touches a file that is something else."""
    for name, content in [("notes.txt", b"buy wire\n"), ("picture.png", b"\x89PNG\r\n\x1a\n" + bytes(5000))]:
        path = tmp_path / name
        path.write_bytes(content)
        for mode in ("rw", "ro"):
            with pytest.raises(LogbookDamagedError, match="not a logbook"):
                Logbook.open(path, mode=mode)
        assert path.read_bytes() == content
    assert sorted(p.name for p in tmp_path.iterdir()) == ["notes.txt", "picture.png"]


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    """A SQLite file with other tables is not taken over."""
    path = tmp_path / "other.db"
    alter(path, "CREATE TABLE bookmarks (url TEXT)")
    with pytest.raises(LogbookDamagedError, match="another program"):
        Logbook.open(path)


def test_a_newer_logbook_is_refused(small: Path) -> None:
    """An older benchlog does not guess at a newer format."""
    alter(small, f"PRAGMA user_version={SCHEMA_VERSION + 1}")
    with pytest.raises(LogbookVersionError, match=f"version {SCHEMA_VERSION + 1}"):
        Logbook.open(small)


def test_a_trigger_in_the_file_is_refused(small: Path) -> None:
    """A logbook from elsewhere can't bring code that runs on the next entry."""
    alter(small, "CREATE TRIGGER t AFTER INSERT ON entry BEGIN DELETE FROM entry; END")
    with pytest.raises(LogbookDamagedError, match="trigger"):
        Logbook.open(small)
    assert any("trigger" in fault.what for fault in verify(small).faults)


def test_an_altered_last_entry_stops_writing(small: Path) -> None:
    """Nothing is appended to a head that does not hold."""
    alter(
        small,
        "UPDATE entry SET text = replace(text, 'next', 'nexd') WHERE seq = (SELECT max(seq) FROM entry)",
    )
    with pytest.raises(LogbookDamagedError, match="last entry"):
        Logbook.open(small)
    with Logbook.open(small, mode="ro") as book:
        assert len(list(book.entries("note"))) == 1


def test_an_empty_file_becomes_a_logbook_only_for_writing(tmp_path: Path) -> None:
    """A program killed before its first commit leaves an empty file; the next one goes on with it."""
    path = tmp_path / "bench.logbook"
    path.touch()
    with pytest.raises(LogbookDamagedError, match="empty"):
        Logbook.open(path, mode="ro")
    with Logbook.open(path) as book:
        assert book.head().seq == 1


def test_missing_files_and_folders_are_named(tmp_path: Path) -> None:
    """One clear error each."""
    with pytest.raises(UsageError, match="no logbook"):
        Logbook.open(tmp_path / "none.logbook", mode="ro")
    with pytest.raises(UsageError, match="no logbook"):
        Logbook.open(tmp_path / "none.logbook", create=False)
    with pytest.raises(LogbookFullError, match="can't be opened"):
        Logbook.open(tmp_path / "no" / "such" / "folder.logbook")
    with pytest.raises(LogbookFullError, match="folder"):
        Logbook.open(tmp_path)
    assert list(tmp_path.iterdir()) == []


@contextmanager
def as_nobody(folder: Path) -> Iterator[None]:
    """Be a user to whom permissions apply; root is one to whom they don't."""
    assert rolled_up  # imported before this user, who may not read Python's own folder, needs it
    if os.geteuid() != 0:
        yield
        return
    for parent in folder.parents:
        if parent.stat().st_uid == 0 and parent not in (Path("/"), Path("/tmp")):
            parent.chmod(parent.stat().st_mode | 0o011)
    os.setresuid(65534, 65534, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)


@needs_file_modes
def test_a_read_only_folder_can_be_read_and_not_written(small: Path) -> None:
    """A logbook on a write-protected disk or in another's folder is read; writing is refused in words."""
    small.chmod(0o444)
    small.parent.chmod(0o555)
    try:
        with as_nobody(small.parent):
            with Logbook.open(small, mode="ro") as book:
                assert len(list(book.entries())) > 10
                assert len(LogbookView(book).reading_arrays()) == 30
            assert verify(small).ok
            with pytest.raises(LogbookFullError) as caught:
                Logbook.open(small)
            with pytest.raises(LogbookFullError):
                Logbook.open(small.with_name("new.logbook"))
    finally:
        small.parent.chmod(0o755)
    assert caught.value.hint.startswith("check that file and folder")
    assert [p.name for p in small.parent.iterdir()] == [small.name]


@needs_file_modes
def test_writes_waiting_in_a_read_only_folder_are_not_passed_over(small: Path) -> None:
    """A write-ahead log that can't be replayed is an error that tells how to read it, not old data."""
    book = Logbook.open(small)
    book.append("note", {"text": "in the write-ahead log only"})
    wal = small.with_name(small.name + "-wal").read_bytes()
    book.close()
    small.with_name(small.name + "-wal").write_bytes(wal)
    small.parent.chmod(0o555)
    try:
        with as_nobody(small.parent), pytest.raises(LogbookFullError, match="writes waiting") as caught:
            Logbook.open(small, mode="ro")
    finally:
        small.parent.chmod(0o755)
    assert "copy" in caught.value.hint


def test_a_closed_logbook_is_one_file(book: Logbook, clock: ManualClock) -> None:
    """All writes are gathered into the file, so that copying it copies everything; closing twice is harmless."""
    book.append_readings(some_readings(clock))
    book.close()
    book.close()
    assert [p.name for p in book.path.parent.iterdir()] == ["bench.logbook"]
    assert int.from_bytes(book.path.read_bytes()[68:72], "big") == APPLICATION_ID


def test_the_first_entry_says_what_the_file_is(book: Logbook) -> None:
    """Format, schema version, project and an id of its own."""
    body = book.entry(1).body
    assert body["format"] == "benchlog.logbook/1"
    assert body["schema_version"] == SCHEMA_VERSION
    assert body["project"] == book.project == "KC-1"
    assert len(body["logbook_id"]) == 16


def test_reading_does_not_write(small: Path) -> None:
    """Opened for reading, the file stays as it is and appends are refused."""
    before = small.read_bytes()
    with Logbook.open(small, mode="ro") as book:
        with pytest.raises(UsageError, match="reading only"):
            book.append("note", {})
        assert LogbookView(book).readings().shape[0] == 30
    assert small.read_bytes() == before
    assert [p.name for p in small.parent.iterdir()] == [small.name]
