"""Do two or more meters on one node agree within what their data sheets claim?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchlog.checks.metered import Metered, misleading_flags
from benchlog.errors import AnalysisError, UsageError
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY
from benchlog.metrology.budget import settle, uncertain
from benchlog.reading import Flag, Function, State
from benchlog.result import Limits, Result, Uncertain, Verdict
from benchlog.signal.findings import Severity
from benchlog.signal.meter_response import SINE_FORM_FACTOR, MeterResponse
from benchlog.signal.waveform import Waveform
from benchlog.units import format_quantity, format_uncertain

__all__ = ["E_N_LIMITS", "E_N_RULE", "check_crosscheck", "expanded_at_2"]

E_N_RULE = "E_n at most 1, expanded uncertainties at k = 2 (ISO/IEC 17043; ISO 13528)"
E_N_LIMITS = Limits(None, 1.0, "1", "ISO 13528, E_n score")
HOOKUP = "same two points, leads side by side, readings within a minute, in the order A-B-A"
DECIDERS = (
    "two meters show that one of them is wrong, not which: read a check standard with each, or a third meter"
)
#: An 8-bit scope shows a form factor to about this, relative (half-width; judgement).
_SCOPE_SHAPE = 0.01
_NOT_NOW = (Flag.HOLD, Flag.RELATIVE, Flag.MINIMUM, Flag.MAXIMUM, Flag.PEAK)


@dataclass(frozen=True, slots=True)
class _Meter:
    """One meter's value on the node.

    `number` is a GTC uncertain number without the scatter, which differences bring in themselves.
    """

    tag: str
    as_read: float
    number: Any
    readings: tuple[Metered, ...]

    @property
    def value(self) -> float:
        return float(self.number.x)

    @property
    def u(self) -> float:
        return float(self.number.u)


@dataclass(frozen=True, slots=True)
class _Pair:
    first: _Meter
    second: _Meter
    difference: Uncertain
    e_n: float

    def has(self, tag: str) -> bool:
        return tag in (self.first.tag, self.second.tag)

    def to_json(self) -> dict[str, Any]:
        return {
            "first": self.first.tag,
            "second": self.second.tag,
            "difference": self.difference.value,
            "expanded_uncertainty": self.difference.expanded_uncertainty,
            "e_n": self.e_n,
        }


@dataclass(frozen=True, slots=True)
class _Values:
    """Values of the meters at one moment, by least squares over readings in order."""

    values: Mapping[str, float]
    scatter: float
    degrees_of_freedom: int
    spread: Mapping[tuple[str, str], float]
    drift: float | None
    u_drift: float
    duration: float
    per_second: bool


def expanded_at_2(u_first: float, u_second: float, u_scatter: float = 0.0) -> float:
    """Expanded uncertainty (k = 2) of a difference, the width E_n is counted in."""
    width = 2.0 * math.sqrt(u_first**2 + u_second**2 + u_scatter**2)
    if not width > 0:
        raise UsageError("E_n needs an uncertainty of at least one side", hint="state the meters' accuracies")
    return width


def check_crosscheck(
    readings: Sequence[Metered],
    *,
    responses: Mapping[str, str] | None = None,
    waveform: Waveform | None = None,
) -> Result:
    """Compare meters that read one node.

    Parameters
    ----------
    readings : sequence of Metered
        In the order taken. A meter may come more than once; in the order A-B-A a drift of the node is found
        and taken out.
    responses : mapping of str to {"true rms", "average"}, optional
        How each meter makes its AC reading, by tag.
    waveform : Waveform, optional
        A capture of the node: what average-responding meters show is turned into rms by it.

    Returns
    -------
    Result
        Quantities `e_n` (largest of all pairs) and `difference` (first minus second meter of that pair). It
        fails above E_n 1. `details` has every pair, every meter, and with three or more the odd one out.

    Raises
    ------
    UsageError
        If fewer than two meters were read, or on different functions.
    AnalysisError
        If a display shows overload, hold or the like: there is no value of now to compare.
    """
    _refuse(readings)
    function = readings[0].reading.function
    unit = readings[0].reading.unit
    fit = _values_at_once(readings)
    findings = list(dict.fromkeys(misleading_flags(*readings)))
    as_read = {
        tag: _Meter(
            tag,
            value,
            _systematic([m for m in readings if m.reading.instrument == tag], value),
            tuple(m for m in readings if m.reading.instrument == tag),
        )
        for tag, value in fit.values.items()
    }
    meters: Mapping[str, _Meter] = as_read
    if function is Function.AC_VOLTS or function is Function.AC_CURRENT:
        meters = _as_rms(as_read, responses or {}, waveform, unit, findings)
    pairs = [_compare(a, b, fit, unit) for a, b in itertools.combinations(meters.values(), 2)]
    worst = max(pairs, key=lambda pair: pair.e_n)
    details: dict[str, Any] = {
        "pairs": [pair.to_json() for pair in pairs],
        "meters": {
            m.tag: {
                "value": m.value,
                "expanded_uncertainty": 2 * m.u,
                "readings": len(m.readings),
                "accuracy": str(m.readings[0].accuracy),
            }
            for m in meters.values()
        },
    }
    if meters is not as_read:
        details["e_n_as_read"] = max(
            _compare(a, b, fit, unit).e_n for a, b in itertools.combinations(as_read.values(), 2)
        )
    if fit.drift is not None:
        details["drift"] = {"value": fit.drift, "per": "second" if fit.per_second else "reading"}
    findings += _about_drift(fit, readings)
    failed = worst.e_n > 1
    moved = _moved_more(worst, readings, unit)
    if moved:
        findings.append(moved)
    if len(meters) > 2:
        odd, words = _odd_one_out(list(meters.values()), pairs, fit, unit)
        details["odd_one_out"] = odd
        if words:
            findings.append(words)
    elif failed and not moved:
        findings.append(DECIDERS)
    assumed = [m.tag for m in meters.values() if m.readings[0].accuracy == UNKNOWN_ACCURACY]
    cautions = [f"accuracy of {tag} is not known: 2 % + 10 counts assumed" for tag in assumed]
    return Result(
        check="crosscheck",
        verdict=Verdict.INDETERMINATE if moved else Verdict.FAIL if failed else Verdict.PASS,
        reason=moved or _reason(worst, unit, len(meters)),
        quantities={"e_n": Uncertain(worst.e_n, 0.0, 0.0, "1"), "difference": worst.difference},
        limits={"e_n": E_N_LIMITS},
        rule=E_N_RULE,
        instruments=tuple(meters),
        functions={tag: str(function) for tag in meters},
        hookup=HOOKUP,
        cautions=tuple(cautions),
        findings=tuple(findings),
        details=details,
    )


def _refuse(readings: Sequence[Metered]) -> None:
    tags = list(dict.fromkeys(m.reading.instrument for m in readings))
    if "" in tags:
        raise UsageError("a reading does not say which meter it is of", hint='give it as MA-01="27.75 V ac"')
    if len(tags) < 2:
        raise UsageError(
            f"{len(tags)} meter is not two: a meter can't confirm itself",
            hint="read the node with a second meter",
        )
    for m in readings:
        shown = m.reading
        if shown.state is not State.OK:
            raise AnalysisError(
                f"{shown.instrument} shows {shown.displayed!r} ({shown.state}): there is no value to compare",
                hint="choose a higher range on it, or check its leads, and read both again",
            )
        held = [flag for flag in _NOT_NOW if flag in shown.flags]
        if held:
            raise AnalysisError(
                f"{shown.instrument} shows {held[0].value!r}: that is no reading of now",
                hint=f"clear {held[0].value} and read both again",
            )
    first = readings[0].reading
    for m in readings[1:]:
        if m.reading.function is not first.function:
            raise UsageError(
                f"{first.instrument} reads {first.function} and {m.reading.instrument} {m.reading.function}: "
                "these are different quantities",
                hint=f"set both to {first.function} and read again",
            )


def _values_at_once(readings: Sequence[Metered]) -> _Values:
    """Least squares of y = meter's value + drift x time over the readings in order.

    The drift is in the model only where some meter was read before and after another; else it can't be told
    from the difference.
    """
    tags = list(dict.fromkeys(m.reading.instrument for m in readings))
    who = np.array([tags.index(m.reading.instrument) for m in readings])
    y = np.array([m.value for m in readings])
    stamps = np.array([m.reading.utc_ns for m in readings], dtype=np.int64)
    per_second = bool((stamps > 0).all() and (np.diff(stamps) > 0).all())
    when = (stamps - stamps[0]) / 1e9 if per_second else np.arange(len(readings), dtype=np.float64)
    when = when - when.mean()
    bracketed = any(
        np.flatnonzero(who == i).min() < row < np.flatnonzero(who == i).max()
        for i in range(len(tags))
        for row in np.flatnonzero(who != i)
    )
    design = (who[:, np.newaxis] == np.arange(len(tags))).astype(np.float64)
    if bracketed:
        design = np.column_stack((design, when))
    solution, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    residual = y - design @ solution
    df = len(readings) - int(rank)
    scatter = math.sqrt(float(residual @ residual) / df) if df > 0 else 0.0
    covariance = np.linalg.pinv(design.T @ design)
    spread = {
        (tags[i], tags[j]): math.sqrt(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j])
        for i, j in itertools.combinations(range(len(tags)), 2)
    }
    return _Values(
        values={tag: float(solution[i]) for i, tag in enumerate(tags)},
        scatter=scatter,
        degrees_of_freedom=df,
        spread=spread,
        drift=float(solution[-1]) if bracketed else None,
        u_drift=scatter * math.sqrt(covariance[-1, -1]) if bracketed else math.inf,
        duration=float(when[-1] - when[0]),
        per_second=per_second,
    )


def _systematic(readings: Sequence[Metered], value: float) -> Any:
    """Uncertain number of a meter's value: its accuracy bound, shared by all its readings."""
    accuracy = readings[0].accuracy
    u = max(m.accuracy.standard_uncertainty(value, m.reading.resolution) for m in readings)
    return uncertain(value, u, label=f"accuracy of {readings[0].name} ({accuracy})")


