"""Possible answers at each kind of prompt: shown after it, explained at ``?``, and their single keys."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from benchlog.guide.person import Prompt
from benchlog.keyboard import ENTER
from benchlog.wording import strip_controls

_LINE_TAIL = {
    "confirm": "[y/n]",
    "quantity": "[Enter: not known]",
    "hookup": "[Enter when done, s to skip]",
    "outcome": "[the reading, Enter; s skip, ? help]",
}
_KEY_TAIL = {
    "confirm": "[y/n, ? help]",
    "quantity": "[Enter: not known, ? help]",
    "hookup": "[Enter done, s skip, u undo, q stop]",
    "display": "[s skip, u undo, q stop]",
    "file": "[s skip, u undo, q stop, ? help]",
    "outcome": "[the reading, Enter; s skip, u undo, q stop, ? help]",
    "next": "[Enter goes on, u undo, q stop]",
    "last": "[Enter closes, u undoes the last result]",
}
_STOP_HELP = "q stop"
#: Columns kept free for the answer after a question.
_KEY_ROOM, _LINE_ROOM = 6, 12
_NARROW = 44
_KEPT = "\N{NO-BREAK SPACE}"
_MANY = 4  # from this many choices on, they are listed below the question
_KEYS_HELP = f"s skip, u undo, {_STOP_HELP}"
_HELP = {
    "hookup": f"Enter alone when it is done, {_KEYS_HELP}",
    "display": f"the digits as shown, e.g. 27.75, 27.75 V ac or OL, then Enter; {_KEYS_HELP}",
    "outcome": "the reading as displayed, like 27.07 V ac or OL, then Enter; or another check as NAME = ANSWER; "
    "s skip this check, u withdraw the last answer, q stop",
    "file": "the path of the file that the scope saved, then Enter; all paths if it saves one file per channel; "
    f"{_KEYS_HELP}",
    "quantity": f"a number with its unit, or Enter if it is not known; {_KEYS_HELP}",
    "confirm": f"y yes, n no, {_KEYS_HELP}",
    "choice": f"one of the choices, {_KEYS_HELP}",
    "text": "a few words, then Enter",
    "next": "Enter goes on to the next check; u withdraws this result (asks why) and repeats its check; q stop",
    "last": "Enter closes; u withdraws the last result (asks why) and repeats its check",
}
#: Message for Enter at a result that is not a pass.
NOT_PASSED_BY = "not a pass, so Enter does not go on: press s to leave it as it is"
#: First characters of a reading.
BEGINS_A_READING = frozenset("0123456789.,+-−")
#: Message for a reading typed at a choice; takes what was typed, and the number of choices.
NOT_A_CHOICE = "'{}' is not one of the choices: press a number from 1 to {}, or ? for help"
#: Message for a word typed at a prompt for one key.
WRONG_KEY = {"confirm": "type y or n", "choice": "press one of the keys shown, or ? for help"}
WRONG_KEY |= dict.fromkeys(("next", "last"), WRONG_KEY["choice"])
#: Keys while a display settles.
LIVE_HELP = f"t type the reading, {_KEYS_HELP}"
ENTER_SHOWN = {"hookup": "done"}
_CHOICE_HELP = {
    "again": "a measure again; this result stays on record",
    "diagnose": "d find out why, check by check: part, lead, setting or meter",
}


def by_one_key(prompt: Prompt) -> bool:
    """Whether one key answers, on a terminal."""
    return prompt.kind in ("hookup", "confirm", "next", "last") or 0 < len(prompt.choices) < 10


def answers_shown(prompt: Prompt, *, keys: bool, numbered: bool) -> str:
    """The possible answers, in brackets."""
    if not prompt.choices or (keys and not numbered):
        return (_KEY_TAIL if keys else _LINE_TAIL).get(prompt.kind, "") or "/".join(prompt.choices)
    if prompt.kind in ("next", "last"):
        wishes = [f"{word[0]} {word}" for word in prompt.choices]
        rest = "s leave it, u undo, q stop" if prompt.kind == "next" else "Enter closes, u undo"
        return f"[{', '.join(wishes)}, {rest}]"
    more = ["? help"] if keys else []
    return f"[{', '.join([*(f'{number} {word}' for number, word in enumerate(prompt.choices, 1)), *more])}]"


def help_lines(prompt: Prompt) -> list[str]:
    """The possible answers, one per line."""
    wishes = [_CHOICE_HELP[word] for word in prompt.choices if word in _CHOICE_HELP]
    wishes += explained_choices(prompt)
    if prompt.kind == "next" and wishes:
        return [*wishes, "s leave it as it is and go on", f"u withdraw it (asks why), {_STOP_HELP}"]
    return [*wishes, _HELP[prompt.kind], *([f"checks: {', '.join(prompt.names)}"] if prompt.names else [])]


def explained_choices(prompt: Prompt) -> list[str]:
    """The choices that have a meaning to be told, each with its number."""
    pairs = enumerate(zip(prompt.choices, prompt.meanings, strict=False), 1)
    return [f"{number} {word}: {meaning}" for number, (word, meaning) in pairs]


def _in_columns(choices: Sequence[str], width: int) -> list[str]:
    """The numbered choices, side by side as the width allows; none is broken."""
    items = [f"{number} {word}" for number, word in enumerate(choices, 1)]
    each = max(map(len, items)) + 3
    a_row = (width - 4) // each
    if a_row > 1:
        rows = (items[k : k + a_row] for k in range(0, len(items), a_row))
        return ["".join(item.ljust(each) for item in row).rstrip() for row in rows]
    kept = ", ".join(item.replace(" ", _KEPT) for item in items)
    return [line.replace(_KEPT, " ") for line in textwrap.wrap(kept, width - 4)]


def question_text(prompt: Prompt, columns: int | None, *, keys: bool, explained: bool = False) -> str:
    """A question with its possible answers, folded between words; the answer goes below if there is no room behind it.

    Parameters
    ----------
    columns : int or None
        Width of the terminal; None for a pipe, where nothing is folded.
    keys : bool
        Whether keys are read one by one.
    explained : bool
        Whether each choice has a line with its meaning.
    """
    numbered = by_one_key(prompt)
    room = _KEY_ROOM if numbered else _LINE_ROOM
    tail = answers_shown(prompt, keys=keys, numbered=numbered)
    text, lines = f"? {strip_controls(prompt.text.rstrip())}", list[str]()
    if columns is None:
        return f"{text} {tail}".rstrip()
    width = max(columns - 1, 20)
    listed = keys and prompt.kind == "choice" and _MANY <= len(prompt.choices) < 10
    if listed:
        lines = (explained and explained_choices(prompt)) or _in_columns(prompt.choices, width)
        tail = f"[1 to {len(prompt.choices)}, s skip, u undo, q stop, ?{' help' if width > _NARROW else ''}]"
    if len(tail) <= width - 2:
        tail = tail.replace(" ", _KEPT)  # a hint is not broken where it fits into a line of its own
    shown = [text, *(f"    {line}" for line in lines), f"  {tail}"] if listed else [f"{text} {tail}".rstrip()]
    asked = "\n".join(
        textwrap.fill(
            line, width, subsequent_indent="      " if line[:4].isspace() else "  ", break_long_words=False
        )
        for line in shown
    ).replace(_KEPT, " ")
    full = len(asked.rpartition("\n")[2]) > width - room
    return f"{asked}\n " if full else asked


#: The word that a key begins, where somebody types all of it.
_WORDS = {"y": "yes", "n": "no", "s": "skip", "u": "undo", "q": "quit"}


def rest_of_word(prompt: Prompt, key: str) -> str:
    """What follows a key where somebody types the word it stands for."""
    words = [word for word in prompt.choices if word.startswith(key.lower())]
    word = words[0] if prompt.kind in ("next", "last") and words else _WORDS.get(key.lower(), "")
    return word[1:]


def numbered_answer(prompt: Prompt, line: str) -> str:
    """Return the answer that a line gives; a number selects a choice."""
    chosen = int(line) if prompt.kind == "choice" and line.isdecimal() else 0
    return prompt.choices[chosen - 1] if 0 < chosen <= len(prompt.choices) else line


def answer_of_key(prompt: Prompt, key: str) -> str | None:
    """Return the answer that a key gives; None for a key without meaning here."""
    low = key.lower()
    if low == "s" and prompt.kind in ("next", "last") and not (prompt.kind == "next" and prompt.choices):
        return None  # there is nothing to leave
    if low in ("s", "u", "q", "?") and low not in {word.lower() for word in prompt.choices if len(word) == 1}:
        return low
    if prompt.kind == "choice":
        return numbered_answer(prompt, key) if numbered_answer(prompt, key) in prompt.choices else None
    if prompt.kind == "confirm":
        return low if low in ("y", "n") else None
    if key == ENTER:  # a habitual Enter must not skip a result other than a pass
        return None if prompt.kind == "next" and prompt.choices else ""
    wishes = prompt.choices if prompt.kind in ("next", "last") else ()
    return next((word for word in wishes if word[0] == low), None)
