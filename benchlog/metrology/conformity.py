"""From a value with uncertainty and limits fixed beforehand to one of four verdicts.

Decision rule: guard band w = U (ILAC-G8:09/2019; ISO 14253-1 has the same zones). Inside the limits by at
least U is a pass, outside by at least U a fail, anything else is indeterminate. Where the limits themselves follow from
something measured, U is that of the difference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from benchlog.errors import UsageError
from benchlog.finding import Finding
from benchlog.metrology.next_best import Way, way_out
from benchlog.number_format import format_quantity, format_span, format_uncertain
from benchlog.result import Limits, Uncertain, Verdict

RULE = "guard band w = U (ILAC-G8:09/2019)"
#: For the Fourier series of an error's distribution: half-width of its support in standard uncertainties of the normal
#: part, number of terms, and the size below which terms are dropped. The truncation error is below 1e-4.
_TAIL, _TERMS, _NEGLIGIBLE = 6.0, 100, 1e-7
#: A smaller chance is not stated beside "can't tell"; that of a normal error beyond 2 standard uncertainties.
_UNSURE = 0.023

#: Half-widths of a meter's error by its data sheet, see `BudgetLine`.
Bound: TypeAlias = Sequence[float]


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict, conformance probability, and reason in one line."""

    verdict: Verdict
    conformance_probability: float
    reason: str
    way: Way | None = None  #: What would settle a doubt other than uncertainty.
    because: Finding | None = None  #: The finding that the reason states, if it states one.
    words: str = ""  #: The reason without the value, where it is about one.


def unjudged(doubt: Finding, p: float = 0.0, *, record: bool = False) -> Judgement:
    """No verdict, because of a doubt; `record` if the record itself is faulty."""
    reason = f"no verdict from this record: {doubt}" if record else doubt
    return Judgement(Verdict.INDETERMINATE, p, reason, way_out(doubt), doubt)


