"""From a value with uncertainty and limits fixed beforehand to one of four verdicts.

Decision rule: guard band w = U (ILAC-G8:09/2019; ISO 14253-1 has the same zones). Inside the limits by at
least U is a pass, outside by at least U a fail, anything else is indeterminate. Where the limits themselves follow from
something measured, U is that of the difference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.errors import UsageError
from benchlog.result import Limits, Uncertain, Verdict
from benchlog.units import format_quantity, format_uncertain

RULE = "guard band w = U (ILAC-G8:09/2019)"


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict, conformance probability, and the reason in one line."""

    verdict: Verdict
    conformance_probability: float
    reason: str


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _cdf(z: float, degrees_of_freedom: float) -> float:
    if math.isinf(z):
        return _normal_cdf(z)
    from scipy.special import stdtr

    return float(stdtr(max(1.0, math.floor(degrees_of_freedom)), z))


def _error_cdf(error: float, u: float, u_rectangle: float) -> float:
    """Probability of a smaller error, where one input is a data sheet's bound and the others together are normal.

    A rectangle convolved with a normal density.
    """
    if not u_rectangle > 0:
        return _normal_cdf(error / u)
    half, rest = math.sqrt(3) * u_rectangle, math.sqrt(max(u * u - u_rectangle * u_rectangle, 1e-12 * u * u))

    def area(end: float) -> float:  # integral of the normal distribution function up to there
        z = end / rest
        return end * _normal_cdf(z) + rest * math.exp(-z * z / 2) / math.sqrt(2 * math.pi)

    return (area(error + half) - area(error - half)) / (2 * half)


def conformance_probability(
    value: float,
    u: float,
    low: float | None,
    high: float | None,
    df: float | None = None,
    u_rectangle: float = 0.0,
) -> float:
    """Probability that the true value is within the limits (JCGM 106:2012, 7.2 to 7.4).

    Student t with whole degrees of freedom where they are finite. Else normal, but for `u_rectangle`, the part of `u` that
    is due to one meter's data sheet.

    >>> round(conformance_probability(-5.47, 0.05, None, -5.40), 4)
    0.9192
    """
    if u == 0:
        return float((low is None or value >= low) and (high is None or value <= high))

    def cdf(error: float) -> float:
        return _error_cdf(error, u, u_rectangle) if df is None else _cdf(error / u, df)

    above = cdf(high - value) if high is not None else 1.0
    below = cdf(low - value) if low is not None else 0.0
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
    u, u_rectangle = _likely(quantity, limits)
    p = conformance_probability(y, u, low, high, quantity.degrees_of_freedom, u_rectangle)
    shown = f"{name} {format_uncertain(y, quantity.expanded_uncertainty, quantity.unit)}"
    if limits.standard_uncertainty > 0:
        shown += f" (each limit ± {format_quantity(2 * limits.standard_uncertainty, limits.unit, 2)})"
    if not math.isfinite(y) or not math.isfinite(expanded):
        return Judgement(Verdict.NOT_DONE, 0.0, f"{name} could not be measured")
    verdict, words = _side(y, expanded, limits)
    if verdict is Verdict.INDETERMINATE:
        words += f" to tell ({percent(p)} chance that it is within)"
    return Judgement(verdict, p, f"{shown} {words}")


def _side(y: float, expanded: float, limits: Limits) -> tuple[Verdict, str]:
    """On which side of the guard bands a value lies."""
    low = -math.inf if limits.low is None else limits.low
    high = math.inf if limits.high is None else limits.high
    if low <= y - expanded and y + expanded <= high:
        return Verdict.PASS, _kept(limits)
    if y + expanded <= low:
        return Verdict.FAIL, f"lies below {format_quantity(low, limits.unit)}"
    if y - expanded >= high:
        return Verdict.FAIL, f"lies above {format_quantity(high, limits.unit)}"
    near = high if abs(high - y) < abs(y - low) else low
    return Verdict.INDETERMINATE, f"is too close to the limit {format_quantity(near, limits.unit)}"


def _likely(quantity: Uncertain, limits: Limits) -> tuple[float, float]:
    """Standard uncertainty that a probability is reckoned with, and the part due to the meter that counts most.

    Guard bands take a meter's whole bound as one error; with gain and zero apart it varies less. This is halfway between,
    for what the limits follow as well.
    """
    bounds = [
        (line.contribution**2, (line.contribution**2 + line.apart**2) / 2)
        for line in quantity.budget
        if line.apart
    ]
    whole, of_limits = quantity.standard_uncertainty**2, limits.standard_uncertainty**2
    if not bounds:
        return math.sqrt(whole + of_limits), 0.0
    as_one, halfway = (sum(squares) for squares in zip(*bounds, strict=True))
    variance = max(whole - as_one, 0.0) + halfway + of_limits * halfway / as_one
    return math.sqrt(variance), math.sqrt(max(half for _, half in bounds))


def percent(p: float) -> str:
    """A probability in words.

    >>> [percent(p) for p in (0.9999, 0.9934, 0.5, 0.0)]
    ['over 99.9 %', '99.3 %', '50 %', 'under 0.1 %']
    """
    if p > 0.999:
        return "over 99.9 %"
    if p < 0.001:
        return "under 0.1 %"
    return f"{100 * p:.1f} %" if p > 0.98 or p < 0.02 else f"{100 * p:.0f} %"


def _kept(limits: Limits) -> str:
    unit = limits.unit
    if limits.low is None:
        return f"is at most {format_quantity(limits.high, unit)}"
    if limits.high is None:
        return f"is at least {format_quantity(limits.low, unit)}"
    return f"lies within {format_quantity(limits.low, unit)} to {format_quantity(limits.high, unit)}"


def e_n(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """E_n number: difference over the root sum square of the expanded uncertainties at k = 2.

    Satisfactory when \\|E_n\\| <= 1 (ISO/IEC 17043; ISO 13528, 9.7). Feed expanded, not standard uncertainties.

    >>> round(e_n(5.19, 0.0708, 5.0, 0.0029), 2)
    2.68
    """
    width = math.hypot(expanded, reference_expanded)
    if not width > 0:
        raise UsageError("E_n needs an uncertainty of at least one side", hint="state the meters' accuracies")
    return (value - reference) / width
