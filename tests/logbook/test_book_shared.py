"""A logbook that several programs or threads write at once."""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import pytest
from helpers.small_logbook import some_readings

from benchlog.clock import ManualClock
from benchlog.errors import LogbookLockedError
from benchlog.logbook import Logbook
from benchlog.logbook.verify import verify


def test_waiting_for_another_program_is_said_once(tmp_path: Path) -> None:
    """Then the entry gets in."""
    path = tmp_path / "bench.logbook"
    notices = []
    with Logbook.open(path) as first, Logbook.open(path) as second:
        release, held = threading.Event(), threading.Event()

        def hold() -> None:
            with first.transaction():
                held.set()
                release.wait(20)

        holder = threading.Thread(target=hold)
        holder.start()
        held.wait(20)
        second.on_wait = lambda: (notices.append(1), release.set())
        assert second.append("note", {"text": "in the end"}).seq == 2
        holder.join()
    assert notices == [1]


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
