"""What is typed before its question is shown answers nothing, nor does the Enter that habit sends after a key."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator

import pytest
from helpers.systems import needs_terminals

from benchlog.guide.person import Prompt
from benchlog.guide.terminal import HABIT_S, Terminal

pytestmark = needs_terminals

LIT, TIPS = Prompt("confirm", "lit?"), Prompt("hookup", "tips on")


class Keyboard:
    """The keyboard of a terminal; types at once, or once a question is on the screen."""

    def __init__(self, master: int) -> None:
        self.master = master
        self.shown = b""

    def type(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def type_at(self, question: bytes, keys: bytes, *, late_s: float = 0.0) -> None:
        def wait() -> None:
            while question not in self.shown:
                self.shown += os.read(self.master, 65536)
            self.shown = b""
            time.sleep(late_s)
            self.type(keys)

        threading.Thread(target=wait, daemon=True).start()


@pytest.fixture
def keyboard() -> Iterator[tuple[Keyboard, Terminal]]:
    master, slave = os.openpty()
    with (
        os.fdopen(os.dup(slave), "w") as out,
        os.fdopen(os.dup(slave), "r") as source,
        Terminal(out=out, source=source) as terminal,
    ):
        yield Keyboard(master), terminal
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize("question", [LIT, TIPS])
def test_what_is_typed_before_its_question_answers_nothing(
    question: Prompt, keyboard: tuple[Keyboard, Terminal]
) -> None:
    typist, terminal = keyboard
    typist.type(b"\ny\n\n")
    typist.type_at(question.text.encode(), b"s")
    assert terminal.answer(question) == "s"


def test_enter_right_behind_a_key_is_passed_over(keyboard: tuple[Keyboard, Terminal]) -> None:
    typist, terminal = keyboard
    typist.type_at(b"lit?", b"y")
    assert terminal.answer(LIT) == "y"
    typist.type_at(b"tips on", b"\ns")
    assert terminal.answer(TIPS) == "s"


def test_only_one_enter_is_passed_over(keyboard: tuple[Keyboard, Terminal]) -> None:
    typist, terminal = keyboard
    typist.type_at(b"lit?", b"y")
    assert terminal.answer(LIT) == "y"
    typist.type_at(b"tips on", b"\n\n")
    assert terminal.answer(TIPS) == ""


def test_a_reason_typed_right_behind_its_key_is_kept_whole(keyboard: tuple[Keyboard, Terminal]) -> None:
    """s, Enter, then the reason: the reason is what was typed."""
    typist, terminal = keyboard
    typist.type_at(b"tips on", b"s\nno time\n")
    assert terminal.answer(TIPS) == "s"
    assert terminal.answer(Prompt("text", "why?")) == "no time"


def test_a_line_typed_before_its_question_is_dropped(keyboard: tuple[Keyboard, Terminal]) -> None:
    """A number meant for nobody must not become the next reading."""
    typist, terminal = keyboard
    typist.type(b"27.75\n")
    typist.type_at(b"volts?", b"12.0\n")
    assert terminal.answer(Prompt("display", "volts?")) == "12.0"


def test_a_later_enter_counts(keyboard: tuple[Keyboard, Terminal]) -> None:
    typist, terminal = keyboard
    typist.type_at(b"lit?", b"y")
    assert terminal.answer(LIT) == "y"
    typist.type_at(b"tips on", b"\n", late_s=HABIT_S + 0.1)
    began = time.monotonic()
    assert terminal.answer(TIPS) == ""
    assert time.monotonic() - began >= HABIT_S
