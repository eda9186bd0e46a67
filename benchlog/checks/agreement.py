"""Two instruments logged side by side: bias, scatter, drift, limits of agreement, error at each level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.checks.alignment import Alignment, align, pair
from benchlog.checks.meter_pairs import E_N_LIMITS, E_N_RULE, expanded_at_2
from benchlog.checks.settled import Step, count_size, settled_steps
from benchlog.errors import AnalysisError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.statistics import (
    Line,
    Summary,
    effective_number,
    lag1_autocorrelation,
    least_squares_line,
    summarize,
    theil_sen_slope,
)
from benchlog.result import Limits, Result, Uncertain, Verdict
from benchlog.units import format_quantity, format_uncertain

__all__ = ["Agreement", "Series", "check_agreement", "compare_series"]

FloatArray = npt.NDArray[np.float64]
_LEAST = 3
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One instrument's log.

    Attributes
    ----------
    name : str
    time_s, values : array of shape (n,)
        Second and `unit`; NaN where there was no number.
    unit : str
        Empty when unknown.
    accuracy : Accuracy or None
        Its statement, when known.
    resolution : float
        One count; 0: taken from the values.
    """

    name: str
    time_s: FloatArray
    values: FloatArray
    unit: str = ""
    accuracy: Accuracy | None = None
    resolution: float = 0.0

    def finite(self) -> Series:
        """The same without rows that have no number, in order of time."""
        keep = np.flatnonzero(np.isfinite(self.values) & np.isfinite(self.time_s))
        keep = keep[np.argsort(self.time_s[keep], kind="stable")]
        return Series(
            self.name, self.time_s[keep], self.values[keep], self.unit, self.accuracy, self.resolution
        )

    def standard_uncertainty(self, value: float) -> float | None:
        """Standard uncertainty of a reading by the accuracy statement; None when there is none."""
        if self.accuracy is None:
            return None
        return self.accuracy.standard_uncertainty(value, self.resolution or count_size(self.values))


@dataclass(frozen=True, slots=True)
class Agreement:
    """How two instruments agree; differences are first minus second.

    Attributes
    ----------
    difference : Summary
        Mean (the bias), spread, memory and so on of the differences.
    limits_low, limits_high, u_limits : float
        Limits of agreement, mean plus-minus 1.96 sd, and their standard uncertainty (Bland and Altman 1999,
        Stat. Methods Med. Res. 8, 135-160; from memory).
    regression : Line
        first = intercept + slope second.
    drift : Line
        Of the difference against time, per second; its uncertainties take the memory into account.
    robust_drift : float
        Theil-Sen slope of the same, per second.
    largest : float
        Largest absolute difference.
    steps : tuple of Step
        Steady stretches, with the difference at the end of each.
    """

    difference: Summary
    limits_low: float
    limits_high: float
    u_limits: float
    regression: Line
    drift: Line
    u_drift: float
    robust_drift: float
    largest: float
    steps: tuple[Step, ...]

    @property
    def drifts(self) -> bool:
        """Whether the drift is more than twice its standard uncertainty, by either slope."""
        return abs(self.drift.slope) > 2 * self.u_drift and abs(self.robust_drift) > 2 * self.u_drift


def compare_series(time_s: FloatArray, first: FloatArray, second: FloatArray) -> Agreement:
    """Compare readings taken at the same moments.

    Parameters
    ----------
    time_s, first, second : array of shape (n,)
        Finite, in order of time, at least three.
    """
    if not time_s.size == first.size == second.size:
        raise AnalysisError(f"{first.size} and {second.size} readings can't be paired")
    if time_s.size < _LEAST:
        raise AnalysisError(
            f"{time_s.size} common readings are too few", hint=f"at least {_LEAST} are needed"
        )
    off = first - second
    summary = summarize(off)
    drift = least_squares_line(time_s, off)
    residual = off - drift.intercept - drift.slope * time_s
    memory = off.size / effective_number(off.size, lag1_autocorrelation(residual))
    n = summary.n_effective
    return Agreement(
        difference=summary,
        limits_low=summary.mean - 1.96 * summary.sd,
        limits_high=summary.mean + 1.96 * summary.sd,
        u_limits=summary.sd * math.sqrt(1 / n + 1.96**2 / (2 * max(n - 1, 1.0))),
        regression=_regression(second, first),
        drift=drift,
        u_drift=drift.u_slope * math.sqrt(memory),
        robust_drift=theil_sen_slope(time_s, off),
        largest=float(np.abs(off).max()),
        steps=settled_steps(time_s, first, second),
    )


def _regression(x: FloatArray, y: FloatArray) -> Line:
    """Fit y on x; a constant x has no slope."""
    if np.ptp(x) == 0:
        return Line(math.nan, math.nan, math.nan, math.nan, math.nan, 0.0)
    return least_squares_line(x, y)


