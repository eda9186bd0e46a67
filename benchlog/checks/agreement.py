"""Two instruments logged side by side: bias, scatter, drift, limits of agreement, error at each level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.checks.alignment import Alignment, align, pair
from benchlog.checks.log_series import Series
from benchlog.checks.meter_pairs import E_N_LIMITS, E_N_RULE, expanded_at_2
from benchlog.checks.series_comparison import LEAST_READINGS, Agreement, compare_series
from benchlog.errors import AnalysisError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.next_best import Way, with_ways
from benchlog.number_format import format_quantity, format_span, format_uncertain
from benchlog.result import Limits, Result, Uncertain, Verdict, worst_verdict

FloatArray = npt.NDArray[np.float64]
_HOUR_S = 3600.0
#: What settles a comparison that could not be judged; chances and minutes are judgement.
_ACCURACIES = Way("state the accuracies of both (--accuracy), and judge the same log", 0.9, 1.0)
_ONE_CLOCK = Way("log both again with one clock, and don't set it meanwhile", 0.85, 10.0)
_AT_REST = Way("log both again while the quantity is at rest, a minute at each of two levels", 0.85, 5.0)

_NOT_JUDGED = "limits of agreement: mean ± 1.96 sd, shown but not judged"


def check_agreement(
    first: Series, second: Series, *, same_clock: bool, notes: Sequence[str] = (), index_only: bool = False
) -> Result:
    """Compare two logged instruments.

    Parameters
    ----------
    same_clock : bool
        True for two columns of one log: an offset found between them is then a lag, reported but not applied.
        False for two logs: a significant offset of the second clock is applied.
    notes : sequence of str
        Findings from reading the files.
    index_only : bool
        True where rows are numbered, not timed.

    Returns
    -------
    Result
        `difference` is the mean of first minus second with the uncertainty of its scatter; `e_n` where both
        accuracies are known: the worst of the steady stretches, or of the whole log if there are fewer than two. Without
        accuracies the result is indeterminate: it shows how they agree but can't judge it.

    Raises
    ------
    UsageError
        If the units differ.
    AnalysisError
        If the two have hardly any readings in common.
    """
    _refuse_unlike(first, second)
    unit = first.unit or second.unit or "1"
    findings = [Finding(FindingKind.CLOCKS, words) for words in notes]
    clock_doubt = ""
    if not same_clock:
        (first, at_first), (second, at_second) = first.with_one_clock(), second.with_one_clock()
        clock_doubt = "; ".join(filter(None, (at_first, at_second)))
        if clock_doubt:
            findings.append(Finding(FindingKind.CLOCKS, f"{clock_doubt}: assumed to have run on evenly"))
    a, b = _finite(first), _finite(second)
    time_s, u, v, alignment = _paired(first, second, a, b, same_clock)
    found = compare_series(time_s, u, v)
    findings += _about_clock(alignment, a, b, same_clock, index_only)
    findings += _about_shape(found, a, b, unit, index_only)
    verdict, judged = _judge(found, a, b, float(u.mean()), float(v.mean()))
    reason = _reason(found, a, b, unit, judged)
    quantities = {"difference": _mean_difference(found, unit)}
    way, limits, rule = _ACCURACIES, dict[str, Limits](), _NOT_JUDGED
    if judged is not None:
        way, limits, rule = _ONE_CLOCK if clock_doubt else _AT_REST, {"e_n": E_N_LIMITS}, E_N_RULE
        # A lag means something only if the two follow each other.
        lagging = same_clock and alignment.significant and found.regression.correlation**2 >= 0.5
        singles, words = _single_readings(found, a, b, u, v, unit, moving=lagging)
        if worst_verdict([verdict, singles]) is not verdict:
            verdict, reason = singles, f"{words}; {reason}"
        if verdict is Verdict.FAIL and clock_doubt:
            verdict = Verdict.INDETERMINATE
            reason = f"{clock_doubt}, so differences may come from the times; {reason}"
        quantities = {"e_n": Uncertain(judged, 0.0, 0.0, "1"), **quantities}
    result = Result(
        check="crosscheck",
        verdict=verdict,
        reason=reason,
        quantities=quantities,
        limits=limits,
        rule=rule,
        instruments=(first.name, second.name),
        findings=tuple(findings),
        details=_details(found, a, b, alignment, same_clock, unit),
    )
    return with_ways(result, [way])


def _refuse_unlike(first: Series, second: Series) -> None:
    if first.unit and second.unit and first.unit != second.unit:
        raise UsageError(
            f"{first.name} is in {first.unit} and {second.name} in {second.unit}: different quantities",
            hint="choose columns of one quantity with --columns",
        )
    if first.name == second.name:
        raise UsageError(f"both are called {first.name!r}", hint="give them different names with --columns")


def _finite(series: Series) -> Series:
    """The readings that are numbers; `AnalysisError` if hardly any are."""
    finite = series.finite()
    if finite.values.size < LEAST_READINGS:
        raise AnalysisError(
            f"{series.name} has {finite.values.size} readings with a number", hint="at least 3 are needed"
        )
    return finite


def _mean_difference(found: Agreement, unit: str) -> Uncertain:
    bias = found.difference
    scatter = uncertain(
        bias.mean,
        bias.u_mean,
        max(1.0, bias.n_effective - 1),
        label="scatter of the differences",
        influence=Influence(Role.SCATTER),
    )
    return to_uncertain(scatter, unit)


def _paired(
    first: Series, second: Series, a: Series, b: Series, same_clock: bool
) -> tuple[FloatArray, FloatArray, FloatArray, Alignment]:
    """Return common times, both values at them, and how the clocks compare."""
    alignment = align(a.time_s, a.values, b.time_s, b.values)
    if same_clock:
        common = np.isfinite(first.values) & np.isfinite(second.values) & np.isfinite(first.time_s)
        rows = np.flatnonzero(common)
        rows = rows[np.argsort(first.time_s[rows], kind="stable")]
        if rows.size < LEAST_READINGS:
            raise AnalysisError(
                f"only {rows.size} rows have numbers for both {first.name} and {second.name}",
                hint="log both together",
            )
        return first.time_s[rows], first.values[rows], second.values[rows], alignment
    time_b = alignment.first_clock(b.time_s)
    # The faster log is interpolated at the times of the slower one.
    if np.median(np.diff(time_b)) > np.median(np.diff(a.time_s)):
        u, valid = pair(time_b, a.time_s, a.values)
        times, v = time_b, b.values
    else:
        v, valid = pair(a.time_s, time_b, b.values)
        times, u = a.time_s, a.values
    if valid.sum() < LEAST_READINGS:
        raise AnalysisError(
            f"{a.name} and {b.name} hardly overlap in time ({int(valid.sum())} readings)",
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
                f"{late.name} lags {early.name} by {size}: while the quantity changes, the differences include "
                "this lag; at rest they don't",
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
                f"{a.name} and {b.name} hardly move together (correlation {line.correlation:.2f}): "
                "do they measure the same quantity?",
            )
        )
    return out


def _judge(
    found: Agreement, a: Series, b: Series, mean_a: float, mean_b: float
) -> tuple[Verdict, float | None]:
    """Return verdict and worst E_n; indeterminate without accuracies."""
    places = [(s.first_value, s.second_value) for s in found.steps]
    if len(places) < 2:  # one steady stretch is not enough; use the whole log
        places = [(mean_a, mean_b)]
    worst = 0.0
    for value_a, value_b in places:
        u_a, u_b = a.standard_uncertainty(value_a), b.standard_uncertainty(value_b)
        if u_a is None or u_b is None:
            return Verdict.INDETERMINATE, None
        worst = max(worst, abs(value_a - value_b) / expanded_at_2(u_a, u_b))
    return (Verdict.FAIL if worst > 1 else Verdict.PASS), worst


def _single_readings(
    found: Agreement, a: Series, b: Series, u: FloatArray, v: FloatArray, unit: str, *, moving: bool
) -> tuple[Verdict, str]:
    """Judge the limits of agreement: single readings must agree, not only their mean.

    Each steady stretch is judged, or the whole log if there are fewer than two. It fails if the limits exceed the combined
    accuracy by twice their own uncertainty; while the quantity changes and one lags, that proves nothing.
    """
    off = u - v
    stretches = [slice(s.first, s.last + 1) for s in found.steps]
    if len(stretches) < 2:
        stretches = [slice(None)]
    worst, words = Verdict.PASS, ""
    for rows in stretches:
        u_a, u_b = (
            a.standard_uncertainty(float(u[rows].mean())),
            b.standard_uncertainty(float(v[rows].mean())),
        )
        if u_a is None or u_b is None or off[rows].size < LEAST_READINGS:
            continue
        mean, spread = float(off[rows].mean()), 1.96 * float(off[rows].std(ddof=1))
        claimed = expanded_at_2(u_a, u_b)
        reach = abs(mean) + spread
        if reach <= claimed:
            continue
        unsure = 2 * spread / math.sqrt(2 * max(found.difference.n_effective - 1, 1.0))
        verdict = Verdict.FAIL if reach - unsure > claimed and not moving else Verdict.INDETERMINATE
        if worst_verdict([worst, verdict]) is not worst:
            worst = verdict
            words = (
                f"single readings of {a.name} and {b.name} differ by up to {format_quantity(reach, unit)} "
                f"(95 %); their accuracies together allow {format_quantity(claimed, unit)}"
            )
    return worst, words


def _reason(found: Agreement, a: Series, b: Series, unit: str, judged: float | None) -> str:
    text = f"{a.name} minus {b.name}: {format_quantity(found.difference.mean, unit)} on average"
    if len(found.steps) > 1:
        low = min(s.difference for s in found.steps)
        high = max(s.difference for s in found.steps)
        text += f", at rest {format_span(low, high, unit)} ({len(found.steps)} levels)"
    text += f", 95 % of single readings {format_span(found.limits_low, found.limits_high, unit)}"
    if judged is None:
        return f"{text}; to judge that, give both accuracies"
    place = "worst level" if len(found.steps) > 1 else "average"
    return f"{text}; {place}: {judged:.2f} times what their accuracies allow (E_n)"


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
