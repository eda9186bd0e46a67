"""Recall after a check standard was found wrong: meters that passed only because of it, and their results."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import msgspec

from benchlog.logbook.chain import Entry
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.project.provenance import shares
from benchlog.project.recall import Failure, Recall, in_order, recall_results
from benchlog.result import Verdict


def recall_standard(
    entries: Sequence[Entry], standards: Sequence[Entry], failure: Failure, undoable: Collection[str] = ()
) -> Recall:
    """Recall results of meters that passed a check standard only because it was wrong.

    Each of their readings on it is judged again with the standard's true value. If a meter then fails, it was bad between
    the neighbouring checks that still pass, and its results from that time are recalled.

    Parameters
    ----------
    entries : sequence of Entry
        As `recall_results` takes them.
    standards : sequence of Entry
        Of kind ``standard``, in order.
    failure : Failure
        Of the check standard; `error_low` and `error_high` are how much its true value lies above the stated one.
    undoable : collection of str
        Hold points whose step can be undone.

    Returns
    -------
    Recall
        With `passed_on_it`, meters to be checked on another standard, and `failed_on_it`, entries of readings that failed
        although the meter was within its specification.
    """
    tag = failure.instrument
    on_it = {e.seq: e for e in standards if e.body["standard"] == tag and e.seq > failure.last_good}
    # First results of meters corrected by it, then of meters that passed only because of it.
    results = {r.entry: r for r in recall_results(entries, failure, undoable=undoable).results}
    meters: dict[str, str] = {}
    for meter, function in dict.fromkeys(
        (str(e.body["meter"]), str(e.body["function"])) for e in on_it.values()
    ):
        mine = [e for e in standards if e.body["meter"] == meter and shares(function, e.body["function"])]
        bad = _bad_meter(meter, function, mine, on_it, failure)
        if bad is None:
            continue
        meters[meter] = function
        for r in recall_results(entries, bad, undoable=undoable).results:
            reason = f"{meter} passed on {tag} only; {r.reason}"
            results[r.entry] = msgspec.structs.replace(r, reason=reason)
    return Recall(
        failure,
        in_order(results.values()),
        passed_on_it=meters,
        failed_on_it=tuple(seq for seq, e in on_it.items() if _wrongly_failed(e, failure)),
    )


def _bad_meter(
    meter: str, function: str, mine: Sequence[Entry], on_it: Collection[int], failure: Failure
) -> Failure | None:
    """A meter that passed only because its standard was wrong: since when, until when, and how far it was off."""
    passed = [e for e in mine if _passes(e)]
    wrong = [e for e in passed if e.seq in on_it and _can_fail(e, failure)]
    if not wrong:
        return None
    good = [e.seq for e in passed if e not in wrong]
    last_good = max(filter(wrong[0].seq.__gt__, good), default=0)
    found = min(filter(wrong[-1].seq.__lt__, good), default=failure.found)
    errors = [error for e in wrong for error in _errors(e, failure)]
    low, high = (min(0.0, *errors), max(0.0, *errors)) if errors else (None, None)
    return Failure(meter, function, last_good=last_good, found=found, error_low=low, error_high=high)


def _passes(entry: Entry) -> bool:
    return bool(entry.body["verdict"] == Verdict.PASS)


def _wrongly_failed(entry: Entry, failure: Failure) -> bool:
    return not _passes(entry) and not _must_fail(entry, failure)


def _can_fail(entry: Entry, failure: Failure) -> bool:
    return failure.errors is None or max(_numbers(entry, failure)) > 1.0


def _must_fail(entry: Entry, failure: Failure) -> bool:
    return failure.errors is None or min(_numbers(entry, failure)) > 1.0


def _numbers(entry: Entry, failure: Failure) -> list[float]:
    """Return the size of E_n with the standard's true value, at both bounds of its error."""
    body: dict[str, Any] = dict(entry.body)
    value, stated, e_n = float(body["value"]), float(body["standard_value"]), float(body["e_n"])
    if e_n and value != stated:  # the unit of E_n
        width = abs((value - stated) / e_n)
    else:
        width = 2 * parse_accuracy(body["accuracy"]).standard_uncertainty(value, float(body["resolution"]))
    return [abs(value - stated * (1 + error)) / width for error in failure.errors or ()]


def _errors(entry: Entry, failure: Failure) -> list[float]:
    """Relative error of the meter, at both bounds of the standard's."""
    value, stated = float(entry.body["value"]), float(entry.body["standard_value"])
    return [value / (stated * (1 + error)) - 1 for error in failure.errors or ()]