def _scatter(a: _Meter, b: _Meter, fit: _Values) -> float:
    return fit.scatter * fit.spread.get((a.tag, b.tag), fit.spread.get((b.tag, a.tag), 0.0))


def _compare(a: _Meter, b: _Meter, fit: _Values, unit: str) -> _Pair:
    scatter = _scatter(a, b, fit)
    difference = a.number - b.number
    if scatter > 0:
        difference += uncertain(0.0, scatter, fit.degrees_of_freedom, label="scatter of the readings")
    e_n = abs(a.value - b.value) / expanded_at_2(a.u, b.u, scatter)
    return _Pair(a, b, settle(difference, unit), e_n)


def _as_rms(
    meters: Mapping[str, _Meter],
    responses: Mapping[str, str],
    waveform: Waveform | None,
    unit: str,
    findings: list[str],
) -> Mapping[str, _Meter]:
    """Turn readings of average-responding meters into rms where the waveform is known; else say so."""
    kinds = {tag: responses.get(tag, "") for tag in meters}
    averaging = [tag for tag, kind in kinds.items() if kind == MeterResponse.AVERAGE]
    if not averaging:
        return meters
    if waveform is None:
        if len(averaging) < len(meters):
            findings.append(
                f"{', '.join(averaging)} responds to the average: it agrees with true rms on a sine only; "
                "capture the waveform to tell (--waveform FILE --channel CH)"
            )
        return meters
    factor = _average_over_rms(waveform)
    out = dict(meters)
    for tag in averaging:
        meter = meters[tag]
        out[tag] = _Meter(tag, meter.as_read, meter.number / factor, meter.readings)
        findings.append(
            f"{tag} responds to the average: on this waveform (form factor {SINE_FORM_FACTOR / factor.x:.4g}) it shows "
            f"{(factor.x - 1) * 100:+.2f} % against true rms; {format_quantity(meter.as_read, unit)} shown means "
            f"{format_quantity(out[tag].value, unit)}"
        )
    return out