def check_agreement(
    first: Series, second: Series, *, same_clock: bool, notes: Sequence[str] = (), index_only: bool = False
) -> Result:
    """Compare two logged instruments.

    Parameters
    ----------
    first, second : Series
    same_clock : bool
        True for two columns of one log: an offset found between them is then a lag, told but not applied.
        False for two logs: a significant offset of the second clock is applied.
    notes : sequence of str
        Findings of reading the files.
    index_only : bool
        True where rows are numbered, not timed.

    Returns
    -------
    Result
        `difference` is the mean of first minus second with the uncertainty of its scatter; `e_n` where both
        accuracies are known, worst of the steady stretches, or of the whole log where there are not two. Without
        accuracies the result is indeterminate: it says how they agree, and can't judge.

    Raises
    ------
    UsageError
        If the units differ.
    AnalysisError
        If hardly anything is common to both.
    """
    if first.unit and second.unit and first.unit != second.unit:
        raise UsageError(
            f"{first.name} is in {first.unit} and {second.name} in {second.unit}: different quantities",
            hint="choose columns of one quantity with --columns",
        )
    if first.name == second.name:
        raise UsageError(f"both are called {first.name!r}", hint="give them different names with --columns")
    unit = first.unit or second.unit or "1"
    findings = [Finding(FindingKind.CLOCKS, words) for words in notes]
    a, b = first.finite(), second.finite()
    for series, whole in ((a, first), (b, second)):
        if series.values.size < _LEAST:
            raise AnalysisError(
                f"{whole.name} has {series.values.size} readings with a number", hint="at least 3 are needed"
            )
    time_s, u, v, alignment = _paired(first, second, a, b, same_clock)
    found = compare_series(time_s, u, v)
    findings += _about_clock(alignment, a, b, same_clock, index_only)
    findings += _about_shape(found, a, b, unit, index_only)
    bias = found.difference
    difference = to_uncertain(
        uncertain(
            bias.mean,
            bias.u_mean,
            max(1.0, bias.n_effective - 1),
            label="scatter of the differences",
            influence=Influence(Role.SCATTER),
        ),
        unit,
    )
    quantities = {"difference": difference}
    limits: dict[str, Limits] = {}
    verdict, judged = _judge(found, a, b, float(u.mean()), float(v.mean()))
    if judged is not None:
        quantities = {"e_n": Uncertain(judged, 0.0, 0.0, "1"), **quantities}
        limits["e_n"] = E_N_LIMITS
    return Result(
        check="crosscheck",
        verdict=verdict,
        reason=_reason(found, a, b, unit, judged),
        quantities=quantities,
        limits=limits,
        rule=E_N_RULE if judged is not None else "limits of agreement: mean ± 1.96 sd, stated, not judged",
        instruments=(first.name, second.name),
        findings=tuple(findings),
        details=_details(found, a, b, alignment, same_clock, unit),
    )


def _paired(
    first: Series, second: Series, a: Series, b: Series, same_clock: bool
) -> tuple[FloatArray, FloatArray, FloatArray, Alignment]:
    """Return common times, both values there, and the clocks against each other."""
    alignment = align(a.time_s, a.values, b.time_s, b.values)
    if same_clock:
        common = np.isfinite(first.values) & np.isfinite(second.values) & np.isfinite(first.time_s)
        rows = np.flatnonzero(common)
        rows = rows[np.argsort(first.time_s[rows], kind="stable")]
        if rows.size < _LEAST:
            raise AnalysisError(
                f"only {rows.size} rows have a number of both {first.name} and {second.name}",
                hint="log both together",
            )
        return first.time_s[rows], first.values[rows], second.values[rows], alignment
    time_b = alignment.first_clock(b.time_s)
    # The faster log is read off at the times of the slower one.
    if np.median(np.diff(time_b)) > np.median(np.diff(a.time_s)):
        u, valid = pair(time_b, a.time_s, a.values)
        times, v = time_b, b.values
    else:
        v, valid = pair(a.time_s, time_b, b.values)
        times, u = a.time_s, a.values
    if valid.sum() < _LEAST:
        raise AnalysisError(
            f"{a.name} and {b.name} have hardly any common time ({int(valid.sum())} readings)",
            hint="log both together; times of both files must be of the same day",
        )
    return times[valid], u[valid], v[valid], alignment


