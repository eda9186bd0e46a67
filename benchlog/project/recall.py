"""Recall: which results used an instrument or part that was found bad, and which of them are still valid.

Pure: the logbook's entries and the failure in, a list of affected results out. The rules:

- the period runs from the last good check of the failed function to the failing one;
- V~, V=, A and all functions scaled by a meter's voltage reference are affected together; ratiometric ohms and
frequency are not, nor other instruments; channels and ranges of a scope are separate;
- a quantity that does not depend on the failed gain (a ratio on one range, a null, a swap) is not affected; its budget
has the sensitivity to each thing;
- the true value lies between the value corrected by the error at the last good check and by the error found now; if the
verdict is the same over this range, the result is still valid; a comparison of meters is repeated with the bad
meter's reading corrected in the same way.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

import msgspec

from benchlog.logbook.chain import Entry
from benchlog.logbook.recalled import RecallClass, Recalled
from benchlog.project.old_budgets import with_influences
from benchlog.project.provenance import Blamed, measured_with
from benchlog.project.recall_pairs import shifted_pairs
from benchlog.project.recall_values import corrected, deciding, judged_limits, true_ranges
from benchlog.result import Result, Verdict
from benchlog.wording import limits_words

_NO_DIFFERENCE = 0.1  # a shift below this share of the uncertainty makes no difference


_ORDER = tuple(RecallClass)


class Failure(Blamed, frozen=True):
    """An instrument or part found bad, since when, and by how much.

    Attributes
    ----------
    instrument, function, channel, range_max
        See `Blamed`.
    """

    last_good: int = 0  #: Entry of its last passing check of that reference; 0 if there is none.
    found: int = 0  #: Entry of the failing one, or of the diagnosis that blames it.
    #: error_low, error_high: Relative error at the last good check and now, e.g. 0.010 and 0.038. An instrument reads
    #: high by it; a stated value is really larger by it. None if not known.
    error_low: float | None = None
    error_high: float | None = None
    why: str = ""  #: For the record.

    @property
    def errors(self) -> tuple[float, float] | None:
        """Bounds of the error, or None."""
        if self.error_low is None or self.error_high is None:
            return None
        return self.error_low, self.error_high


class RecalledResult(msgspec.Struct, frozen=True):
    """One result that used it, its class and why; `holds` were released or taken on it.

    `true_ranges` has the range of the true value of each quantity of a result that counts with wider uncertainty, SI.
    """

    entry: int
    check_id: str
    check: str
    part: str
    kind: RecallClass
    reason: str
    holds: tuple[str, ...] = ()
    true_ranges: Mapping[str, tuple[float, float]] = {}

    def is_worse_than(self, before: Iterable[Recalled], failure: Failure) -> bool:
        """Whether it says more than the recalls of the same thing that it already has."""
        known = [r for r in before if r.recall.body["meter"] == failure.instrument]
        if any(_ORDER.index(r.kind) < _ORDER.index(self.kind) for r in known):
            return False
        return not any(r.kind is self.kind and r.covers(self.true_ranges) for r in known)

    def body(self) -> dict[str, Any]:
        """Return its item in the body of a recall entry."""
        ranges = {name: {"low": low, "high": high} for name, (low, high) in self.true_ranges.items()}
        return {
            "entry": self.entry,
            "check_id": self.check_id,
            "part": self.part,
            "class": str(self.kind),
            "reason": self.reason,
            "holds": list(self.holds),
            **({"true_ranges": ranges} if ranges else {}),
        }


class Recall(msgspec.Struct, frozen=True):
    """All affected results, most urgent first; `known` more were recalled before.

    For a check standard, `passed_on_it` has the meters (with function) that passed only because it was wrong, and
    `failed_on_it` the entries of readings that failed only because it was wrong.
    """

    failure: Failure
    results: tuple[RecalledResult, ...]
    known: int = 0
    passed_on_it: Mapping[str, str] = {}
    failed_on_it: tuple[int, ...] = ()

    @property
    def holds(self) -> tuple[str, ...]:
        """Hold points that were released or taken on results that are no longer valid."""
        return tuple(dict.fromkeys(hold for r in self.results if not r.kind.counts for hold in r.holds))

    def body(self) -> dict[str, Any]:
        """Return the body of a recall entry."""
        failure = self.failure
        return {
            "meter": failure.instrument,
            "function": failure.function,
            **({"channel": failure.channel} if failure.channel else {}),
            **({"range": failure.range_max} if failure.range_max else {}),
            "after_entry": failure.last_good,
            "to_entry": failure.found,
            "error": None if failure.errors is None else list(failure.errors),
            "reason": failure.why,
            "results": [r.body() for r in self.results],
            "holds": list(self.holds),
            **({"passed_on_it": dict(self.passed_on_it)} if self.passed_on_it else {}),
            **({"failed_on_it": list(self.failed_on_it)} if self.failed_on_it else {}),
        }


def recall_results(entries: Iterable[Entry], failure: Failure, *, undoable: Collection[str] = ()) -> Recall:
    """Find the results that used an instrument or part between its last good check and the failing one.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds result, supersede, release, concession and step matter.
    undoable : collection of str
        Hold points whose step can be undone, so that their checks can be repeated.
    """
    inside: list[tuple[Entry, Result]] = []
    later: list[tuple[Entry, Result]] = []
    superseded: set[int] = set()
    steps: dict[int, list[str]] = {}
    taken: dict[int, list[str]] = {}
    for entry in entries:
        match entry.kind:
            case "result":
                result = with_influences(Result.from_json(entry.body))
                later.append((entry, result))
                if failure.last_good < entry.seq <= failure.found and _affected(result, failure):
                    inside.append((entry, result))
            case "supersede":
                superseded.add(int(entry.body["entry"]))
            case "release" | "concession" | "step":
                for item in entry.body.get("rests_on", ()):
                    seq, hold = int(item["entry"]), str(entry.body["hold"])
                    steps.setdefault(seq, []).append(hold)
                    if entry.kind == "step" and hold not in undoable:
                        taken.setdefault(seq, []).append(hold)
    found = (
        _judged(entry, result, failure, later, steps.get(entry.seq, []), taken.get(entry.seq, []))
        for entry, result in inside
        if entry.seq not in superseded
    )
    return Recall(failure, in_order(found))


def in_order(results: Iterable[RecalledResult]) -> tuple[RecalledResult, ...]:
    """Return recalled results, most urgent first."""
    return tuple(sorted(results, key=lambda r: (_ORDER.index(r.kind), r.entry)))


def _affected(result: Result, failure: Failure) -> bool:
    """Return whether a deciding quantity depends on what failed, or was confirmed by it; if unknown, any measured with it."""
    if not measured_with(result, failure):
        return False
    if failure.errors is None:
        return True
    return _confirmed_by(result, failure) or any(
        corrected(result, name, failure, failure.errors) for name in deciding(result)
    )


def _confirmed_by(result: Result, failure: Failure) -> bool:
    """Return whether what failed was the second meter, which showed the same as the first."""
    return bool(result.details.get("confirmed_by") == failure.instrument)


def _judged(
    entry: Entry,
    result: Result,
    failure: Failure,
    results: list[tuple[Entry, Result]],
    holds: list[str],
    taken: list[str],
) -> RecalledResult:
    def answer(
        kind: RecallClass, reason: str, true_ranges: Mapping[str, tuple[float, float]] | None = None
    ) -> RecalledResult:
        return RecalledResult(
            entry.seq,
            result.check_id,
            result.check,
            result.part,
            kind,
            reason,
            tuple(dict.fromkeys(holds)),
            true_ranges or {},
        )

    confirmed = _confirmation(entry, result, failure, results)
    if confirmed is not None:
        return answer(RecallClass.STANDS, f"confirmed in entry {confirmed.seq} without {failure.instrument}")
    if result.check == "crosscheck" and result.verdict is Verdict.FAIL:
        return answer(RecallClass.STANDS, f"that {failure.instrument} was wrong may explain why they differ")
    if result.overall is not Verdict.PASS:
        return _again(
            answer, taken, f"the verdict ({result.overall}) relies on {failure.instrument}, which was wrong"
        )
    if failure.errors is None:
        return _again(answer, taken, f"how far {failure.instrument} was off is not known")
    if result.check == "crosscheck":
        return _compared_again(answer, taken, result, failure.instrument, failure.errors)
    wider, spans = False, []
    for name, quantity in deciding(result).items():
        found = corrected(result, name, failure, failure.errors)
        if found is None:
            continue
        spans.append(found.words)
        if not found.inside:
            limits = "" if found.moved_limits else limits_words(judged_limits(result).get(name))
            return _again(answer, taken, f"{found.words}: may lie outside the limits {limits}".rstrip())
        wider = wider or found.shift > _NO_DIFFERENCE * quantity.expanded_uncertainty
    said = [f"{'; '.join(spans)}: {'still within limits' if wider else 'no difference'}"] if spans else []
    if _confirmed_by(result, failure):
        said.append(f"no longer confirmed by {failure.instrument}: confirm it with another meter")
    if wider:
        return answer(RecallClass.WIDER, "; ".join(said), true_ranges(result, failure, *failure.errors))
    return answer(RecallClass.STANDS, "; ".join(said))


def _compared_again(
    answer: Any, taken: list[str], result: Result, instrument: str, errors: tuple[float, float]
) -> RecalledResult:
    pairs = shifted_pairs(result, instrument, errors)
    if pairs is None:
        return _again(answer, taken, f"the comparison can't be repeated without {instrument}'s reading")
    limit = result.limits["e_n"].high if "e_n" in result.limits else None
    most = 1.0 if limit is None else limit
    worst = max(pairs, key=lambda pair: pair.e_n_high)
    if worst.e_n_high > most:
        return _again(answer, taken, f"{worst.words}: they may not have agreed")
    wider = max(pair.shift for pair in pairs) > _NO_DIFFERENCE
    if not wider:
        same: RecalledResult = answer(RecallClass.STANDS, f"{worst.words}: no difference")
        return same
    # E_n of more than two meters is of all of them together: one pair does not say how it moves.
    two = len(pairs) == 1 and len(result.details["meters"]) == 2
    ranges = {"difference": (worst.low, worst.high), "e_n": (worst.e_n_low, worst.e_n_high)} if two else {}
    found: RecalledResult = answer(RecallClass.WIDER, f"{worst.words}: they still agree", ranges)
    return found


def _again(answer: Any, taken: list[str], reason: str) -> RecalledResult:
    if taken:
        found: RecalledResult = answer(
            RecallClass.LOST,
            f"{reason}; the step of {', '.join(dict.fromkeys(taken))} was done since and can't be undone",
        )
        return found
    again: RecalledResult = answer(RecallClass.AGAIN, reason)
    return again


def _confirmation(
    entry: Entry, result: Result, failure: Failure, results: list[tuple[Entry, Result]]
) -> Entry | None:
    """A later result of the same check on the same part with the same verdict, measured without the bad thing."""
    if not result.check_id:
        return None
    return next(
        (
            other
            for other, later in results
            if other.seq > entry.seq
            and (later.check_id, later.part, later.verdict) == (result.check_id, result.part, result.verdict)
            and not measured_with(later, Blamed(failure.instrument))
        ),
        None,
    )
