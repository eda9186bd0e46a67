"""Reading a stranger's logbook: nothing beside it is played back, nothing is changed, nothing is waited for."""

from __future__ import annotations

import shutil
import sqlite3
import struct
from contextlib import closing
from functools import partial
from pathlib import Path

import pytest
from helpers.systems import make_device_link, make_link, make_pipe, make_socket

import benchlog
from benchlog.cli import main
from benchlog.clock import ManualClock
from benchlog.errors import BenchlogError, LogbookDamagedError, LogbookFullError
from benchlog.logbook import Logbook
from benchlog.logbook.verify import verify

MAGIC = bytes.fromhex("d9d505f920a163d7")  # SQLite file format, section 3: the rollback journal


def hot_journal(logbook: Path, victim: Path) -> Path:
    """A rollback journal beside a logbook whose super-journal is any file of the user.

    The SQLite file format (section 3.1) gives the header, the pager's source the record of the super-journal's name:
    page number, name, length, sum of its bytes, magic.
    """
    size = logbook.stat().st_size
    page = int.from_bytes(logbook.read_bytes()[16:18], "big")
    name = str(victim).encode()
    header = MAGIC + struct.pack(">IIIII", 0, 7, size // page, 512, page)
    lock_page = 0x40000000 // page + 1
    record = (
        struct.pack(">I", lock_page) + name + struct.pack(">II", len(name), sum(name) & 0xFFFFFFFF) + MAGIC
    )
    journal = logbook.with_name(logbook.name + "-journal")
    journal.write_bytes(header.ljust(512, b"\0") + record)
    return journal


@pytest.fixture
def attacked(small: Path, tmp_path: Path) -> tuple[Path, Path, Path]:
    """A stranger's logbook, its journal, and a file of the user's that the journal names."""
    victim = tmp_path / "thesis.txt"
    victim.write_text("my only copy")
    return small, hot_journal(small, victim), victim


def test_the_attack_is_real(attacked: tuple[Path, Path, Path]) -> None:
    """SQLite left alone does delete the file: otherwise the tests here would prove nothing."""
    logbook, _, victim = attacked
    with closing(sqlite3.connect(logbook)) as db:
        db.execute("SELECT count(*) FROM entry").fetchone()
    assert not victim.exists()


WAYS_IN = {
    "list": ["record", "list"],
    "verify": ["record", "verify"],
    "note": ["record", "note", "x"],
    "supply": ["supply", "--nameplate", "24 V ac 40 VA", "--reading", "27.75 V ac"],
}


@pytest.mark.parametrize("way", WAYS_IN)
def test_a_journal_beside_a_logbook_is_refused(
    attacked: tuple[Path, Path, Path], capsys: pytest.CaptureFixture[str], way: str
) -> None:
    """By every way in; the logbook, the journal and the file that it names stay as they were."""
    logbook, journal, victim = attacked
    before = logbook.read_bytes(), journal.read_bytes()
    assert main([*WAYS_IN[way], "--logbook", str(logbook)]) == 5
    said = " ".join("".join(capsys.readouterr()).split())
    assert "-journal beside the logbook is not benchlog's" in said
    for open_it in (benchlog.open, Logbook.open, partial(Logbook.open, mode="ro")):
        with pytest.raises(LogbookDamagedError, match="journal"):
            open_it(logbook)
    assert (logbook.read_bytes(), journal.read_bytes()) == before
    assert victim.read_text() == "my only copy"


def test_reading_leaves_the_file_byte_for_byte_also_with_writes_waiting(small: Path, tmp_path: Path) -> None:
    """A log that a killed program left beside it is read with it, and stays."""
    with Logbook.open(small, clock=ManualClock(10**18)) as book:
        book.append("note", {"text": "still in the log"})
        copy = tmp_path / "taken" / "b.logbook"
        copy.parent.mkdir()
        shutil.copy(small, copy)
        shutil.copy(small.with_name(small.name + "-wal"), copy.with_name("b.logbook-wal"))
    wal = copy.with_name("b.logbook-wal")
    before = copy.read_bytes(), wal.read_bytes()
    assert verify(copy).ok
    with Logbook.open(copy, mode="ro") as book:
        assert list(book.entries("note"))[-1].body == {"text": "still in the log"}
    assert (copy.read_bytes(), wal.read_bytes()) == before
    assert any("b.logbook-wal" in words for words in verify(copy).beside)


def test_reading_with_nothing_waiting_leaves_nothing_behind(small: Path) -> None:
    """Nor does it change the file."""
    before, names = small.read_bytes(), sorted(p.name for p in small.parent.iterdir())
    assert verify(small).ok
    assert verify(small).beside == ()
    with Logbook.open(small, mode="ro") as book:
        book.head()
    assert small.read_bytes() == before
    assert sorted(p.name for p in small.parent.iterdir()) == names


def special(path: Path, kind: str) -> None:
    """Something that is not an ordinary file."""
    if kind == "pipe":
        make_pipe(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "link that leads nowhere":
        make_link(path, path.with_name("elsewhere.logbook"))
    elif kind == "device":
        make_device_link(path)
    else:
        make_socket(path)


@pytest.mark.parametrize("kind", ["pipe", "folder", "link that leads nowhere", "device", "socket"])
@pytest.mark.parametrize("ending", ["", "-journal", "-wal", "-shm"])
def test_what_is_not_an_ordinary_file_is_refused_at_once(
    small_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, ending: str
) -> None:
    """As the logbook or beside it, for reading and for writing; a link makes no file elsewhere."""
    monkeypatch.chdir(tmp_path)
    logbook = tmp_path / "b.logbook"
    if ending:
        shutil.copy(small_file, logbook)
    special(logbook.with_name(logbook.name + ending), kind)
    for mode in ("ro", "rw"):
        with pytest.raises(LogbookFullError, match=kind):
            Logbook.open(logbook, mode=mode)
    with pytest.raises(BenchlogError, match=kind):
        verify(logbook)
    assert not (tmp_path / "elsewhere.logbook").exists()


@pytest.mark.parametrize("kind", ["pipe", "folder", "device", "socket"])
def test_captures_plans_and_attachments_are_ordinary_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str
) -> None:
    """A pipe would be waited for, a device read without end."""
    from benchlog.capture_files.load import load_capture
    from benchlog.logbook.attachment import read_file
    from benchlog.plan import read_plan

    monkeypatch.chdir(tmp_path)
    special(tmp_path / "it", kind)
    for read in (load_capture, read_plan, read_file):
        with pytest.raises(BenchlogError, match=kind):
            read(tmp_path / "it")


def test_a_log_without_its_logbook_is_reported(small: Path) -> None:
    """A new logbook would be made, and the writes in it lost."""
    wal = small.with_name("gone.logbook-wal")
    wal.write_bytes(b"x" * 100)
    with pytest.raises(LogbookDamagedError, match="without"):
        Logbook.open(small.with_name("gone.logbook"))
    assert wal.exists()


def test_a_new_logbook_is_there_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever goes wrong while it is made, nothing is left under its name or another."""
    from benchlog.logbook import database

    def fail(db: sqlite3.Connection) -> None:
        raise LogbookFullError("disk full")

    monkeypatch.setattr(database, "create_schema", fail)
    with pytest.raises(LogbookFullError):
        Logbook.open(tmp_path / "b.logbook")
    assert list(tmp_path.iterdir()) == []


def test_a_logbook_that_another_program_made_meanwhile_stays(tmp_path: Path) -> None:
    """The one that was there first is opened."""
    from benchlog.logbook import database

    path = tmp_path / "b.logbook"
    making = database.new_file(path)
    making.__enter__().write_bytes(b"second")
    path.write_bytes(b"first")
    with pytest.raises(FileExistsError):
        making.__exit__(None, None, None)
    assert path.read_bytes() == b"first"
    assert [p.name for p in tmp_path.iterdir()] == ["b.logbook"]