def _about_clock(
    alignment: Alignment, a: Series, b: Series, same_clock: bool, index_only: bool
) -> list[Finding]:
    if alignment.reason:
        return [] if same_clock else [Finding(FindingKind.CLOCKS, f"clocks not compared: {alignment.reason}")]
    if not alignment.significant:
        if same_clock or index_only:
            return []
        bound = 2 * alignment.u_offset_s
        return [
            Finding(
                FindingKind.CLOCKS,
                f"clocks agree within {bound:.2g} s (offset {alignment.offset_s:+.2g} s); nothing applied",
            )
        ]
    size = format_uncertain(abs(alignment.offset_s), 2 * alignment.u_offset_s, "s")
    if index_only:
        size = f"{abs(alignment.offset_s):.3g} rows"
    if same_clock:
        late, early = (b, a) if alignment.offset_s > 0 else (a, b)
        return [
            Finding(
                FindingKind.CLOCKS,
                f"{late.name} follows {early.name} by {size}: while the quantity changes the differences contain "
                "this lag; the steady stretches do not",
            )
        ]
    side = "ahead of" if alignment.offset_s > 0 else "behind"
    out = [
        Finding(
            FindingKind.CLOCKS,
            f"clock of {b.name} is {size} {side} that of {a.name}: applied (a lag of the instrument looks the same)",
        )
    ]
    if alignment.rate_significant:
        out.append(
            Finding(
                FindingKind.CLOCKS,
                f"clock of {b.name} runs {alignment.rate * 1e6:+.0f} ppm against that of {a.name}: applied",
            )
        )
    return out


def _about_shape(found: Agreement, a: Series, b: Series, unit: str, index_only: bool) -> list[Finding]:
    out: list[Finding] = []
    if found.drifts:
        per, name = (1.0, "row") if index_only else (_HOUR_S, "hour")
        out.append(
            Finding(
                FindingKind.DRIFT,
                f"the difference drifts by {format_quantity(found.drift.slope * per, unit)} per {name} "
                f"(robust slope {format_quantity(found.robust_drift * per, unit)})",
            )
        )
    line = found.regression
    if math.isfinite(line.slope) and line.correlation**2 < 0.5:
        out.append(
            Finding(
                FindingKind.SCATTER,
                f"{a.name} and {b.name} hardly follow each other (correlation {line.correlation:.2f}): "
                "is it the same quantity?",
            )
        )
    return out


def _judge(
    found: Agreement, a: Series, b: Series, mean_a: float, mean_b: float
) -> tuple[Verdict, float | None]:
    """Return verdict and worst E_n; indeterminate without accuracies."""
    places = [(s.first_value, s.second_value) for s in found.steps]
    if len(places) < 2:  # one calm moment is not a level; the whole log tells more
        places = [(mean_a, mean_b)]
    worst = 0.0
    for value_a, value_b in places:
        u_a, u_b = a.standard_uncertainty(value_a), b.standard_uncertainty(value_b)
        if u_a is None or u_b is None:
            return Verdict.INDETERMINATE, None
        worst = max(worst, abs(value_a - value_b) / expanded_at_2(u_a, u_b))
    return (Verdict.FAIL if worst > 1 else Verdict.PASS), worst


def _reason(found: Agreement, a: Series, b: Series, unit: str, judged: float | None) -> str:
    text = f"{a.name} minus {b.name}: {format_quantity(found.difference.mean, unit)} on average"
    if len(found.steps) > 1:
        low = min(s.difference for s in found.steps)
        high = max(s.difference for s in found.steps)
        text += f", at rest {format_quantity(low, unit)} to {format_quantity(high, unit)} ({len(found.steps)} levels)"
    text += (
        f", 95 % of single readings {format_quantity(found.limits_low, unit)} to "
        f"{format_quantity(found.limits_high, unit)}"
    )
    if judged is None:
        return f"{text}; whether that is good enough needs both accuracies"
    place = f"worst of {len(found.steps)} levels" if len(found.steps) > 1 else "over the whole log"
    claim = "more than both claim together" if judged > 1 else "within what both claim together"
    return f"{text}; {claim} (E_n {judged:.2f}, {place})"


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _details(
    found: Agreement, a: Series, b: Series, alignment: Alignment, same_clock: bool, unit: str
) -> dict[str, Any]:
    d = found.difference
    return {
        "minuend": a.name,
        "subtrahend": b.name,
        "unit": unit,
        "n": d.n,
        "bias": d.mean,
        "scatter": d.sd,
        "median": d.median,
        "largest": found.largest,
        "lag1_autocorrelation": d.lag1,
        "effective_readings": d.n_effective,
        "limits_of_agreement": {
            "low": found.limits_low,
            "high": found.limits_high,
            "standard_uncertainty": found.u_limits,
        },
        "regression": {
            "slope": _number(found.regression.slope),
            "intercept": _number(found.regression.intercept),
            "correlation": found.regression.correlation,
        },
        "drift_per_s": {
            "least_squares": found.drift.slope,
            "standard_uncertainty": found.u_drift,
            "robust": found.robust_drift,
        },
        "clock": {
            "offset_s": None if alignment.reason else alignment.offset_s,
            "standard_uncertainty_s": _number(alignment.u_offset_s),
            "rate": alignment.rate if alignment.rate_significant else None,
            "applied": alignment.significant and not same_clock,
            "reason": alignment.reason,
        },
        "steps": [
            {
                "start_s": s.start_s,
                "end_s": s.end_s,
                a.name: s.first_value,
                b.name: s.second_value,
                "difference": s.difference,
                "median_difference": s.median_difference,
            }
            for s in found.steps
        ],
    }
