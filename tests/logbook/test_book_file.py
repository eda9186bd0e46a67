"""The logbook's file: full disks, folders that can't be written to, files that are something else."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from helpers.field_edits import alter
from helpers.logbook_torture import fill_up, small_file_system
from helpers.small_logbook import some_readings
from helpers.systems import needs_file_modes

from benchlog.clock import ManualClock
from benchlog.errors import (
    LogbookDamagedError,
    LogbookFullError,
    LogbookVersionError,
    UsageError,
)
from benchlog.logbook import Logbook
from benchlog.logbook.database import APPLICATION_ID, SCHEMA_VERSION
from benchlog.logbook.rollup import rolled_up
from benchlog.logbook.verify import verify
from benchlog.logbook.view import LogbookView


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


def test_a_text_file_is_not_a_logbook_and_stays_as_it_was(tmp_path: Path) -> None:
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
    """A write-ahead log that can't be replayed is an error that says how to read it, not old data."""
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
