"""What rested on a meter that was found bad, and whether it still stands.

Pure: the logbook's entries and what is known of the failure in, a list of affected results out. The rules:

- the window is after the last good check of the failed function up to the failing one;
- V~, V=, A and whatever else is scaled by the meter's voltage reference share its fate; ratiometric ohms and
  frequency don't, nor does anything another instrument measured;
- a quantity that does not depend on the meter's gain (a ratio on one range, a null) stands: its uncertainty budget
  says so, having no line for that meter or one that cancels;
- the true value lies between the reading corrected by the error at the last good check and by that found now; where
  the verdict is the same over all of it, the result stands; a comparison of meters is done again with the bad one's
  reading so corrected.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from enum import StrEnum
from typing import Any

import msgspec

from benchlog.logbook.chain import Entry
from benchlog.project.recall_pairs import shifted_pairs
from benchlog.result import Limits, Result, Uncertain, Verdict
from benchlog.wording import quantity_words

__all__ = [
    "SHARED_REFERENCE",
    "Failure",
    "Recall",
    "RecallClass",
    "RecalledResult",
    "recall_results",
    "shares",
]

SHARED_REFERENCE = frozenset({"V~", "V=", "V~=", "A~", "A=", "diode", "degC"})
"""Functions scaled by the voltage reference of a meter."""

_RATIOMETRIC = frozenset({"ohm", "ohm4w", "continuity"})
_NO_DIFFERENCE = 0.1  # share of the uncertainty below which a shift changes nothing
_CANCELLED = 0.02  # share of the largest budget line below which a meter's line has cancelled


class RecallClass(StrEnum):
    """What becomes of a result; in the order in which they need attention."""

    LOST = "can't be measured again"
    AGAIN = "measure again"
    WIDER = "stands with wider uncertainty"
    STANDS = "stands"


_ORDER = tuple(RecallClass)


class Failure(msgspec.Struct, frozen=True):
    """A meter found bad on one function.

    Attributes
    ----------
    meter, function : str
        Tag, and what it failed on (``"V="``).
    last_good : int
        Entry of its last passing check of that reference; 0 if there is none.
    found : int
        Entry of the failing one, or of the diagnosis that blames it.
    error_low, error_high : float
        Relative error of its readings over the window, e.g. 0.010 and 0.038: at the last good check and now.
    why : str
        For the record.
    """

    meter: str
    function: str
    last_good: int
    found: int
    error_low: float
    error_high: float
    why: str = ""


class RecalledResult(msgspec.Struct, frozen=True):
    """One result that rested on the meter, what becomes of it and why; `holds` were released or taken on it."""

    entry: int
    check_id: str
    check: str
    part: str
    kind: RecallClass
    reason: str
    holds: tuple[str, ...] = ()


class Recall(msgspec.Struct, frozen=True):
    """All results that rested on the meter, most urgent first; `known` more were recalled with it before."""

    failure: Failure
    results: tuple[RecalledResult, ...]
    known: int = 0

    @property
    def holds(self) -> tuple[str, ...]:
        """Hold points that were released or taken on results that no longer stand."""
        unsafe = [r for r in self.results if r.kind in (RecallClass.LOST, RecallClass.AGAIN)]
        return tuple(dict.fromkeys(hold for r in unsafe for hold in r.holds))

    def body(self) -> dict[str, Any]:
        """Return the body of a recall entry."""
        failure = self.failure
        return {
            "meter": failure.meter,
            "function": failure.function,
            "after_entry": failure.last_good,
            "to_entry": failure.found,
            "error": [failure.error_low, failure.error_high],
            "reason": failure.why,
            "results": [
                {
                    "entry": r.entry,
                    "check_id": r.check_id,
                    "part": r.part,
                    "class": str(r.kind),
                    "reason": r.reason,
                    "holds": list(r.holds),
                }
                for r in self.results
            ],
            "holds": list(self.holds),
        }


def shares(failed: str, used: str) -> bool:
    """Tell whether a failure of one function makes another doubtful.

    >>> shares("V=", "A~"), shares("V=", "ohm")
    (True, False)
    """
    if failed == used:
        return True
    groups = (SHARED_REFERENCE, _RATIOMETRIC)
    return any(failed in group and used in group for group in groups)


def recall_results(entries: Iterable[Entry], failure: Failure, *, undoable: Collection[str] = ()) -> Recall:
    """Find what rested on a meter between its last good check and the failing one.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds result, supersede, release, concession and step matter.
    failure : Failure
    undoable : collection of str
        Hold points whose step can be undone, so that what led to them can be measured again.

    Returns
    -------
    Recall
    """
    inside: list[tuple[Entry, Result]] = []
    later: list[tuple[Entry, Result]] = []
    superseded: set[int] = set()
    steps: dict[int, list[str]] = {}
    taken: dict[int, list[str]] = {}
    for entry in entries:
        match entry.kind:
            case "result":
                result = Result.from_json(entry.body)
                later.append((entry, result))
                if failure.last_good < entry.seq <= failure.found and _rests_on(result, failure):
                    inside.append((entry, result))
            case "supersede":
                superseded.add(int(entry.body["entry"]))
            case "release" | "concession" | "step":
                for item in entry.body.get("rests_on", ()):
                    seq, hold = int(item["entry"]), str(entry.body["hold"])
                    steps.setdefault(seq, []).append(hold)
                    if entry.kind == "step" and hold not in undoable:
                        taken.setdefault(seq, []).append(hold)
    found = [
        _judged(entry, result, failure, later, steps.get(entry.seq, []), taken.get(entry.seq, []))
        for entry, result in inside
        if entry.seq not in superseded
    ]
    found.sort(key=lambda r: (_ORDER.index(r.kind), r.entry))
    return Recall(failure, tuple(found))


def _rests_on(result: Result, failure: Failure) -> bool:
    """Tell whether any quantity that decides rests on the meter's failed reference."""
    if failure.meter not in result.instruments:
        return False
    used = result.functions.get(failure.meter, "")
    if used and not any(shares(failure.function, function.strip()) for function in used.split(",")):
        return False
    return any(_depends(quantity, failure.meter) for quantity in _deciding(result).values())


