"""A terminal with single keys, a live line and a bell; a pipe with plain lines."""

from __future__ import annotations

import io
import os
import re
import threading
import time
from collections.abc import Iterator
from typing import Literal, get_args, get_type_hints

import pytest
from helpers.systems import needs_terminals

from benchlog.guide.person import InputEndedError, Prompt, ScriptedPerson
from benchlog.guide.terminal import HABIT_S, Terminal
from benchlog.reading import Function, Reading

pytestmark = needs_terminals

READING = Reading(Function.AC_VOLTS, 27.75, 0.01, "27.75 V", instrument="MA-01")


class Screen:
    """The two ends of a pseudo terminal."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        self.out = os.fdopen(os.dup(self.slave), "w")
        self.source = os.fdopen(os.dup(self.slave), "r")
        self.text = ""

    def type(self, text: str) -> None:
        os.write(self.master, text.encode())

    def type_when(self, *steps: tuple[str, str]) -> None:
        """Type each text once what it waits for is on the screen; one thread reads that, so none takes another's."""

        def wait() -> None:
            for shown, text in steps:
                while shown not in self.text:
                    self.text += os.read(self.master, 65536).decode(errors="replace")
                os.write(self.master, text.encode())

        threading.Thread(target=wait, daemon=True).start()

    def seen(self) -> str:
        self.out.flush()
        time.sleep(0.02)
        os.set_blocking(self.master, False)
        while True:
            try:
                self.text += os.read(self.master, 65536).decode()
            except BlockingIOError:
                return self.text

    def close(self) -> None:
        self.out.close()
        self.source.close()
        os.close(self.slave)
        os.close(self.master)


@pytest.fixture
def screen() -> Iterator[Screen]:
    made = Screen()
    yield made
    made.close()


@pytest.fixture
def terminal(screen: Screen) -> Iterator[Terminal]:
    with Terminal(out=screen.out, source=screen.source) as made:
        yield made


@pytest.mark.parametrize(
    ("prompt", "key", "answer"),
    [
        (Prompt("hookup", "tips on"), "\n", ""),
        (Prompt("hookup", "tips on"), "s", "s"),
        (Prompt("hookup", "tips on"), "Q", "q"),
        (Prompt("confirm", "lit?"), "y", "y"),
        (Prompt("confirm", "lit?"), "N", "n"),
        (Prompt("choice", "look", choices=("in order", "wrong range")), "2", "wrong range"),
        (Prompt("choice", "look", choices=("in order", "wrong range")), "u", "u"),
        (Prompt("next", "C01 done."), "\n", ""),
        (Prompt("next", "C01 done."), "\x1b[Au", "u"),
        (Prompt("next", "C01 done.", choices=("again", "diagnose")), "\nd", "diagnose"),
        (Prompt("next", "C01 done.", choices=("again", "diagnose")), "A", "again"),
        (Prompt("last", "Finished.", choices=("again",)), "\n", ""),
    ],
)
def test_one_key_answers_without_enter(
    prompt: Prompt, key: str, answer: str, screen: Screen, terminal: Terminal
) -> None:
    screen.type_when((prompt.text, key))
    assert terminal.answer(prompt) == answer
    assert prompt.text in screen.seen()


@pytest.mark.parametrize("kind", get_args(get_type_hints(Prompt)["kind"]))
def test_a_question_mark_helps_at_every_prompt(kind: str, screen: Screen, terminal: Terminal) -> None:
    """It is shown what can be answered, and the question comes again; Enter ends each of these."""
    choices = ("in order", "wrong range") if kind == "choice" else ()
    prompt = Prompt(kind, "what now?", choices=choices)  # type: ignore[arg-type]
    single = kind in ("hookup", "confirm", "choice", "next", "last")
    screen.type_when(("what now?", "?" if single else "?\n"))

    def then() -> None:
        while screen.text.count("what now?") < 2:
            screen.text += os.read(screen.master, 65536).decode(errors="replace")
        time.sleep(HABIT_S + 0.1)
        os.write(screen.master, {"confirm": b"y", "choice": b"1"}.get(kind, b"\n"))

    threading.Timer(0.3, then).start()
    assert terminal.answer(prompt) != "?"
    shown = screen.seen()
    assert len(shown.split("what now?")[1].strip()) > 15
    assert shown.count("what now?") == 2


