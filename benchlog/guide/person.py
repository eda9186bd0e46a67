"""Who answers: a person at a terminal, a pipe, a file of answers, or a simulated pair of hands."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal, Protocol, TextIO

from benchlog.errors import UsageError
from benchlog.reading import Function

__all__ = ["FileOfAnswers", "Person", "Prompt", "Terminal"]


@dataclass(frozen=True, slots=True)
class Prompt:
    """One thing asked of the person.

    Attributes
    ----------
    kind : {"hookup", "display", "quantity", "confirm", "choice", "text"}
        hookup: do this, then Enter. display: type what the meter shows. quantity: a number with unit, may
        be left empty. confirm: y or n. choice: one of `choices`. text: free words.
    text : str
        What to do or to answer.
    key : str
        What a script may recognise it by, e.g. ``"C03/no_load"``.
    instrument, function
        Which display, set to what.
    choices : tuple of str
        For ``choice``.
    """

    kind: Literal["hookup", "display", "quantity", "confirm", "choice", "text"]
    text: str
    key: str = ""
    instrument: str = ""
    function: Function | None = None
    choices: tuple[str, ...] = ()


class Person(Protocol):
    """Answers prompts and is shown lines."""

    def answer(self, prompt: Prompt) -> str:
        """Return the answer as typed, without the line end."""
        ...

    def show(self, text: str = "", *, style: str = "") -> None:
        """Tell the person something."""
        ...


_TAIL = {"hookup": "[Enter when done, s to skip]", "confirm": "[y/n]", "quantity": "[Enter: not known]"}


class Terminal:
    """Prompts on a terminal or over a plain pipe: one line out, one line in.

    Parameters
    ----------
    out, source : text streams
        Standard output and input by default.
    """

    def __init__(self, out: TextIO | None = None, source: TextIO | None = None) -> None:
        self._out = out or sys.stdout
        self._in = source or sys.stdin

    def show(self, text: str = "", *, style: str = "") -> None:
        """See `Person.show`; rich colours it on a terminal."""
        if self._out.isatty():
            from rich.console import Console
            from rich.text import Text

            Console(file=self._out, highlight=False).print(Text(text, style=style))
        else:
            self._out.write(text + "\n")
            self._out.flush()

    def answer(self, prompt: Prompt) -> str:
        """See `Person.answer`.

        Raises
        ------
        UsageError
            When the input ends.
        """
        tail = _TAIL.get(prompt.kind) or (f"[{'/'.join(prompt.choices)}]" if prompt.choices else "")
        self._out.write(f"? {prompt.text} {tail} ".replace("  ", " "))
        self._out.flush()
        line = self._in.readline()
        if not line:
            self._out.write("\n")
            raise UsageError(
                "the input ended before the run did",
                hint="what was done is recorded; the same command goes on from there",
            )
        if not self._in.isatty():
            self._out.write(line if line.endswith("\n") else line + "\n")
        return line.strip()


class FileOfAnswers:
    """Answers from lines, in order; a line may name its prompt: ``C03/no_load: 27.75 V ac``.

    Empty lines are answers too; lines that begin with ``#`` are comments.
    """

    def __init__(self, lines: Iterable[str], out: TextIO | None = None) -> None:
        self._lines: Iterator[str] = (line.rstrip("\n") for line in lines if not line.startswith("#"))
        self._out = out or sys.stdout

    def show(self, text: str = "", *, style: str = "") -> None:
        """See `Person.show`."""
        self._out.write(text + "\n")

    def answer(self, prompt: Prompt) -> str:
        """See `Person.answer`."""
        line = next(self._lines, None)
        if line is None:
            raise UsageError(
                f"no answer is left for {prompt.text!r} ({prompt.key})", hint="add a line to the file"
            )
        key, colon, rest = line.partition(":")
        if colon and "/" in key and " " not in key.strip():
            if key.strip() != prompt.key:
                raise UsageError(
                    f"the file answers {key.strip()!r}, but {prompt.key!r} is asked",
                    hint="put the answers in order",
                )
            line = rest
        answer = line.strip()
        self._out.write(f"? {prompt.text} {answer}\n")
        return answer
