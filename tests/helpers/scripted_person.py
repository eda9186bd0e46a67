"""A person who answers from a script and remembers what was asked and shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from benchlog.guide.person import InputEndedError, Person, Prompt
from benchlog.reading import Reading


class ScriptedPerson(Person):
    """Answers by the prompt's key; several answers to one key come one after the other.

    A hook-up without an answer is done, a question without one ends the input.
    """

    def __init__(
        self, answers: Mapping[str, str | Sequence[str]], *, interactive: bool = False, keys: str = ""
    ) -> None:
        self._answers = {k: [v] if isinstance(v, str) else list(v) for k, v in answers.items()}
        self._keys = list(keys)
        self.interactive = interactive
        self.asked: list[Prompt] = []
        self.shown: list[str] = []
        self.lives: list[str] = []
        self.heard: list[Reading] = []

    def answer(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        left = self._answers.get(prompt.key, [])
        if left:
            return left.pop(0)
        if prompt.kind in ("hookup", "next", "last"):
            return ""
        raise InputEndedError(f"nobody answers {prompt.key}: {prompt.text}")

    def show(self, text: str = "", *, style: str = "") -> None:
        self.shown.append(text)

    def live(self, text: str) -> None:
        self.lives.append(text)

    def pressed(self) -> str:
        return self._keys.pop(0) if self._keys else ""

    def taken(self, reading: Reading) -> None:
        self.heard.append(reading)

    @property
    def keys(self) -> list[str]:
        """Keys of all prompts, in order."""
        return [prompt.key for prompt in self.asked]

    @property
    def said(self) -> str:
        """All lines shown."""
        return "\n".join(self.shown)


class Shy(ScriptedPerson):
    """Leaves out every check of a diagnosis that has no answer."""

    def answer(self, prompt: Prompt) -> str:
        if "/doubt/" in prompt.key and prompt.key not in self._answers:
            return "s"
        return super().answer(prompt)