def _average_over_rms(waveform: Waveform) -> Any:
    """What an average-responding meter shows over true rms, as an uncertain number; the scope's gain cancels.

    Raises
    ------
    AnalysisError
        If the record does not show the waveform well enough.
    """
    blocking = [f.message for f in waveform.findings if f.severity is Severity.BLOCKS]
    if blocking or not waveform.ac_rms.value > 0:
        raise AnalysisError(
            f"the capture does not show the waveform: {blocking[0] if blocking else 'it does not alternate'}",
            hint="capture some whole cycles of the node itself",
        )
    mean_abs, rms = waveform.ac_mean_abs, waveform.ac_rms
    ratio = SINE_FORM_FACTOR * mean_abs.value / rms.value
    relative = math.hypot(
        mean_abs.standard_uncertainty / mean_abs.value,
        rms.standard_uncertainty / rms.value,
        _SCOPE_SHAPE / math.sqrt(3),
    )
    return uncertain(ratio, ratio * relative, label="form factor of the waveform")


def _odd_one_out(
    meters: Sequence[_Meter], pairs: Sequence[_Pair], fit: _Values, unit: str
) -> tuple[str | None, str]:
    """Exclude each meter in turn: it is the odd one out when only the others agree, and it not with them."""
    if all(pair.e_n <= 1 for pair in pairs):
        return None, ""
    candidates: list[tuple[str, float, float, float]] = []
    for meter in meters:
        rest = [m for m in meters if m is not meter]
        if any(pair.e_n > 1 for pair in pairs if not pair.has(meter.tag)):
            continue
        # Weighted by what each claims; exact meters would divide by zero.
        weights = [1 / max(m.u, 1e-12 * abs(m.value), 1e-300) ** 2 for m in rest]
        consensus = sum(w * m.value for w, m in zip(weights, rest, strict=True)) / sum(weights)
        u = 1 / math.sqrt(sum(weights))
        scatter = max(_scatter(meter, m, fit) for m in rest)
        e_n = abs(meter.value - consensus) / expanded_at_2(meter.u, u, scatter)
        if e_n > 1:
            candidates.append((meter.tag, e_n, consensus, 2 * u))
    if len(candidates) == 1:
        tag, e_n, consensus, expanded = candidates[0]
        return tag, (
            f"{tag} is the odd one out: the others agree on {format_uncertain(consensus, expanded, unit)}, "
            f"{tag} is off by E_n {e_n:.2f}; check it against a check standard"
        )
    if candidates:
        names = " or ".join(tag for tag, *_ in candidates)
        return None, f"it could be {names}: a check standard decides"
    return None, "no single odd one out: more than one disagrees, check each against a check standard"