def _deciding(result: Result) -> Mapping[str, Uncertain]:
    """Quantities with limits; all of them where none has any."""
    limited = {name: q for name, q in result.quantities.items() if name in result.limits}
    return limited or result.quantities


def _depends(quantity: Uncertain, meter: str) -> bool:
    """Tell whether a quantity depends on the meter's gain: its budget has a line for it that did not cancel."""
    if not quantity.budget:
        return True
    mine = [
        line.contribution
        for line in quantity.budget
        if line.label.startswith((f"accuracy of {meter} ", f"gain of {meter}"))
        or line.label == f"gain of {meter}"
    ]
    largest = max(line.contribution for line in quantity.budget)
    return max(mine, default=0.0) > _CANCELLED * largest


def _judged(
    entry: Entry,
    result: Result,
    failure: Failure,
    results: list[tuple[Entry, Result]],
    holds: list[str],
    taken: list[str],
) -> RecalledResult:
    def answer(kind: RecallClass, reason: str) -> RecalledResult:
        return RecalledResult(
            entry.seq,
            result.check_id,
            result.check,
            result.part,
            kind,
            reason,
            tuple(dict.fromkeys(holds)),
        )

    confirmed = _confirmation(entry, result, failure, results)
    if confirmed is not None:
        return answer(RecallClass.STANDS, f"confirmed in entry {confirmed.seq} without {failure.meter}")
    if result.verdict is not Verdict.PASS:
        return _again(answer, taken, f"was {result.verdict}, and the meter was wrong: decide it anew")
    if result.check == "crosscheck":
        return _compared_again(answer, taken, result, failure)
    wider, spans = False, []
    for name, quantity in _deciding(result).items():
        if not _depends(quantity, failure.meter):
            continue
        low, high = _true_range(quantity.value, failure)
        expanded = quantity.expanded_uncertainty
        limits = result.limits.get(name)
        unit = "" if quantity.unit == "1" else f" {quantity.unit}"
        span = f"{quantity_words(name)} {quantity.value:.4g} was really {low:.4g} to {high:.4g}{unit}"
        span += f", ± {expanded:.2g}" if expanded > 0 else ""
        if limits is None or not _inside(low - expanded, high + expanded, limits):
            return _again(answer, taken, f"{span}: the limits can be left")
        spans.append(span)
        wider = (
            wider or max(abs(low - quantity.value), abs(high - quantity.value)) > _NO_DIFFERENCE * expanded
        )
    if wider:
        return answer(RecallClass.WIDER, f"{'; '.join(spans)}: inside the limits all the same")
    return answer(RecallClass.STANDS, f"{'; '.join(spans)}: no difference")


def _compared_again(answer: Any, taken: list[str], result: Result, failure: Failure) -> RecalledResult:
    pairs = shifted_pairs(result, failure)
    if pairs is None:
        return _again(answer, taken, f"the comparison can't be done again without {failure.meter}'s reading")
    limit = result.limits["e_n"].high if "e_n" in result.limits else None
    most = 1.0 if limit is None else limit
    worst = max(pairs, key=lambda pair: pair.e_n_high)
    if worst.e_n_high > most:
        return _again(answer, taken, f"{worst.words}: they need not have agreed")
    wider = max(pair.shift for pair in pairs) > _NO_DIFFERENCE
    tail = "agreed all the same" if wider else "no difference"
    found: RecalledResult = answer(
        RecallClass.WIDER if wider else RecallClass.STANDS, f"{worst.words}: {tail}"
    )
    return found


def _again(answer: Any, taken: list[str], reason: str) -> RecalledResult:
    if taken:
        found: RecalledResult = answer(
            RecallClass.LOST,
            f"{reason}; {', '.join(dict.fromkeys(taken))} was taken on it and can't be undone",
        )
        return found
    again: RecalledResult = answer(RecallClass.AGAIN, reason)
    return again


def _true_range(value: float, failure: Failure) -> tuple[float, float]:
    """Range of the true value behind a reading with a relative error between those known."""
    ends = [value / (1.0 + failure.error_low), value / (1.0 + failure.error_high)]
    return min(ends), max(ends)


def _inside(low: float, high: float, limits: Limits) -> bool:
    return (limits.low is None or low >= limits.low) and (limits.high is None or high <= limits.high)


def _confirmation(
    entry: Entry, result: Result, failure: Failure, results: list[tuple[Entry, Result]]
) -> Entry | None:
    """A later result of the same check on the same part with the same verdict and without the meter."""
    if not result.check_id:
        return None
    return next(
        (
            other
            for other, later in results
            if other.seq > entry.seq
            and (later.check_id, later.part, later.verdict) == (result.check_id, result.part, result.verdict)
            and failure.meter not in later.instruments
        ),
        None,
    )
