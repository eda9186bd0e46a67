"""Questions of the four one-shot checks called without options; shows the full command at the end."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchlog.cli.parser import terminal_columns
from benchlog.displayed import parse_displayed
from benchlog.errors import BenchlogError, UsageError
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.reading import Function
from benchlog.units import parse_nameplate, parse_quantity

AC_OR_DC = "write '12 V ac 1 A' or '12 V dc 1 A'; on labels ~ is ac, and = or a line over three dashes is dc"


@dataclass(frozen=True, slots=True)
class Question:
    """One question about a check."""

    option: str  #: Option for the answer.
    text: str  #: What is asked.
    example: str  #: A valid answer.
    check: Callable[[str], object]  #: Raises `BenchlogError` if the answer is invalid.
    needed: bool = True  #: Whether an answer is required.
    prefix: str = ""  #: Put before the answer, such as a meter's tag.


def _ohms(text: str) -> None:
    parse_displayed(text, Function.OHMS)


def _file(text: str) -> None:
    if not Path(text).is_file():
        raise UsageError(
            f"there is no file {text!r}", hint="type its path; drag the file into the window to get it"
        )


def _expected(text: str) -> None:
    from benchlog.diagnosis import Case

    Case.from_text(text, "0")


def _shown(text: str) -> None:
    from benchlog.diagnosis.outcome import parse_shown

    parse_shown(text, what="reading")


def _word(text: str) -> None:
    if not text.strip():
        raise UsageError("a name is needed")


def _volts(text: str) -> None:
    parse_quantity(text, "V", what="mains")


def _nameplate(text: str) -> None:
    if parse_nameplate(text).coupling_assumed:
        raise UsageError(f"{text!r} does not say ac or dc", hint=AC_OR_DC)


def _turns(text: str) -> None:
    if parse_quantity(text, "1", what="turns").value <= 0:
        raise UsageError("turns must be above zero")


def _limit(text: str) -> None:
    parse_quantity(text, "ohm", what="highest resistance")


_ACCURACY = "Accuracy from the meter's manual: percent of reading + counts"
#: Questions of each command, called without options on a terminal.
QUESTIONS: dict[str, Sequence[Question]] = {
    "supply": (
        Question("--nameplate", "What is printed on the supply?", "24 V ac 40 VA", _nameplate),
        Question("--reading", "What does your meter show at its output, nothing connected?", "27.75 V ac", parse_displayed),
        Question("--accuracy", _ACCURACY, "1 % + 5", parse_accuracy, needed=False),
        Question("--mains", "Mains voltage right now, from a plug-in monitor", "229 V", _volts, needed=False),
    ),
    "diagnose": (
        Question("--expect", "What should the meter show?", "27 V ac", _expected),
        Question("--reading", "What does it show?", "0.003 V ac", _shown),
    ),
    "continuity": (
        Question("--reading", "What does your meter show?", "0.4 ohm", _ohms),
        Question("--lead-null", "And with the tips of its leads pressed together?", "0.2 ohm", _ohms, needed=False),
        Question("--max", "Highest resistance that is still good?", "1 ohm", _limit),
        Question("--accuracy", _ACCURACY, "0.8 % + 3", parse_accuracy, needed=False),
    ),
    "ratio": (
        Question("--capture", "File saved by the scope, both channels in it", "ct1.csv", _file),
        Question("--primary", "Channel on the one-turn loop", "CH1", _word),
        Question("--secondary", "Channel on the winding", "CH2", _word),
        Question("--expect", "How many turns should it have?", "60", _turns),
        Question(
            "--swapped", "Second file, with the two probes swapped (cancels their gain errors)", "ct1_swapped.csv",
            _file, needed=False,
        ),
    ),
    "crosscheck": (
        Question("--reading", "What does the first meter show?", "27.75 V ac", parse_displayed, prefix="A="),
        Question("--reading", "And the second one, on the same two points?", "27.9 V ac", parse_displayed, prefix="B="),
        Question("--accuracy", f"First meter. {_ACCURACY}", "1 % + 5", parse_accuracy, needed=False, prefix="A="),
        Question("--accuracy", f"Second meter. {_ACCURACY}", "1.2 % + 5", parse_accuracy, needed=False, prefix="B="),
    ),
}  # fmt: skip


def ask(
    given: Sequence[str], read: Callable[[str], str] = input, show: Callable[[str], object] = print
) -> list[str]:
    """Ask a command's questions; returns the arguments as typed on a command line.

    Parameters
    ----------
    given : sequence of str
        The command, one of `QUESTIONS`, and options that are not asked for.
    read : callable
        Shows a text and returns the line typed.
    show : callable
        Shows a line.

    Raises
    ------
    UsageError
        If the input ends too early.
    """
    words, command = list(given), given[0]
    show(f"benchlog {command} --help lists all options. Ctrl-C stops.")
    for question in QUESTIONS[command]:
        skip = "" if question.needed else "; Enter if you don't know"
        while True:
            try:
                show(f"{question.text}\n  e.g. {question.example}{skip}")
                answer = read("> ").strip()
            except EOFError:
                raise UsageError(
                    "the input ended before all questions were answered", hint=f"benchlog {command} --help"
                ) from None
            if not answer and question.needed:
                show("  This answer is needed.")
                continue
            try:
                if answer:
                    question.check(answer)
            except BenchlogError as error:
                show(f"  {error.message}{f': {error.hint}' if error.hint else ''}")
                continue
            break
        if answer:
            words += [question.option, question.prefix + answer]
    show(f"The same without questions:\n{_command_line(words)}\n")
    return words


def _command_line(words: Sequence[str]) -> str:
    """The command as typed; if too long for the screen, one option per line with a continuation that the shell joins."""
    line = f"  benchlog {shlex.join(words)}"
    if len(line) <= terminal_columns() or os.name == "nt":
        return line
    options = "".join(
        f" \\\n    {word}" if word.startswith("--") else f" {shlex.quote(word)}" for word in words
    )
    return f"  benchlog{options}"