def _normal_cdf(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _cdf(z: float, degrees_of_freedom: float | None) -> float:
    if degrees_of_freedom is None or math.isinf(z):
        return _normal_cdf(z)
    from scipy.special import stdtr

    return float(stdtr(max(1.0, math.floor(degrees_of_freedom)), z))


def _sinc(x: float) -> float:
    return math.sin(x) / x if x else 1.0


def _transform(bounds: Sequence[Bound], t: float) -> float:
    """Characteristic function of the meters' errors: an even mixture of two cases.

    In one, an error is one fraction of a meter's whole bound; in the other, each part of the bound has its own fraction. Which
    is right nobody knows, but it is the same for all meters. The rounding of a display is separate in both.
    """
    one = math.prod(_sinc(t * (gain + counts)) for gain, counts, _ in bounds)
    each = math.prod(_sinc(t * gain) * _sinc(t * counts) for gain, counts, _ in bounds)
    return (one + each) / 2 * math.prod(_sinc(t * rounding) for _, _, rounding in bounds)


def _error_cdf(error: float, u: float, bounds: Sequence[Bound]) -> float:
    """Probability that the error is below a value: bounds of meters plus a normal part of standard uncertainty `u`.

    Computed as a Fourier series; the characteristic function is the product of those of the parts.
    """
    reach = sum(abs(part) for bound in bounds for part in bound) + _TAIL * u
    if abs(error) >= reach:
        return float(error > 0)
    total = 0.5 + error / (2 * reach)
    for k in range(1, _TERMS):
        t = math.pi * k / reach
        rest = math.exp(-((t * u) ** 2) / 2)
        if rest < _NEGLIGIBLE:
            break
        total += rest * _transform(bounds, t) * math.sin(t * error) / (math.pi * k)
    return min(max(total, 0.0), 1.0)


def conformance_probability(
    value: float,
    u: float,
    low: float | None,
    high: float | None,
    df: float | None = None,
    bounds: Sequence[Bound] = (),
) -> float:
    """Probability that the true value is within the limits (JCGM 106:2012, 7.2 to 7.4).

    With finite degrees of freedom a Student t, rounded down to whole ones. Else a normal convolved with the errors that
    the meters' data sheets allow; `u` is then that of all other inputs.

    >>> round(conformance_probability(-5.47, 0.05, None, -5.40), 4)
    0.9192
    """
    if u == 0 and not bounds:
        return float((low is None or value >= low) and (high is None or value <= high))

    def cdf(error: float) -> float:
        return _error_cdf(error, u, bounds) if bounds else _cdf(error / u, df)

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
    u, bounds = _likely(quantity, limits)
    p = conformance_probability(y, u, low, high, quantity.degrees_of_freedom, bounds)
    shown = f"{name} {format_uncertain(y, quantity.expanded_uncertainty, quantity.unit)}"
    if limits.standard_uncertainty > 0:
        own = format_quantity(2 * limits.standard_uncertainty, limits.unit, 2)
        shown += f" (the limits themselves are known to ± {own})"
    if not math.isfinite(y) or not math.isfinite(expanded):
        return Judgement(Verdict.NOT_DONE, 0.0, f"{name} could not be measured")
    verdict, words = _side(y, expanded, limits)
    if verdict is Verdict.INDETERMINATE:
        margin = format_quantity(expanded, quantity.unit, 2)
        fits = low is None or high is None or 2 * expanded <= high - low
        words += f" to tell: {f'a margin of {margin} is needed' if fits else f'± {margin} does not fit between the limits'}"
        if _UNSURE < p < 1 - _UNSURE:  # beyond that it would read like a verdict
            words += f" ({percent(p)} chance that it is within)"
    return Judgement(verdict, p, f"{shown} {words}", words=words)


def _side(y: float, expanded: float, limits: Limits) -> tuple[Verdict, str]:
    """Verdict of a value by its guard bands, and the reason."""
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


def _likely(quantity: Uncertain, limits: Limits) -> tuple[float, Sequence[Bound]]:
    """Parts of an error for its probability: bounds by data sheets, and the standard uncertainty of the rest.

    Guard bands use a meter's whole bound as one error. With finite degrees of freedom everything is in Student's t.
    """
    whole = math.hypot(quantity.standard_uncertainty, limits.standard_uncertainty)
    bounds = [
        line.half_widths[k : k + 3] for line in quantity.budget for k in range(0, len(line.half_widths), 3)
    ]
    if quantity.degrees_of_freedom is not None or not any(map(any, bounds)):
        return whole, ()
    return math.sqrt(max(whole**2 - _variance(bounds), 0.0)), bounds


def _variance(bounds: Sequence[Bound]) -> float:
    """Larger of the variances that the bounds may have together; guard bands are computed with it."""
    one = sum((abs(gain + counts) + rounding) ** 2 for gain, counts, rounding in bounds)
    each = sum(gain**2 + counts**2 + rounding**2 for gain, counts, rounding in bounds)
    return max(one, each) / 3


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


def whole_percent(p: float) -> str:
    """A probability that trials don't support to a decimal.

    >>> [whole_percent(p) for p in (0.06, 0.934, 0.999)]
    ['6 %', '93 %', '> 99 %']
    """
    return "> 99 %" if p > 0.99 else "< 1 %" if p < 0.01 else f"{100 * p:.0f} %"


def _kept(limits: Limits) -> str:
    unit = limits.unit
    if limits.low is None:
        return f"is at most {format_quantity(limits.high, unit)}"
    if limits.high is None:
        return f"is at least {format_quantity(limits.low, unit)}"
    return f"lies within {format_span(limits.low, limits.high, unit)}"


def e_n(value: float, expanded: float, reference: float, reference_expanded: float) -> float:
    """E_n number: difference over the root sum square of the expanded uncertainties at k = 2.

    Satisfactory if \\|E_n\\| <= 1 (ISO/IEC 17043; ISO 13528, 9.7). Pass expanded, not standard uncertainties.

    >>> round(e_n(5.19, 0.0708, 5.0, 0.0029), 2)
    2.68
    """
    width = math.hypot(expanded, reference_expanded)
    if not width > 0:
        raise UsageError(
            "E_n needs the uncertainty of at least one of the two", hint="state the meters' accuracies"
        )
    return (value - reference) / width
