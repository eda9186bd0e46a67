"""A person at a terminal or behind a pipe: lines on both; single keys and a live line only on a terminal."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING, Self, TextIO

from benchlog.folding import folded_line
from benchlog.guide import prompt_keys
from benchlog.guide.person import DANGER, InputEndedError, Person, Prompt
from benchlog.guide.speech import Speech, spoken, spoken_hookup
from benchlog.hookup import Hookup
from benchlog.keyboard import END, ENTER, Entry, Keys, Lines, single_keys
from benchlog.reading import Reading
from benchlog.wording import strip_controls

if TYPE_CHECKING:
    from benchlog.guide.phone import PhoneDesk

#: An Enter this soon after a single key is habit and is ignored; judgement.
HABIT_S = 0.5
_PHONE_S = 0.1  # how often the phone's buttons are polled while waiting for a key
_SKIPPED_ON_PHONE = "by the button on the phone"
#: Keys after which free words or a reading are asked for: what is typed at once belongs to that question.
_CALLS_A_LINE = ("s", "u", "t")


class Terminal(Person):
    """Prompts on a terminal or over a plain pipe; use it as a context manager.

    An answer counts only if it was given after its question was shown: earlier keys are dropped, and so is an earlier
    Enter from a pipe on which somebody may be typing (see `Lines`).

    Parameters
    ----------
    out, source : text streams
        Standard output and input by default. If both are terminals, usual answers are single keys, the settling value is
        shown on one line, and a bell rings when it is taken.
    speech : Speech, optional
        Speaks the readings.
    phone : PhoneDesk, optional
        Shows the same on a phone, whose buttons answer like keys; only with a terminal.
    """

    def __init__(
        self,
        out: TextIO | None = None,
        source: TextIO | None = None,
        *,
        speech: Speech | None = None,
        phone: PhoneDesk | None = None,
    ) -> None:
        self._out = out or sys.stdout
        self._in = source or sys.stdin
        self._speech = speech
        self._live = 0  # columns of the line that is overwritten
        self._phone = phone
        self._skipped_on_phone = False
        self._stack = ExitStack()
        self._keys: Keys | None = None
        self._key = ""  # the last answer given by a single key, and its time
        self._key_s = float("-inf")
        self._rest = ""  # of the word that key begins
        self._in_view: Sequence[tuple[str, str]] = ()
        if self._out.isatty():
            self._keys = self._stack.enter_context(single_keys(self._in))
        self.interactive = self._keys is not None
        self._lines = Lines(self._in) if self._keys is None else None

    def __enter__(self) -> Self:
        return self

    @property
    def columns(self) -> int:
        return shutil.get_terminal_size().columns if self._out.isatty() else super().columns

    @property
    def height(self) -> int:
        return shutil.get_terminal_size().lines if self._out.isatty() else super().height

    def __exit__(self, *exc: object) -> None:
        self._end_live()
        self._stack.close()
        if self._speech is not None:
            self._speech.stop(5.0)

    # ---- showing ----

    def show(self, text: str = "", *, style: str = "") -> None:
        """See `Person.show`; rich colours it on a terminal."""
        self._end_live()
        text = strip_controls(text)
        if self._phone is not None and text.strip():
            self._phone.show(text, danger=style == DANGER)
        self._write(text, style)

    def caution(self, text: str) -> None:
        """See `Person.caution`; the phone shows it in large letters."""
        self._end_live()
        if self._phone is not None:
            self._phone.caution(strip_controls(text))
        self._write(f"  ! {strip_controls(text)}", "bold")

    def _write(self, text: str, style: str) -> None:
        if self._out.isatty():
            from rich.console import Console
            from rich.text import Text

            Console(file=self._out, highlight=False).print(
                Text(
                    "\n".join(folded_line(line, self.columns) for line in text.split("\n")),
                    style=style,
                )
            )
        else:
            self._out.write(text + "\n")
            self._out.flush()

    def keep_in_view(self, lines: Sequence[tuple[str, str]]) -> None:
        self._in_view = lines

    def new_check(self) -> None:
        """See `Person.new_check`: the phone shows one check at a time."""
        if self._phone is not None:
            self._phone.new_check()

    def show_card(self, lines: Callable[[int], Sequence[tuple[str, str]]]) -> None:
        """See `Person.show_card`; the phone has its own width."""
        self._end_live()
        if self._phone is not None:
            shown = lines(self._phone.columns)
            self._phone.show_wiring([(strip_controls(text), style == DANGER) for text, style in shown])
        for text, style in lines(self.columns):
            self._write(strip_controls(text), style)

    def show_picture(self, text: str) -> None:
        self._end_live()
        self._out.write(text)
        self._out.flush()

    def live(self, text: str) -> None:
        """See `Person.live`: one line that is overwritten, only on a terminal."""
        if not self._out.isatty():
            return
        if self._phone is not None:
            self._phone.show_reading(strip_controls(text), settled=False)
        text = strip_controls(text[: self.columns - 1])
        # Overwritten with blanks: not every console obeys the sequence that erases a line.
        self._out.write(f"\r{text}{' ' * (self._live - len(text))}")
        self._out.flush()
        self._live = len(text)

    def pressed(self) -> str:
        """See `Person.pressed`; Enter is ignored."""
        if self._keys is None:
            return ""
        key = self._keys.next(0.0)
        while key == ENTER:
            key = self._keys.next(0.0)
        if key == "?":
            self.show(f"  {prompt_keys.LIVE_HELP}")
        if key:
            self._remember(key)
        return key

    def taken(self, reading: Reading) -> None:
        """See `Person.taken`: the terminal's bell, and speech if it is on."""
        self._end_live()
        if self._phone is not None:
            shown = strip_controls(reading.displayed)
            self._phone.show_reading(shown, settled=True, meter=strip_controls(reading.instrument))
        if self._out.isatty():
            self._out.write("\a")
            self._out.flush()
        if self._speech is not None:
            self._speech.say(spoken(reading))

    def connect(self, hookup: Hookup) -> None:
        """See `Person.connect`: speech if it is on."""
        if self._speech is not None:
            self._speech.say(spoken_hookup(hookup))

    def _end_live(self) -> None:
        if self._live:
            self._out.write(f"\r{' ' * self._live}\r")
            self._out.flush()
        self._live = 0

    # ---- asking ----

    def answer(self, prompt: Prompt) -> str:
        self._end_live()
        try:
            return self._answered(prompt)
        except KeyboardInterrupt:
            if self._out.isatty():
                self._out.write("\n")  # what is said now begins a line
            raise

    def _answered(self, prompt: Prompt) -> str:
        if self._phone is None:
            return self._asked(prompt)
        skipped, self._skipped_on_phone = self._skipped_on_phone, False
        if prompt.kind == "text" and skipped:
            self._out.write(f"? {strip_controls(prompt.text)} {_SKIPPED_ON_PHONE}\n")
            return _SKIPPED_ON_PHONE
        try:
            return self._asked(prompt)
        finally:
            self._phone.answered()

    def _asked(self, prompt: Prompt) -> str:
        text = self._question(prompt)
        while True:
            if self._phone is not None:
                self._phone.ask(prompt)
            if self._keys is None:
                answer = prompt_keys.numbered_answer(prompt, self._line(text))
            elif prompt_keys.by_one_key(prompt):
                answer = self._by_key(prompt, text, self._keys)
            else:
                answer = self._typed(text, self._keys)
            if answer != "?":
                return answer
            self._help(prompt)
            text = self._question(prompt, explained=True)

    def _help(self, prompt: Prompt) -> None:
        """Show what can be answered, but what the question itself will explain; then again what must stay in view."""
        in_question = prompt_keys.explained_choices(prompt) if self._keys is not None else ()
        for line in (line for line in prompt_keys.help_lines(prompt) if line not in in_question):
            self.show(f"  {line}")
        for line, style in self._in_view if self._keys is not None else ():
            self._write(line, style)

    def _question(self, prompt: Prompt, *, explained: bool = False) -> str:
        columns = self.columns if self._out.isatty() else None
        keys = self._keys is not None
        return prompt_keys.question_text(prompt, columns, keys=keys, explained=explained)

    def _ask(self, question: str, *, drop: bool = True) -> None:
        """Write a question.

        Earlier typing is dropped just before the question is written, not after: a program at the other end may answer within
        microseconds.
        """
        if drop and self._keys is not None:
            self._keys.drop()
        elif self._lines is not None:
            self._lines.drop_empty()
        self._out.write(f"{question} ")
        self._out.flush()

    def _line(self, question: str) -> str:
        """Ask, and read a line from a pipe."""
        assert self._lines is not None
        self._ask(question)
        line = self._lines.next()
        if line is None:
            self._out.write("\n")
            raise _ended()
        if not (self._in is not None and self._in.isatty()):
            self._out.write(line + "\n")
        return line

    def _typed(self, question: str, keys: Keys) -> str:
        """Ask, and read a line typed on the terminal; earlier keys count only after one like s."""
        habit = self._habit()
        self._ask(question, drop=not (habit and self._key in _CALLS_A_LINE))
        key = self._fresh_key(keys)
        if key == ENTER and habit and self._habit():
            key = self._pressed_key(keys)
        self._key_s = float("-inf")
        return self._rest_of_line(key, keys)

    def _rest_of_line(self, key: str, keys: Keys, after: str = "") -> str:
        """Show a line as it is typed, from its first key, and the one after it if that was read, to Enter."""
        entry = Entry()
        while key != ENTER:
            if self._skipped_on_phone:  # the button answers, even if something is half typed
                self._out.write(" s\n")
                self._out.flush()
                return "s"
            before = entry.text
            entry.feed(key)
            self._out.write("\b \b" * max(0, len(before) - len(entry.text)) + entry.text[len(before) :])
            self._out.flush()
            key, after = after or self._pressed_key(keys), ""
        self._out.write("\n")
        self._out.flush()
        return entry.text.strip()

    def _by_key(self, prompt: Prompt, question: str, keys: Keys) -> str:
        """Ask, and take a key that answers; if Enter alone is an answer, other keys begin a line."""
        self._ask(question)
        if prompt.kind == "hookup":
            keys.drop_unseen()
        told = False
        while True:
            key = self._fresh_key(keys)
            if key == ENTER and self._habit():
                self._key_s = float("-inf")
                continue
            answer = prompt_keys.answer_of_key(prompt, key)
            typed = self._reading_begun_by(prompt, key, keys, answers=answer is not None)
            if answer is not None and not typed:
                if answer:
                    self._remember(key, prompt_keys.rest_of_word(prompt, key))
                print(answer or prompt_keys.ENTER_SHOWN.get(prompt.kind, ""), file=self._out, flush=True)
                return answer
            if prompt.kind == "hookup" and key.isprintable():
                return self._rest_of_line(key, keys) or key
            note = prompt_keys.NOT_A_CHOICE.format(typed, len(prompt.choices))
            if not typed:
                note = "" if key == ENTER and told else self._note_on(prompt, key, keys)
            told = told or key == ENTER
            if note:
                self._out.write(f"\n  {note}\n{question} ")
            self._out.flush()

    def _note_on(self, prompt: Prompt, key: str, keys: Keys) -> str:
        """What to say of a key that answers nothing; empty if nothing."""
        if key == ENTER:
            return prompt_keys.NOT_PASSED_BY if prompt.kind == "next" else ""
        if prompt.kind not in prompt_keys.WRONG_KEY or not key.isprintable():
            return ""
        self._pass_over(keys)
        return prompt_keys.WRONG_KEY[prompt.kind]

    def _reading_begun_by(self, prompt: Prompt, key: str, keys: Keys, *, answers: bool) -> str:
        """A reading typed at a choice, up to Enter; empty for another key, or a figure that stands alone and answers."""
        if prompt.kind != "choice" or key not in prompt_keys.BEGINS_A_READING:
            return ""
        after = keys.next(HABIT_S) if answers else ""
        if after == END:
            raise _ended()
        if answers and (not after or not after.isprintable()):
            return ""
        return self._rest_of_line(key, keys, after)

    def _fresh_key(self, keys: Keys) -> str:
        """The next key that is not the rest of a word begun at the question before, like the ``es`` of yes."""
        key = self._pressed_key(keys)
        while self._rest and self._habit() and self._rest[0] == key.lower():
            self._remember(self._key, self._rest[1:])
            key = self._pressed_key(keys)
        self._rest = ""
        return key

    @staticmethod
    def _pass_over(keys: Keys) -> None:
        """Pass over the rest of a word typed where one key was asked for: its characters answer nothing."""
        while (key := keys.next(HABIT_S)) and key.isprintable():
            pass
        if key == END:
            raise _ended()

    def _pressed_key(self, keys: Keys) -> str:
        key = keys.next(None if self._phone is None else _PHONE_S)
        while not key:
            key = self._phone_key() or keys.next(_PHONE_S)
        if key == END:
            self._out.write("\n")
            raise _ended()
        return key

    def _phone_key(self) -> str:
        """The key for a button pressed on the phone; empty if none."""
        button = self._phone.pressed() if self._phone is not None else None
        if button == "again" and self._speech is not None:
            self._speech.repeat()
        if button == "skip":
            self._skipped_on_phone = True  # used as the reason, if one is asked for next
            return "s"
        if button == "done":
            self._key_s = float("-inf")  # the phone has its own guard against habitual presses
            return ENTER
        return ""

    def _remember(self, key: str, rest: str = "") -> None:
        self._key, self._key_s, self._rest = key.lower(), time.monotonic(), rest

    def _habit(self) -> bool:
        """Whether an Enter now is a habitual one after the single key just pressed."""
        return time.monotonic() - self._key_s < HABIT_S


def _ended() -> InputEndedError:
    return InputEndedError(
        "the input ended before the run was finished",
        hint="everything done so far is saved; run the same command to continue",
    )
