"""What a check showed, as typed: a reading, overload, or a word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.diagnosis.catalogue import Action
from benchlog.errors import UsageError
from benchlog.units import Quantity, parse_quantity

_OVERLOAD = frozenset({"ol", "0l", "o.l", "o.l.", "overload", "over", "open", "1."})
_BLANK = frozenset({"", "blank", "nothing", "dead", "off"})


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a check showed."""

    #: One of the action's words, or several that were seen at once; empty for a reading.
    words: tuple[str, ...] = ()
    value: float | None = None  #: In the SI unit; None for a word or overload.
    resolution: float = 0.0  #: One step of the last digit, in the same unit.
    overload: bool = False  #: The display shows overload.
    #: unit, coupling: As typed; the unit is empty when none was typed.
    unit: str = ""
    coupling: str = ""


def parse_shown(text: str | Quantity, *, what: str) -> Outcome:
    """Read a reading as displayed, ``"27.07 V ac"``, ``"0.25 ohm"`` or ``"OL"``.

    Raises
    ------
    UsageError
        If it is neither.
    """
    if isinstance(text, Quantity):
        quantity = text
    else:
        words = text.strip().split()
        if text.strip().lower() in _BLANK:
            raise UsageError(f"{what}: a blank display shows no value: change the battery, then read again")
        if words and words[0].lower() in _OVERLOAD:
            return Outcome(overload=True, unit=_unit_of(words[1:]), coupling="")
        quantity = parse_quantity(text, what=what)
    unit = "" if quantity.unit == "1" and "%" not in quantity.text else quantity.unit
    unit = "%" if unit == "1" else unit
    return Outcome(
        value=quantity.value, resolution=quantity.resolution, unit=unit, coupling=quantity.coupling
    )


def _unit_of(words: list[str]) -> str:
    if not words:
        return ""
    try:
        return parse_quantity(f"1 {' '.join(words)}").unit
    except UsageError:
        return ""


def _offered(said: str, words: Sequence[str]) -> str:
    """The one of the words that starts with what was said, of at least 3 letters; else what was said."""
    found = [word for word in words if word.startswith(said)]
    return found[0] if len(found) == 1 and len(said) >= 3 else said


def parse_outcome(action: Action, text: str) -> Outcome:
    """Read what an action showed.

    Raises
    ------
    UsageError
        If the action answers in words and this is none of them, or in readings and this is none.
    """
    plain = " ".join(text.strip().lower().split())
    if action.or_word and _offered(plain, [action.or_word]) == action.or_word:
        return Outcome(words=(action.or_word,))
    if action.words:
        said = tuple(dict.fromkeys(_offered(word.strip(), action.words) for word in plain.split(",")))
        if all(word in action.words for word in said) and (len(said) == 1 or action.several(said)):
            return Outcome(words=said)
        more = "; several with commas, where they are seen at once" if len(action.words) > 2 else ""
        raise UsageError(
            f"{action.id}: {text!r} is not one of the answers",
            hint=f"answer with one of: {', '.join(action.words)}{more}",
        )
    try:
        return parse_shown(text, what=action.id)
    except UsageError as error:
        word = f"; or {action.or_word}" if action.or_word else ""
        raise UsageError(
            error.message, hint=f"type the reading as displayed, like '0.25 ohm', '27.07 V ac' or 'OL'{word}"
        ) from None
