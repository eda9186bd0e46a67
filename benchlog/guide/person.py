"""The source of answers: a person at a terminal, a pipe, a file, or a simulated operator."""

from __future__ import annotations

import sys
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, TextIO

from benchlog.errors import UsageError
from benchlog.hookup import Hookup
from benchlog.reading import Function, Reading
from benchlog.wording import strip_controls

#: Style of a danger, which the phone shows in red, too.
DANGER = "bold red"


class InputEndedError(UsageError):
    """The input has ended, so there are no more answers."""


@dataclass(frozen=True, slots=True)
class Prompt:
    """One thing asked of the person."""

    #: hookup: do this, then Enter. display: type what the meter shows. outcome: type the outcome of a check.
    #: quantity: a number with unit, or empty. confirm: y or n. choice: one of `choices`. text: free words.
    #: file: one or more paths. next: after a verdict, Enter goes on, or one of `choices` by its first letter.
    #: last: the same after the last check.
    kind: Literal[
        "hookup", "display", "outcome", "quantity", "confirm", "choice", "text", "file", "next", "last"
    ]
    text: str  #: What to do or to answer.
    key: str = ""  #: Its key for scripts, e.g. ``"C03/no_load"``.
    #: instrument, function: Which display, set to what.
    instrument: str = ""
    function: Function | None = None
    choices: tuple[str, ...] = ()  #: For ``choice``, ``next`` and ``last``.
    meanings: tuple[str, ...] = ()  #: What each of the choices means, for ``?``; or nothing.
    names: tuple[str, ...] = ()  #: For ``outcome``: the checks that may be answered instead.


class Person(ABC):
    """Answers prompts and is shown lines.

    Attributes
    ----------
    interactive : bool
        Whether a person can be asked what no script foresees: about slips and errors.
    columns, height : int
        Width and height of the screen.
    """

    interactive = False

    @property
    def columns(self) -> int:
        """Width of the screen, in characters."""
        return 80

    @property
    def height(self) -> int:
        """Height of the screen, in lines; more than anybody writes where nothing scrolls away."""
        return 10_000

    @abstractmethod
    def answer(self, prompt: Prompt) -> str:
        """Return the answer as typed, without the line end.

        Raises
        ------
        InputEndedError
            If the input has ended.
        """

    @abstractmethod
    def show(self, text: str = "", *, style: str = "") -> None:
        """Show a line."""

    def caution(self, text: str) -> None:
        """Show a caution that must be acted on now."""
        self.show(f"  ! {text}", style="bold")

    def keep_in_view(self, lines: Sequence[tuple[str, str]]) -> None:  # noqa: B027 - a pipe keeps all that was shown
        """Show these lines, each with its style, again below any help that pushes them off the screen."""

    def new_check(self) -> None:  # noqa: B027 - a pipe keeps all that was shown
        """Begin another check: what was shown before is no longer needed."""

    def show_card(self, lines: Callable[[int], Sequence[tuple[str, str]]]) -> None:
        """Show a hook-up card; `lines` gives its lines, each with its style, for a width in characters."""
        for text, style in lines(self.columns):
            self.show(text, style=style)

    def show_picture(self, text: str) -> None:  # noqa: B027 - a pipe has no use for it
        """Show lines drawn with block characters, unchanged."""

    def live(self, text: str) -> None:  # noqa: B027 - a pipe shows nothing that is not settled
        """Show a value that is still settling; the next one replaces it."""

    def pressed(self) -> str:
        """Return a key pressed meanwhile, or empty."""
        return ""

    def connect(self, hookup: Hookup) -> None:  # noqa: B027 - a pipe has the words already
        """Say aloud how to connect: the user looks at the leads."""

    def taken(self, reading: Reading) -> None:  # noqa: B027 - a pipe has no bell
        """Signal that a reading was taken: the user looks at the probes."""


class ScriptedPerson(Person):
    """Answers from lines, in order; a line may name its prompt: ``C03/no_load: 27.75 V ac``.

    Empty lines are answers too; lines that begin with ``#`` are comments. If the next line names another prompt, a
    hook-up counts as done, so that a file may hold only readings.

    Parameters
    ----------
    out : text stream
        Standard output by default.
    """

    def __init__(self, lines: Iterable[str], out: TextIO | None = None) -> None:
        self._lines = [line.rstrip("\n") for line in lines if not line.startswith("#")]
        self._next = 0
        self._out = out or sys.stdout

    def show(self, text: str = "", *, style: str = "") -> None:
        self._out.write(strip_controls(text) + "\n")

    def answer(self, prompt: Prompt) -> str:
        answer = self._answer(prompt)
        self._out.write(strip_controls(f"? {prompt.text} {answer}".rstrip()) + "\n")
        return answer

    def _answer(self, prompt: Prompt) -> str:
        if self._next >= len(self._lines):
            raise InputEndedError(
                f"the file has no more answers; the next question is {prompt.text!r} ({prompt.key})",
                hint=f"add a line like '{prompt.key}: ...'; everything done so far is saved; run the same command to continue",
            )
        line = self._lines[self._next]
        key, named, rest = _split_key(line)
        if named and key != prompt.key:
            if prompt.kind in ("hookup", "next", "last"):
                return ""
            raise UsageError(
                f"line {self._next + 1} of the answers is for {key!r}, but {prompt.key!r} is asked",
                hint=f"put '{prompt.key}: ...' before it",
            )
        self._next += 1
        return rest


def _split_key(line: str) -> tuple[str, bool, str]:
    """Split a line of answers into key, whether it has one, and the rest."""
    key, colon, rest = line.partition(":")
    key = key.strip()
    if colon and "/" in key and " " not in key:
        return key, True, rest.strip()
    return "", False, line.strip()
