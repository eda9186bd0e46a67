"""The Enter that habit sends after a single key answers nothing."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator

import pytest

from benchlog.guide.person import Prompt
from benchlog.guide.terminal import HABIT_S, Terminal

pty = pytest.importorskip("pty", reason="this system has no pseudo terminals")

LIT, TIPS = Prompt("confirm", "lit?"), Prompt("hookup", "tips on")


@pytest.fixture
def keyboard() -> Iterator[tuple[int, Terminal]]:
    master, slave = pty.openpty()
    with os.fdopen(os.dup(slave), "w") as out, os.fdopen(os.dup(slave), "r") as source:
        yield master, Terminal(out=out, source=source)
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize("late_s", [0.0, 0.05])
def test_enter_right_behind_a_key_is_passed_over(keyboard: tuple[int, Terminal], late_s: float) -> None:
    """Whether it is there before the next question or comes just after."""
    master, terminal = keyboard
    os.write(master, b"y\n" if not late_s else b"y")
    assert terminal.answer(LIT) == "y"
    if late_s:
        threading.Timer(late_s, os.write, (master, b"\ns")).start()
    else:
        os.write(master, b"s")
    assert terminal.answer(TIPS) == "s"


def test_only_one_enter_is_passed_over(keyboard: tuple[int, Terminal]) -> None:
    master, terminal = keyboard
    os.write(master, b"y\n\n")
    assert terminal.answer(LIT) == "y"
    assert terminal.answer(TIPS) == ""


def test_a_line_is_not_ended_by_it(keyboard: tuple[int, Terminal]) -> None:
    """s, Enter, then the reason: the reason is what was typed."""
    master, terminal = keyboard
    os.write(master, b"s\nno time\n")
    assert terminal.answer(TIPS) == "s"
    assert terminal.answer(Prompt("text", "why?")) == "no time"


def test_a_later_enter_counts(keyboard: tuple[int, Terminal]) -> None:
    master, terminal = keyboard
    os.write(master, b"y")
    assert terminal.answer(LIT) == "y"
    threading.Timer(HABIT_S + 0.1, os.write, (master, b"\n")).start()
    began = time.monotonic()
    assert terminal.answer(TIPS) == ""
    assert time.monotonic() - began >= HABIT_S
