"""What the comparison of a group's meters rests on and what it still lacks, in words."""

from __future__ import annotations

from collections.abc import Set as AbstractSet

from benchlog.dashboard.agreement import Agreement
from benchlog.units import format_quantity

_LATELY_NS = 10 * 10**9


def agreement_words(agreement: Agreement) -> str:
    """Write the largest difference, with its E_n."""
    if agreement.e_n is None or agreement.pair is None or agreement.difference is None:
        return "one is near zero, another is not" if agreement.word == "disagree" else ""
    a, b = agreement.pair
    apart = format_quantity(abs(agreement.difference), agreement.unit, _digits(agreement.difference))
    words = f"E_n {agreement.e_n:.2f} (limit 1): {a} and {b} "
    if len(agreement.typed) == 1 and agreement.age_ns > _LATELY_NS:
        words += f"were {apart} apart when {agreement.typed[0]} was typed"
    else:
        words += f"are {apart} apart"
    return f"{words}; the disagreement has ended" if agreement.word == "agree" and agreement.ended else words


def _digits(difference: float) -> int:
    """Write a difference in two digits, a large one (a meter that shows zero) in three."""
    return 3 if abs(difference) >= 10 else 2


def typed_once(agreement: Agreement) -> bool:
    """Whether it waits for a second typed reading."""
    return agreement.word == "unsettled" and not agreement.ended and bool(agreement.typed)


def pending(agreement: Agreement, by_hand: AbstractSet[str]) -> str:
    """Say what a comparison still needs."""
    if agreement.word == "set differently":
        return "not on the same function"
    lacks = []
    if agreement.word == "unsettled" and agreement.ended:
        lacks.append("agreeing again, but not for long enough")
    elif agreement.word == "unsettled":
        lacks.append("waits for a second typed reading" if typed_once(agreement) else "not for long enough")
    if agreement.unread:
        how = " typed" if by_hand >= set(agreement.unread) else ""
        lacks.append(f"no reading of {', '.join(agreement.unread)}{how} yet")
    if late := [tag for tag in agreement.missing if tag not in agreement.unread]:
        if agreement.word != "no comparison":
            lacks.append(f"{', '.join(late)} not compared now")
        elif not agreement.unread:
            lacks.append(
                "type the readings within a minute of each other"
                if by_hand >= set(late)
                else "needs a number from two meters that have come to rest"
            )
    return "; ".join(lacks)
