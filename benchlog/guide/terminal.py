"""A person at a terminal or behind a plain pipe: single keys and a live line on the one, lines on both."""

from __future__ import annotations

import select
import shutil
import sys
import textwrap
import time
from contextlib import ExitStack
from types import TracebackType
from typing import Self, TextIO

from benchlog.guide.keys import END, key_now, single_keys, wait_for_key
from benchlog.guide.person import InputEndedError, Person, Prompt
from benchlog.guide.speech import Speech, spoken, spoken_hookup
from benchlog.hookup import Hookup
from benchlog.reading import Reading
from benchlog.wording import strip_controls

__all__ = ["Terminal"]

_LINE_TAIL = {
    "hookup": "[Enter when done, s to skip]",
    "confirm": "[y/n]",
    "quantity": "[Enter: not known]",
}
_KEY_TAIL = {
    "hookup": "[Enter done, s skip, u undo, q stop]",
    "confirm": "[y/n]",
    "quantity": "[Enter: not known]",
    "display": "[s skip, u undo, q stop]",
}
#: An Enter so soon after a single key is habit, and answers nothing; judgement.
HABIT_S = 0.5
#: Kinds answered by one key on a terminal.
_ONE_KEY = ("hookup", "confirm", "choice")
_HELP = (
    "Enter done, s skip (asks why), u undo the last result (asks why), q stop; the same command goes on later"
)


class Terminal(Person):
    """Prompts on a terminal or over a plain pipe.

    Parameters
    ----------
    out, source : text streams
        Standard output and input by default. Where both are terminals the usual answers are single keys, the
        value that settles is shown on one line, and a bell rings when it is taken.
    speech : Speech, optional
        Says what was taken.
    """

    def __init__(
        self, out: TextIO | None = None, source: TextIO | None = None, *, speech: Speech | None = None
    ) -> None:
        self._out = out or sys.stdout
        self._in = source or sys.stdin
        self._speech = speech
        self._live = False
        self._keys: int | None = None
        self._key_s: float | None = None  # when a key other than Enter was the last answer
        self._stack = ExitStack()
        self.interactive = self._out.isatty() and self._in.isatty()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self._end_live()
        if self._speech is not None:
            self._speech.stop(5.0)

    # ---- showing ----

    def show(self, text: str = "", *, style: str = "") -> None:
        """See `Person.show`; rich colours it on a terminal."""
        self._end_live()
        text = strip_controls(text)
        if self._out.isatty():
            from rich.console import Console
            from rich.padding import Padding
            from rich.text import Text

            indent = len(text) - len(text.lstrip())
            line = Padding(Text(text.lstrip(), style=style), (0, 0, 0, indent))
            Console(file=self._out, highlight=False).print(line)
        else:
            self._out.write(text + "\n")
            self._out.flush()

    def live(self, text: str) -> None:
        """See `Person.live`: one line that is written over, on a terminal only."""
        if not self._out.isatty():
            return
        if not self._live and self.interactive:
            self._keys = self._stack.enter_context(single_keys(self._in))
        self._live = True
        width = shutil.get_terminal_size().columns - 1
        self._out.write(f"\r\x1b[2K{strip_controls(text[:width])}")
        self._out.flush()

    def pressed(self) -> str:
        """See `Person.pressed`; keys are looked at while a live value is shown."""
        return "" if self._keys is None else key_now(self._keys)

    def taken(self, reading: Reading) -> None:
        """See `Person.taken`: the terminal's bell, and speech where it is wanted."""
        self._end_live()
        if self._out.isatty():
            self._out.write("\a")
            self._out.flush()
        if self._speech is not None:
            self._speech.say(spoken(reading))

    def connect(self, hookup: Hookup) -> None:
        """See `Person.connect`: speech where it is wanted."""
        if self._speech is not None:
            self._speech.say(spoken_hookup(hookup))

    def _end_live(self) -> None:
        if not self._live:
            return
        self._live, self._keys = False, None
        self._stack.close()
        self._out.write("\r\x1b[2K")
        self._out.flush()

    # ---- asking ----

    def answer(self, prompt: Prompt) -> str:
        """See `Person.answer`."""
        self._end_live()
        if self.interactive and prompt.kind in _ONE_KEY and len(prompt.choices) < 10:
            with single_keys(self._in) as keys:
                if keys is not None:
                    return self._by_key(prompt, keys)
        return self._by_line(prompt)

    def _by_line(self, prompt: Prompt) -> str:
        tails = _KEY_TAIL if self.interactive else _LINE_TAIL
        tail = tails.get(prompt.kind) or (f"[{'/'.join(prompt.choices)}]" if prompt.choices else "")
        waiting = self._waiting()
        self._ask(f"{prompt.text} {tail}")
        line = self._in.readline()
        if line == "\n" and self._habit(waiting):
            line = self._in.readline()
        self._key_s = None
        if not line:
            self._out.write("\n")
            raise _ended()
        if not self._in.isatty():
            self._out.write(line if line.endswith("\n") else line + "\n")
        return line.strip()

    def _waiting(self) -> bool:
        """Whether something was typed before the question."""
        return self._key_s is not None and bool(select.select([self._in], [], [], 0)[0])

    def _habit(self, waiting: bool) -> bool:
        """Whether an Enter belongs to the single key before it: it was there already, or came right behind."""
        key_s, self._key_s = self._key_s, None
        return key_s is not None and (waiting or time.monotonic() - key_s < HABIT_S)

    def _ask(self, text: str) -> None:
        """Write a question, broken between words where the terminal is too narrow for it."""
        line = f"? {strip_controls(text.rstrip())}"
        if self._out.isatty():
            width = shutil.get_terminal_size().columns - 12  # room for the answer
            line = textwrap.fill(line, max(width, 20), subsequent_indent="  ", break_long_words=False)
        self._out.write(f"{line} ")
        self._out.flush()

    def _by_key(self, prompt: Prompt, keys: int) -> str:
        numbered = {str(i): word for i, word in enumerate(prompt.choices, 1)}
        tail = _KEY_TAIL.get(prompt.kind) or ", ".join(f"{key} {word}" for key, word in numbered.items())
        if prompt.kind == "choice":
            tail = f"[{tail}]"
        waiting = self._waiting()
        self._ask(f"{prompt.text} {tail}")
        while True:
            key = wait_for_key(keys)
            if key == "\n" and self._habit(waiting):
                continue
            if key == END:
                self._out.write("\n")
                raise _ended()
            if key == "?":
                self._out.write(f"\n  {_HELP}\n? ")
            answer = _meaning(prompt, key, numbered)
            if answer is not None:
                self._key_s = time.monotonic() if answer else None
                self._out.write(f"{answer or 'done'}\n")
                self._out.flush()
                return answer


def _meaning(prompt: Prompt, key: str, numbered: dict[str, str]) -> str | None:
    """What a key answers; None for one that means nothing here."""
    low = key.lower()
    if low in ("s", "u", "q") and low not in {word.lower()[:1] for word in prompt.choices if len(word) == 1}:
        return low
    if prompt.kind == "choice":
        return numbered.get(key)
    if prompt.kind == "confirm":
        return low if low in ("y", "n") else None
    return "" if key in ("\n", " ") else None


def _ended() -> InputEndedError:
    return InputEndedError(
        "the input ended before the run did",
        hint="what was done is recorded; the same command goes on from there",
    )