def test_many_choices_are_listed_below_and_none_is_broken(
    screen: Screen, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On 40 columns, too, nothing is cut within a word."""
    monkeypatch.setenv("COLUMNS", "40")
    words = ("in order", "wrong function", "wrong range", "lead in current jack")
    text = "Look at dial, jacks and symbols, without moving tips or dial."
    screen.type_when(("4 lead in current jack", "4"))
    assert terminal.answer(Prompt("choice", text, choices=words)) == "lead in current jack"
    lines = screen.seen().replace("\r\n", "\n").splitlines()
    assert "    1 in order, 2 wrong function," in lines
    assert any(line.endswith("4 lead in current jack") for line in lines)
    assert max(map(len, lines)) <= 40 + len("lead in current jack")


def test_a_long_line_breaks_between_words_and_hangs_behind_its_mark(
    screen: Screen, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    terminal.show("  ! mains inside the case: leave it closed, attach clips with the plug out")
    lines = screen.seen().replace("\r\n", "\n").splitlines()
    assert max(map(len, lines)) <= 40
    assert all(line.startswith("    ") and line[4] != " " for line in lines[1:])


def test_an_arrow_key_means_nothing(screen: Screen, terminal: Terminal) -> None:
    screen.type_when(("lit?", "\x1b[Ay"))
    assert terminal.answer(Prompt("confirm", "lit?")) == "y"


@pytest.mark.parametrize("kind", ["hookup", "confirm", "display", "quantity", "text"])
def test_a_question_mark_explains_and_the_enter_behind_it_answers_nothing(
    kind: Literal["hookup", "confirm", "display", "quantity", "text"], screen: Screen, terminal: Terminal
) -> None:
    screen.type_when(("tips on", "?\n"))
    threading.Timer(HABIT_S + 0.3, screen.type, ["s\n"]).start()
    assert terminal.answer(Prompt(kind, "tips on")) == "s"
    assert screen.seen().count("tips on") == 2


@pytest.mark.parametrize(
    ("typed", "answer"),
    [
        ("5.01 ohm\n", "5.01 ohm"),
        ("wait, not yet\n", "wait, not yet"),
        (" \n", " "),
        ("5\x7f\n", "5"),  # rubbed out again: still not Enter alone
    ],
)
def test_text_at_a_hook_up_is_never_enter_alone(
    typed: str, answer: str, screen: Screen, terminal: Terminal
) -> None:
    screen.type_when(("tips on", typed))
    assert terminal.answer(Prompt("hookup", "tips on")) == answer


def test_the_end_of_input_is_one_clear_error(screen: Screen, terminal: Terminal) -> None:
    screen.type_when(("lit?", "\x04"))
    with pytest.raises(InputEndedError, match="input ended"):
        terminal.answer(Prompt("confirm", "lit?"))


def test_the_terminal_is_left_as_it_was(screen: Screen) -> None:
    import termios

    before = termios.tcgetattr(screen.slave)
    with Terminal(out=screen.out, source=screen.source) as terminal:
        screen.type_when(("lit?", "y"))
        terminal.answer(Prompt("confirm", "lit?"))
        terminal.live("  27.7 V")
    assert termios.tcgetattr(screen.slave) == before


def test_a_value_that_settles_stays_on_one_line_and_keys_are_heard(
    screen: Screen, terminal: Terminal
) -> None:
    """Each value takes the place of the one before; a key pressed meanwhile is there to be asked for."""
    for value in ("12.10 V", "27.74 V"):
        terminal.live(f"  MA-01  {value}")
    screen.type("\n\nt")
    time.sleep(0.02)
    assert terminal.pressed() == "t"
    assert terminal.pressed() == ""
    terminal.show("taken")
    shown = screen.seen()
    assert "\n" not in shown.partition("taken")[0].replace("\r\n", "\n")
    assert shown.partition("taken")[0].split("\r") == [
        "",
        "  MA-01  12.10 V",
        "  MA-01  27.74 V",
        " " * len("  MA-01  27.74 V"),
        "",
    ]
    assert terminal.pressed() == ""


def test_the_bell_rings_when_a_reading_is_taken(screen: Screen, terminal: Terminal) -> None:
    terminal.taken(READING)
    assert "\a" in screen.seen()


def test_a_long_question_breaks_between_words(screen: Screen, terminal: Terminal) -> None:
    screen.type_when(("clips of", "\n"))
    terminal.answer(Prompt("hookup", "clips of the meter on the output of the supply " * 3))
    lines = screen.seen().split("\n")
    assert max(len(re.sub(r"\x1b\[[^m]*m", "", line).rstrip()) for line in lines) <= 80


# ---- a plain pipe ----


def test_a_pipe_gets_lines_no_bell_and_no_codes() -> None:
    out, source = io.StringIO(), io.StringIO("y\n27.75\n")
    person = Terminal(out=out, source=source)
    assert not person.interactive
    person.live("12.1 V")
    person.taken(READING)
    person.show("  expected: 27 V", style="bold")
    assert person.answer(Prompt("confirm", "lit?")) == "y"
    assert person.answer(Prompt("display", "volts?")) == "27.75"
    assert "\x1b" not in out.getvalue()
    assert "\a" not in out.getvalue()
    assert "12.1" not in out.getvalue()
    with pytest.raises(InputEndedError) as error:
        person.answer(Prompt("confirm", "lit?"))
    assert "same command" in error.value.hint


def test_a_file_of_answers_names_what_is_missing() -> None:
    person = ScriptedPerson([], out=io.StringIO())
    with pytest.raises(InputEndedError, match="C03/no_load") as error:
        person.answer(Prompt("display", "no-load voltage?", "C03/no_load"))
    assert "C03/no_load: ..." in error.value.hint


def test_another_key_at_a_yes_or_no_question_shows_which_keys_answer(
    screen: Screen, terminal: Terminal
) -> None:
    screen.type_when(("lit?", "x"), ("type y or n", "n"))
    assert terminal.answer(Prompt("confirm", "lit?")) == "n"


def test_a_word_typed_where_a_key_answers_is_answered_once(screen: Screen, terminal: Terminal) -> None:
    """Its letters answer nothing, not even the n of ohm's neighbour."""
    screen.type_when(("lit?", "4k7 ohm n"), ("type y or n", "y"))
    assert terminal.answer(Prompt("confirm", "lit?")) == "y"
    assert screen.seen().count("type y or n") == 1


@pytest.mark.parametrize("typed", ["y\n", "s\n", "blah\n"])
@pytest.mark.parametrize("kind", ["next", "last"])
def test_nothing_but_its_keys_goes_on_after_a_pass(
    kind: Literal["next", "last"], typed: str, screen: Screen, terminal: Terminal
) -> None:
    """Not the Enter behind a word either; and what the keys are is said."""
    screen.type_when(("C01: pass.", typed), ("press one of the keys shown", "u"))
    assert terminal.answer(Prompt(kind, "C01: pass.")) == "u"


def test_a_hint_is_not_broken_where_it_fits_into_a_line(
    screen: Screen, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "42")
    screen.type_when(("q stop]", "\n"))
    terminal.answer(Prompt("hookup", "clips of MB-02 on T1, plug in"))
    lines = screen.seen().replace("\r\n", "\n").splitlines()
    assert lines[:2] == ["? clips of MB-02 on T1, plug in", "  [Enter done, s skip, u undo, q stop]"]


@pytest.mark.parametrize("typed", ["2.0 V", "1 V", "2"])
def test_a_reading_that_begins_with_the_number_of_a_choice_picks_none(
    typed: str, screen: Screen, terminal: Terminal
) -> None:
    """What is asked for is said; the same figure alone answers."""
    alone = len(typed) == 1
    screen.type_when(("steady?", f"{typed}\n"), *([] if alone else [("from 1 to 2", "1")]))
    assert terminal.answer(Prompt("choice", "steady?", choices=("steady", "jumps"))) == (
        "jumps" if alone else "steady"
    )
    assert (f"'{typed}' is not one of the choices" in screen.seen()) is not alone


@pytest.mark.parametrize("typed", ["0.02 V ac", "4.22 V ac"])
def test_a_reading_typed_slowly_where_a_key_answers_picks_no_answer(
    typed: str, screen: Screen, terminal: Terminal
) -> None:
    """Nobody types a reading in half a second: the 2 in it is not the second answer."""

    def slowly() -> None:
        for key in f"{typed}\n1":
            time.sleep(HABIT_S + 0.1 if key in "12" else 0.01)
            os.write(screen.master, key.encode())

    threading.Timer(0.3, slowly).start()
    assert terminal.answer(Prompt("choice", "steady?", choices=("steady", "jumps"))) == "steady"
    assert screen.seen().count("press a number from 1 to 2") == 1


def test_enter_at_a_result_that_is_not_a_pass_shows_once_what_goes_on(
    screen: Screen, terminal: Terminal
) -> None:
    prompt = Prompt("next", "C01: fail.", choices=("again", "diagnose"))
    screen.type_when(("C01: fail.", "\n\n\n"), ("press s to leave it", "s"))
    assert terminal.answer(prompt) == "s"
    assert screen.seen().count("press s to leave it") == 1


def test_the_rest_of_yes_answers_nothing_at_the_next_question(screen: Screen, terminal: Terminal) -> None:
    """The s of yes would skip."""
    screen.type_when(("lit?", "y"), ("tips on", "es\n"))
    assert terminal.answer(Prompt("confirm", "lit?")) == "y"
    threading.Timer(HABIT_S + 0.3, os.write, (screen.master, b"\n")).start()
    assert terminal.answer(Prompt("hookup", "tips on")) == ""


def test_help_explains_each_choice_and_shows_again_what_must_stay_in_view(
    screen: Screen, terminal: Terminal
) -> None:
    choices, meanings = ("in order", "hold shown", "relative shown", "blank"), ("", "HOLD", "REL", "")
    terminal.keep_in_view([("  60 %  an open lead", "")])
    screen.type_when(("what now?", "?"), ("relative shown: REL", "3"))
    prompt = Prompt("choice", "what now?", choices=choices, meanings=meanings)
    assert terminal.answer(prompt) == "relative shown"
    assert "an open lead" in screen.seen().partition("relative shown: REL")[0]


def test_a_prompt_is_as_wide_as_the_terminal_and_the_answer_goes_below(
    screen: Screen, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    screen.type_when(("help]", "27 V\n"))
    assert (
        terminal.answer(Prompt("outcome", "Turn to V=, clip on the same points. Read the display.")) == "27 V"
    )
    lines = screen.seen().replace("\r", "").splitlines()
    assert max(map(len, lines)) <= 40
    assert any(len(line) > 33 for line in lines)
