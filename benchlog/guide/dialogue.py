"""Questions during a guided run: s, u and q work at each; only Enter confirms."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from benchlog.guide.person import Person, Prompt
from benchlog.reading import Function

#: Keys for skip, undo and stop, unless they can be meant as an answer.
_WISHES = {"s": "s", "skip": "s", "u": "u", "undo": "u", "q": "q", "quit": "q", "stop": "q"}
_NO_UNDO = "  nothing to undo in this session"
_LIKE_A_DISPLAY = re.compile(r"[+\-−]?[\d.,]*\d|OL$", re.IGNORECASE)


class SkippedError(Exception):
    """The user skipped the step; the message is the reason typed."""


class StoppedError(Exception):
    """The user wants to stop here and continue another time."""


class UndoneError(Exception):
    """The user withdrew the last result; its check is done again before the present one."""


class TakenBackError(Exception):
    """The user withdrew the answers and readings since `Dialogue.going_back` began; that part begins again.

    Parameters
    ----------
    level : callable
        What `Dialogue.going_back` gave at the begin of that part; a part within it does not begin again.
    """

    def __init__(self, level: Callable[[], bool]) -> None:
        super().__init__()
        self.level = level


class Dialogue:
    """Asks a person; s, u and q work wherever they can't be meant as an answer.

    Attributes
    ----------
    last_done : str
        The last step confirmed as done.
    """

    def __init__(self, person: Person) -> None:
        self.person = person
        self.last_done = ""
        self._early = ""  # a reading typed at a hook-up, and the function that one is for, where known
        self._early_function: Function | None = None
        self._answers = 0
        self._levels: list[Callable[[], bool]] = []
        self._undo: Callable[[], bool] | None = None
        self._reasons = True

    @contextmanager
    def going_back(
        self, take_back: Callable[[], bool | None], *, reasons: bool = True
    ) -> Iterator[Callable[[], bool]]:
        """Let u withdraw the answers within the block; without any it goes one level out.

        Parameters
        ----------
        take_back : callable
            Withdraws them; returns whether it did, None if there was nothing. Called only if something was answered in the
            block.
        reasons : bool
            Whether s asks for a reason.
        """
        answers, before = self._answers, self._reasons

        def level() -> bool:
            if self._answers == answers:
                return False
            taken_back = take_back()
            if taken_back:
                raise TakenBackError(level)
            return taken_back is not None

        self._levels.append(level)
        self._reasons = reasons
        try:
            yield level
        finally:
            self._levels.pop()
            self._reasons = before

    def ask(self, prompt: Prompt, *, own: str = "") -> str:
        """Ask; s, u and q work wherever they can't be meant as an answer, and are not the prompt's `own`.

        Raises
        ------
        SkippedError, StoppedError, UndoneError, TakenBackError
            If the user chooses that.
        """
        while True:
            answer = self.person.answer(prompt)
            wish = _WISHES.get(answer.lower(), "")
            if prompt.kind == "text" or answer in prompt.choices or wish in ("", own):
                self._answers += 1
                return answer
            self.wish(wish, prompt.key)

    def wish(self, key: str, step: str) -> None:
        """Do what s, u or q asks for; returns only if nothing was undone."""
        if key == "q":
            raise StoppedError
        if key == "s":
            raise SkippedError(self._why_skipped(step) if self._reasons else "")
        if any(level() for level in reversed(self._levels)):
            return
        if self._undo is not None and self._undo():
            raise UndoneError
        self.person.show(_NO_UNDO)

    def _why_skipped(self, step: str) -> str:
        """Ask until there is a reason, so that the gap can be explained later."""
        while True:
            reason = self.person.answer(Prompt("text", "why is it skipped?", f"{step}/skip")).strip()
            if reason:
                return reason
            self.person.show("  type a few words, for the record")

    def do(
        self,
        text: str,
        key: str,
        instrument: str = "",
        function: Function | None = None,
        *,
        reads: Function | None = None,
    ) -> None:
        """Ask the user to do something, for instance set a dial, until Enter alone confirms it.

        A reading typed here does not confirm; it is asked about when it is due: one of `reads`, where that is known.

        Raises
        ------
        SkippedError, StoppedError, UndoneError, TakenBackError
            If the user chooses that.
        """
        self._early, self._early_function = "", reads or function
        while answer := self.ask(Prompt("hookup", text, key, instrument, function)):
            later = ""
            if _LIKE_A_DISPLAY.match(answer):
                self._early, later = answer, "; the reading is taken after that"
            self.person.show(f"  '{answer}' does not answer this: press Enter alone when it is done{later}")
        self.last_done = text

    def typed_early(self, function: Function, key: str) -> str:
        """Return the reading typed at the last hook-up if the user confirms that it is this one; else empty."""
        if self._early_function not in (None, function):
            return ""  # it is for a later question
        early, self._early = self._early, ""
        if not early or not self.person.interactive:
            return ""
        question = f"Use the {early} you typed a moment ago? (n to type another)"
        return early if self.confirm(question, f"{key}/early") else ""

    def confirm(self, text: str, key: str, *, undo_is_no: bool = False) -> bool:
        """Ask a yes-or-no question until it is answered; u may mean no, where that takes back what is asked about."""
        while True:
            answer = self.ask(Prompt("confirm", text, key), own="u" if undo_is_no else "").lower()
            if answer in ("y", "yes", "n", "no") or (undo_is_no and answer in ("u", "undo")):
                return answer[0] == "y"
            self.person.show("  type y or n")

    def choose(self, prompt: Prompt) -> str:
        """Ask until the answer is one of the prompt's choices."""
        while (answer := self.ask(prompt)) not in prompt.choices:
            self.person.show(f"  type one of: {', '.join(prompt.choices)}")
        return answer

    def go_on(self, text: str, key: str, wishes: Sequence[str] = (), *, last: bool = False) -> str:
        """Keep the screen until the user goes on; returns one of the wishes, or empty.

        Raises
        ------
        StoppedError, UndoneError
            If the user chooses that.
        """
        prompt = Prompt("last" if last else "next", text, key, choices=tuple(wishes))
        while True:
            answer = self.person.answer(prompt).lower()
            if answer in wishes:
                return answer
            if answer in ("", "s") or (last and answer == "q"):
                return ""
            if answer in ("u", "q"):
                self.wish(answer, key)
            else:
                self.person.show(f"  '{answer}' does not answer this: press Enter, or u or q")
