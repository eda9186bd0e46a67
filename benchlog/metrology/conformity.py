"""From a value with uncertainty and limits fixed beforehand to one of four verdicts.

Decision rule: guard band w = U (ILAC-G8:09/2019; ISO 14253-1 has the same zones). Inside the limits by at
least U is a pass, outside by at least U a fail, anything else is indeterminate. Where the limits themselves follow from
something measured, U is that of the difference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.result import Limits, Uncertain, Verdict
from benchlog.units import format_quantity, format_uncertain

__all__ = ["RULE", "Judgement", "conformance_probability", "judge"]

RULE = "guard band w = U (ILAC-G8:09/2019)"


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict, conformance probability, and the reason in one line."""

    verdict: Verdict
    conformance_probability: float
    reason: str


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _cdf(z: float, degrees_of_freedom: float | None) -> float:
    if degrees_of_freedom is None or math.isinf(z):
        return _normal_cdf(z)
    from scipy.special import stdtr

    return float(stdtr(max(1.0, math.floor(degrees_of_freedom)), z))


def conformance_probability(
    value: float, u: float, low: float | None, high: float | None, df: float | None = None
) -> float:
    """Probability that the true value is within the limits (JCGM 106:2012, 7.2 to 7.4).

    Normal for infinite degrees of freedom (`df` None), else Student t with whole degrees of freedom. One meter's error
    is no normal one; how it shares its bound between gain and zero is not known, and normal is right within 0.05 for
    both extremes (`tests/performance/operating_characteristics.py`).

    >>> round(conformance_probability(-5.47, 0.05, None, -5.40), 4)
    0.9192
    """
    if u == 0:
        return float((low is None or value >= low) and (high is None or value <= high))
    above = _cdf((high - value) / u, df) if high is not None else 1.0
    below = _cdf((low - value) / u, df) if low is not None else 0.0
    return max(0.0, above - below)


def judge(quantity: Uncertain, limits: Limits, name: str = "value") -> Judgement:
    """Judge one quantity by the guard-band rule.

    Parameters
    ----------
    quantity : Uncertain
        In the unit of `limits`.
    limits : Limits
        At least one of low and high.
    name : str
        What the reason calls the quantity.
    """
    y, low, high = quantity.value, limits.low, limits.high
    expanded = math.hypot(quantity.expanded_uncertainty, 2 * limits.standard_uncertainty)
    p = conformance_probability(
        y,
        math.hypot(quantity.standard_uncertainty, limits.standard_uncertainty),
        low,
        high,
        quantity.degrees_of_freedom,
    )
    shown = f"{name} {format_uncertain(y, quantity.expanded_uncertainty, quantity.unit)}"
    if limits.standard_uncertainty > 0:
        shown += f" (limits ± {format_quantity(2 * limits.standard_uncertainty, limits.unit, 2)})"
    if not math.isfinite(y) or not math.isfinite(expanded):
        return Judgement(Verdict.NOT_DONE, 0.0, f"{name} could not be measured")
    if (low is None or y - expanded >= low) and (high is None or y + expanded <= high):
        return Judgement(Verdict.PASS, p, f"{shown} {_kept(limits)}")
    if low is not None and y + expanded <= low:
        return Judgement(Verdict.FAIL, p, f"{shown} lies below {format_quantity(low, limits.unit)}")
    if high is not None and y - expanded >= high:
        return Judgement(Verdict.FAIL, p, f"{shown} lies above {format_quantity(high, limits.unit)}")
    near = high if low is None or (high is not None and abs(high - y) < abs(y - low)) else low
    return Judgement(
        Verdict.INDETERMINATE,
        p,
        f"{shown} is too close to the limit {format_quantity(near, limits.unit)} to tell (P(within) {_share(p)})",
    )


def _share(p: float) -> str:
    return "above 0.995" if p > 0.995 else "below 0.005" if p < 0.005 else f"{p:.2f}"


def _kept(limits: Limits) -> str:
    unit = limits.unit
    if limits.low is None:
        return f"is at most {format_quantity(limits.high, unit)}"
    if limits.high is None:
        return f"is at least {format_quantity(limits.low, unit)}"
    return f"lies within {format_quantity(limits.low, unit)} to {format_quantity(limits.high, unit)}"