def _moved_more(worst: _Pair, readings: Sequence[Metered], unit: str) -> str:
    """Say so when one meter's own readings lie further apart than the difference to be judged.

    The line through three readings then says little of what the node was at while the other meter read. Moves
    within what the meter claims do no harm.
    """
    difference = abs(worst.difference.value)
    for tag in (worst.first.tag, worst.second.tag):
        own = [m for m in readings if m.reading.instrument == tag]
        values = [m.value for m in own]
        moved = max(values) - min(values)
        if moved > max(difference, *(m.accuracy.bound(m.value, m.reading.resolution) for m in own)):
            return (
                f"the node moved more than the difference: {tag} went from {format_quantity(values[0], unit)} to "
                f"{format_quantity(values[-1], unit)}, the meters differ by {format_quantity(difference, unit)}; let it come to "
                "rest and read A-B-A again"
            )
    return ""


def _about_drift(fit: _Values, readings: Sequence[Metered]) -> list[str]:
    if fit.drift is not None:
        # Without readings to spare there is no scatter to compare with: two counts are nothing to speak of.
        noise = 2 * fit.u_drift if fit.degrees_of_freedom > 0 else 0.0
        counts = 2 * max(m.reading.resolution for m in readings)
        if abs(fit.drift) <= noise or abs(fit.drift) * fit.duration <= counts:
            return []
        per = "a second" if fit.per_second else "from reading to reading"
        moved = format_quantity(fit.drift, readings[0].reading.unit)
        return [f"the node moved by {moved} {per}; taken out of the difference"]
    if fit.degrees_of_freedom > 0:
        return [
            "each meter was read in one go: a drift of the node can't be told from a difference; read A-B-A"
        ]
    return []


def _reason(worst: _Pair, unit: str, n_meters: int) -> str:
    a, b = worst.first, worst.second
    apart = format_quantity(abs(a.value - b.value), unit)
    most = "largest E_n " if n_meters > 2 else "E_n "
    claim = "more than both claim together" if worst.e_n > 1 else "within what both claim together"
    return (
        f"{a.tag} {format_quantity(a.value, unit)} and {b.tag} {format_quantity(b.value, unit)} differ by "
        f"{apart}, {claim} ({most}{worst.e_n:.2f})"
    )
