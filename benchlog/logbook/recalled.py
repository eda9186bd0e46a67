"""Effect of the recalls on record on each result; undone ones have none.

A result may be recalled for several things: it counts only if it is still valid after each recall.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from enum import StrEnum

import msgspec

from benchlog.logbook.chain import Entry
from benchlog.number_format import format_span
from benchlog.result import Uncertain
from benchlog.wording import value_words

#: Kinds of entries that say what is recalled, in the order in which they are applied.
RECALL_KINDS = ("recall", "recall undone")


class RecallClass(StrEnum):
    """Class of a recalled result, as recorded; the most urgent first."""

    LOST = "can't be measured again"  #: As it was before a step that can't be undone.
    AGAIN = "measure again"
    WIDER = "stands with wider uncertainty"
    STANDS = "stands"

    @property
    def words(self) -> str:
        """The class as shown on screens; the recorded values never change."""
        shown = {
            RecallClass.LOST: "measure again; the step that relied on it can't be undone",
            RecallClass.WIDER: "still valid, with wider uncertainty",
            RecallClass.STANDS: "still valid",
        }
        return shown.get(self, str(self))

    @classmethod
    def _missing_(cls, value: object) -> RecallClass:
        """Read an unknown class of another version as the most cautious one."""
        return cls.AGAIN

    @property
    def counts(self) -> bool:
        """Whether the result still counts."""
        return self in (RecallClass.WIDER, RecallClass.STANDS)


class Recalled(msgspec.Struct, frozen=True):
    """Effect of one recall on one result."""

    recall: Entry
    kind: RecallClass
    true_ranges: dict[
        str, tuple[float, float]
    ]  #: Of each quantity it moves, SI; empty in records that lack them.

    @property
    def blamed(self) -> tuple[object, ...]:
        """What was found bad: instrument, function, channel and range."""
        return tuple(self.recall.body.get(name) for name in ("meter", "function", "channel", "range"))

    def covers(self, ranges: Mapping[str, tuple[float, float]]) -> bool:
        """Whether its ranges of the true values hold these."""
        mine = self.true_ranges
        return all(
            n in mine and mine[n][0] <= low and high <= mine[n][1] for n, (low, high) in ranges.items()
        )

    @property
    def words(self) -> str:
        """What was found bad, and the result's class."""
        return f"recalled with {self.recall.body['meter']}: {self.kind.words}"


class Recalls:
    """Recalls that were not undone, by result."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        found: dict[int, Entry] = {}
        for entry in entries:
            if entry.kind == "recall":
                found[entry.seq] = entry
            elif entry.kind == "recall undone":
                found.pop(int(entry.body["entry"]), None)
        self.entries = tuple(found.values())
        self._of: dict[int, list[Recalled]] = {}
        for entry in self.entries:
            for item in entry.body["results"]:
                ranges = {str(name): (r["low"], r["high"]) for name, r in item.get("true_ranges", {}).items()}
                recalled = Recalled(entry, RecallClass(item["class"]), ranges)
                self._of.setdefault(int(item["entry"]), []).append(recalled)

    def of(self, seq: int) -> tuple[Recalled, ...]:
        """Effects of the recalls on the result of an entry, the most urgent first."""
        order = list(RecallClass)
        return tuple(sorted(self._of.get(seq, ()), key=lambda recalled: order.index(recalled.kind)))


def corrected_words(name: str, quantity: Uncertain, recalls: Iterable[Recalled]) -> tuple[str, str]:
    """Value of a result as shown, and a note if recalls widened it: the recorded value, or the recall to look up."""
    wider = [recalled for recalled in recalls if recalled.kind is RecallClass.WIDER]
    if unknown := [str(recalled.recall.seq) for recalled in wider if not recalled.true_ranges]:
        return value_words(quantity), f"see recall, entry {', '.join(unknown)}"
    interval = _widened(name, quantity, wider)
    if interval is None:
        return value_words(quantity), ""
    low, high = interval
    # Enough digits for a hundredth of the interval.
    width = high - low
    digits = max(4, math.ceil(math.log10(max(abs(low), abs(high)) / width)) + 2) if width > 0 else 4
    return format_span(low, high, quantity.unit, digits=digits), f"was {value_words(quantity)}"


def _widened(name: str, quantity: Uncertain, wider: Iterable[Recalled]) -> tuple[float, float] | None:
    """Interval for the true value, SI; None if no recall changes it.

    Of several recalls of the same thing the widest range counts, shifts of different things add up (to first order), and
    the recorded uncertainty is added on both sides.
    """
    shifts: dict[tuple[object, ...], tuple[float, float]] = {}
    for recalled in wider:
        low, high = (end - quantity.value for end in recalled.true_ranges.get(name, (quantity.value,) * 2))
        least, most = shifts.get(recalled.blamed, (low, high))
        shifts[recalled.blamed] = min(least, low), max(most, high)
    down, up = (sum(ends) for ends in zip(*shifts.values(), strict=True)) if shifts else (0.0, 0.0)
    if not (down or up):
        return None
    expanded = quantity.expanded_uncertainty
    return quantity.value + down - expanded, quantity.value + up + expanded
