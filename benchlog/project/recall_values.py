"""Quantities of a result as they really were, corrected for an instrument or part that was found bad.

Limits that were computed from something measured with it (mains, by a bad meter) move too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec

from benchlog.number_format import format_quantity, format_span
from benchlog.project.provenance import Blamed, true_range
from benchlog.result import Limits, Result, Uncertain
from benchlog.wording import quantity_words, value_words


def deciding(result: Result) -> Mapping[str, Uncertain]:
    """Quantities with limits or under a check of the design; all if there are none."""
    limits = judged_limits(result)
    limited = {name: q for name, q in result.quantities.items() if name in limits}
    return limited or result.quantities


def judged_limits(result: Result) -> Mapping[str, Limits]:
    """Limits by quantity, those of the design too."""
    design = {d.quantity: Limits(None, d.limit, d.unit) for d in result.design_checks if d.quantity}
    return {**design, **result.limits}


class Corrected(msgspec.Struct, frozen=True):
    """A quantity that decides, as it really was: whether still inside its limits, which may have followed too."""

    inside: bool
    shift: float  #: Largest change of it or of its limits, SI.
    moved_limits: bool
    words: str


def corrected(result: Result, name: str, failure: Blamed, errors: tuple[float, float]) -> Corrected | None:
    """Correct a quantity, and limits that were computed from a reading.

    Parameters
    ----------
    name : str
        Of a quantity of the result.
    failure : Blamed
        What was found bad.
    errors : tuple of float
        Bounds of its relative error.

    Returns
    -------
    Corrected or None
        None where neither the quantity nor its limits follow the error.
    """
    quantity, limits = result.quantities[name], judged_limits(result).get(name)
    expected = _measured_expectation(result, name)
    guard = math.hypot(quantity.expanded_uncertainty, 2 * (limits.standard_uncertainty if limits else 0.0))
    values, scales, inside = [quantity.value], [1.0], limits is not None
    for error in errors:  # a meter that read both moved both by the same
        own = true_range(quantity, failure, error, error)
        its = None if expected is None else true_range(expected, failure, error, error)
        if own is None and its is None:
            return None
        low, high = own or (quantity.value, quantity.value)
        least, most = (1.0, 1.0) if its is None or expected is None else (end / expected.value for end in its)
        inside = inside and limits is not None and _inside(low - guard, high + guard, limits, least, most)
        values, scales = [*values, low, high], [*scales, least, most]
    changes = [abs(v - quantity.value) for v in values] + [abs(s - 1.0) * abs(quantity.value) for s in scales]
    words = f"{quantity_words(name)} {value_words(quantity)}"
    if true := true_range(quantity, failure, *errors):
        words += f" corrected to {format_span(*true, quantity.unit)}"
        if limits is not None and not inside and guard and _inside(*true, limits, min(scales), max(scales)):
            words += f", itself uncertain by ±{format_quantity(guard, quantity.unit)}"
    farthest = max(scales, key=lambda scale: abs(scale - 1.0))
    moved = _moved_limits(limits, farthest)
    return Corrected(inside, max(changes), bool(moved), words + moved)


def _moved_limits(limits: Limits | None, scale: float) -> str:
    """Limits as they really were, in words; empty where they stay."""
    if limits is None or scale == 1.0:
        return ""
    return f", its limits to {_scaled(limits, scale, scale)}"


def _measured_expectation(result: Result, name: str) -> Uncertain | None:
    """What was expected of a quantity whose limits follow something measured, with the budget of that."""
    limits = result.limits.get(name)
    expected = result.quantities.get(result.expectations.get(name, ""))
    if limits is None or not limits.standard_uncertainty > 0 or expected is None or not expected.budget:
        return None
    return expected


def true_ranges(
    result: Result, failure: Blamed, low: float, high: float
) -> Mapping[str, tuple[float, float]]:
    """Range of the true value of each quantity that follows the error, limited or not."""
    ranges = {name: true_range(q, failure, low, high) for name, q in result.quantities.items()}
    return {name: found for name, found in ranges.items() if found is not None}


def _inside(low: float, high: float, limits: Limits, least: float, most: float) -> bool:
    """Whether an interval is within limits that are to be scaled by anything between two factors."""
    moved = _scaled(limits, most, least)
    return (moved.low is None or low >= moved.low) and (moved.high is None or high <= moved.high)


def _scaled(limits: Limits, of_low: float, of_high: float) -> Limits:
    low, high = limits.low, limits.high
    return Limits(
        None if low is None else low * of_low, None if high is None else high * of_high, limits.unit
    )
