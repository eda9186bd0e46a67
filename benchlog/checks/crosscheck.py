"""Do two or more meters on one node agree within what their data sheets claim?"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

from benchlog.checks.average_responding import as_rms, unlike
from benchlog.checks.meter_pairs import (
    E_N_LIMITS,
    E_N_RULE,
    JOINT_RULE,
    Comparison,
    MeterPair,
    NodeMeter,
    compare_all,
    odd_one_out,
)
from benchlog.checks.node_values import NodeValues, values_at_once
from benchlog.circuits import across
from benchlog.errors import AnalysisError, UsageError
from benchlog.finding import Finding, FindingKind, unique
from benchlog.hookup import in_words
from benchlog.influence import Role
from benchlog.metrology.accuracy import Accuracy, assumed_accuracy
from benchlog.metrology.budget import uncertain
from benchlog.metrology.meter_reading import (
    MeterReading,
    functions_used,
    misleading_flags,
    no_number_hint,
)
from benchlog.metrology.next_best import STATE_IT, Way, with_ways
from benchlog.number_format import format_quantity
from benchlog.reading import Function, Reading, State
from benchlog.result import Result, Uncertain, Verdict
from benchlog.signal.waveform import Waveform

_NEAR_ZERO_COUNTS = 10
#: What settles doubts other than uncertainty; chances and minutes are judgement.
_CAPTURE = Way("capture the waveform at the same points (--waveform)", 0.9, 5.0)
_STANDARD = Way("read a check standard with each", 0.9, 3.0)
_AT_REST = Way("wait until the displays are steady, then read A-B-A again", 0.85, 3.0)
_ACCURACIES = Way(STATE_IT, 0.9, 2.0)
_ALL_DIGITS = Way("give all the digits that the display shows", 0.5, 0.2)
_FEW_DIGITS = 0.02  # a step of the display, relative, where another meter's is a tenth of it (judgement)
#: The least that a data sheet allows a meter: what its display can't resolve.
_LEAST = Accuracy(0.0, 1.0)
_AC = (Function.AC_VOLTS, Function.AC_CURRENT)
DECIDERS = (
    "two meters show that one of them is wrong, not which: read a check standard with each, or a third meter"
)


def check_crosscheck(
    readings: Sequence[MeterReading],
    *,
    responses: Mapping[str, str] | None = None,
    waveform: Waveform | None = None,
) -> Result:
    """Compare meters that read one node.

    Parameters
    ----------
    readings : sequence of MeterReading
        In the order taken. A meter may appear more than once; in the order A-B-A a drift of the node is found and
        removed.
    responses : mapping of str to {"true rms", "average"}, optional
        How each meter makes its AC reading, by tag.
    waveform : Waveform, optional
        A capture of the node; it converts average-responding readings to rms.

    Returns
    -------
    Result
        Quantities `e_n` (of two meters, or of all jointly) and `difference` (first minus second meter of the pair
        that differs most). Above E_n 1 it fails if no value of the node lets every meter be within its data sheet; else it
        is indeterminate, as a few per cent of good meters differ so much. It is also indeterminate if only meters of
        different response differ and the waveform is not known, and if it passes only by accuracies that nobody stated: an
        assumption as wide as that makes it easy to agree. `details` has every pair, every meter, and with three
        or more the odd one out.

    Raises
    ------
    UsageError
        If fewer than two meters were read, or on different functions.
    AnalysisError
        If a display shows overload, hold or the like: there is no current value to compare.
    """
    _refuse(readings)
    responses = responses or {}
    function, unit = readings[0].reading.function, readings[0].reading.unit
    fit = values_at_once(readings)
    as_read = _as_read(readings, fit)
    meters, told = as_read, list[Finding]()
    if function in _AC:
        meters, told = as_rms(as_read, responses, waveform, unit)
    compared = compare_all(list(meters.values()), fit, unit)
    moved = _moved_more(compared.worst, readings, unit)
    blind, way = _undecided(compared, responses, waveform, corrected=meters is not as_read)
    odd, advice = _which_is_wrong(compared, moved, blind)
    details = _details(compared, responses)
    if meters is not as_read:
        details["e_n_as_read"] = compare_all(list(as_read.values()), fit, unit).worst.e_n
    if len(meters) > 2:
        details["odd_one_out"] = odd
    in_turns = sum(1 for _ in itertools.groupby(m.reading.instrument for m in readings))
    # Only what the readings show: whether typed ones were taken side by side within a minute, nobody said.
    notes = ("read in turns (A-B-A)",) if in_turns > len(meters) else ()
    wiring = across("one point", list(meters), function, notes=notes)
    doubt = moved or blind
    verdict, reason = (Verdict.INDETERMINATE, doubt) if doubt else (compared.verdict, _reason(compared))
    result = Result(
        check="crosscheck",
        verdict=verdict,
        reason=reason,
        because=moved or None,
        quantities={"e_n": Uncertain(compared.joint, 0.0, 0.0, "1"), "difference": compared.worst.difference},
        limits={"e_n": E_N_LIMITS},
        rule=E_N_RULE if len(meters) == 2 else JOINT_RULE,
        instruments=tuple(meters),
        functions=functions_used(*readings),
        hookup=in_words(wiring),
        wiring=wiring,
        cautions=_cautions(compared, readings),
        findings=(
            *unique(misleading_flags(*readings)),
            *told,
            *_about_drift(fit, readings),
            *([Finding(FindingKind.DRIFT, moved)] if moved else []),
            *advice,
            *_assumed(compared),
        ),
        details=details,
    )
    return with_ways(result, [_AT_REST if moved else way])


def _undecided(
    compared: Comparison, responses: Mapping[str, str], waveform: Waveform | None, *, corrected: bool
) -> tuple[str, Way]:
    """Why neither agreement nor disagreement can be concluded, empty if one can; and what settles it."""
    if not compared.failed and (coarse := _few_digits(compared)):
        return coarse, _ALL_DIGITS
    if not compared.failed and (unstated := _only_by_assumption(compared)):
        return unstated, _ACCURACIES
    blind = _unlike_response(compared, responses, waveform)
    if compared.failed and not blind and not corrected:
        return _all_may_be_right(compared), _STANDARD
    return blind, _CAPTURE


def _as_read(readings: Sequence[MeterReading], fit: NodeValues) -> Mapping[str, NodeMeter]:
    """Each meter's value on the node and its own readings, by tag."""
    found = {}
    for tag, value in fit.values.items():
        own = tuple(m for m in readings if m.reading.instrument == tag)
        found[tag] = NodeMeter(tag, value, _systematic(own, value), own)
    return found


def _details(compared: Comparison, responses: Mapping[str, str]) -> dict[str, Any]:
    details: dict[str, Any] = {
        "pairs": [pair.to_json() for pair in compared.pairs],
        "meters": {
            m.tag: {
                "value": m.value,
                "expanded_uncertainty": 2 * m.u,
                "readings": len(m.readings),
                "accuracy": str(m.readings[0].accuracy),
                "resolution": max(r.reading.resolution for r in m.readings),
                "response": responses.get(m.tag, ""),
            }
            for m in compared.meters
        },
    }
    fit = compared.fit
    if fit.drift is not None:
        details["drift"] = {"value": fit.drift, "per": "second" if fit.per_second else "reading"}
    return details


def _which_is_wrong(compared: Comparison, moved: str, blind: str) -> tuple[str | None, list[Finding]]:
    """Tag of the odd one out if that can be decided, and what to do."""
    if not compared.failed or blind:
        return None, []
    if len(compared.meters) > 2:
        tag, words = odd_one_out(compared)
        return tag, [Finding(FindingKind.ODD_ONE_OUT, words)]
    return None, [] if moved else [Finding(FindingKind.ADVICE, DECIDERS)]


def _unstated(compared: Comparison) -> list[str]:
    """Tags of the meters whose accuracy is assumed."""
    return [m.tag for m in compared.meters if m.readings[0].accuracy.assumed]


def _assumption(compared: Comparison) -> str:
    """What is assumed where an accuracy was not stated: the same of all, as they measure one quantity."""
    return f"{assumed_accuracy(compared.meters[0].readings[0].reading.function).words} assumed"


def _few_digits(compared: Comparison) -> str:
    """Doubt a pass by a reading in steps so coarse that it could hardly fail, of a meter whose accuracy nobody stated."""
    steps = {m.tag: m.readings[0].reading.resolution for m in compared.meters}
    for meter in compared.meters:
        step = steps[meter.tag]
        few = step > _FEW_DIGITS * abs(meter.value) and step > 5 * min(steps.values())
        if few and meter.tag in _unstated(compared):
            shown = format_quantity(step, compared.unit, 1)
            return f"{meter.tag} was read in steps of {shown}, which agrees with almost anything"
    return ""


def _only_by_assumption(compared: Comparison) -> str:
    """Doubt a pass if the meters would not agree with the least accuracy of those whose accuracy nobody stated."""
    tags = _unstated(compared)
    if not tags:
        return ""
    strict = [_strictest(m) if m.tag in tags else m for m in compared.meters]
    if not compare_all(strict, compared.fit, compared.unit).failed:
        return ""
    return (
        f"{_apart(compared)}, within the {_assumption(compared)}; whether {' and '.join(tags)} may be so far off, "
        "only their manuals say"
    )


def _strictest(meter: NodeMeter) -> NodeMeter:
    own = tuple(dataclasses.replace(m, accuracy=_LEAST) for m in meter.readings)
    return NodeMeter(meter.tag, meter.as_read, _systematic(own, meter.value), own)


def _assumed(compared: Comparison) -> list[Finding]:
    tags = _unstated(compared)
    words = f"accuracy of {' and '.join(tags)} is not known: {_assumption(compared)}"
    assumed = [Finding(FindingKind.ACCURACY, words)] if tags else []
    doubts = {m.tag: m.readings[0].accuracy.doubt for m in compared.meters}
    doubtful = [f"accuracy of {tag} {doubt}" for tag, doubt in doubts.items() if doubt]
    return [*assumed, *(Finding(FindingKind.STATED_ACCURACY, words) for words in doubtful)]


def _cautions(compared: Comparison, readings: Sequence[MeterReading]) -> tuple[str, ...]:
    cautions = []
    near_zero = all(abs(m.value) <= _NEAR_ZERO_COUNTS * m.reading.resolution for m in readings)
    if near_zero and compared.unit == "V":
        cautions.append(
            "all near zero: that does not prove the circuit dead, even if the meters agree; try each on a known live source "
            "before and after"
        )
    return tuple(cautions)


def _refuse(readings: Sequence[MeterReading]) -> None:
    tags = list(dict.fromkeys(m.reading.instrument for m in readings))
    if "" in tags:
        raise UsageError("one reading does not name its meter", hint='give it as MA-01="27.75 V ac"')
    if len(tags) < 2:
        raise UsageError(
            f"only {tags[0]} was read, and a meter can't confirm itself",
            hint="read the same point with a second meter, and give each meter a name of its own",
        )
    for m in readings:
        _refuse_display(m.reading)
    first = readings[0].reading
    for m in readings[1:]:
        if m.reading.function is not first.function:
            raise UsageError(
                f"{first.instrument} reads {first.function} and {m.reading.instrument} {m.reading.function}: "
                "these are different quantities",
                hint=f"set both to {first.function} and read again",
            )


def _refuse_display(shown: Reading) -> None:
    """Refuse a display that shows no current number."""
    if shown.state is not State.OK:
        raise AnalysisError(
            f"{shown.instrument} shows {shown.displayed!r} ({shown.state}): there is no value to compare",
            hint=f"{no_number_hint(shown)}; then read both again",
        )
    held = sorted(flag for flag in shown.flags if flag.misleads)
    if held:
        raise AnalysisError(
            f"{shown.instrument} shows {held[0].value!r}: that is not a current reading",
            hint=f"clear {held[0].value} and read both again",
        )


def _systematic(readings: Sequence[MeterReading], value: float) -> Any:
    """Uncertain number of a meter's value: its accuracy bound, shared by all its readings."""
    accuracy = readings[0].accuracy
    u = max(m.accuracy.standard_uncertainty(value, m.reading.resolution) for m in readings)
    return uncertain(
        value,
        u,
        label=f"accuracy of {readings[0].name} ({accuracy})",
        influence=readings[0].influence(Role.READING),
        scale=value,
    )


def _moved_more(worst: MeterPair, readings: Sequence[MeterReading], unit: str) -> str:
    """Report that one meter's own readings differ by more than the meters do.

    A line through three readings then says little about the node while the other meter read. Changes within the meter's
    accuracy are ignored.
    """
    difference = abs(worst.difference.value)
    for tag in (worst.first.tag, worst.second.tag):
        own = [m for m in readings if m.reading.instrument == tag]
        values = [m.value for m in own]
        moved = max(values) - min(values)
        if moved > max(difference, *(m.accuracy.bound(m.value, m.reading.resolution) for m in own)):
            return (
                f"what was measured moved more than the meters differ: {tag} went from {format_quantity(values[0], unit)} to "
                f"{format_quantity(values[-1], unit)}, the meters differ by {format_quantity(difference, unit)}"
            )
    return ""


def _about_drift(fit: NodeValues, readings: Sequence[MeterReading]) -> list[Finding]:
    if fit.drift is not None:
        # Without spare readings there is no scatter to compare with: two counts are ignored.
        noise = 2 * fit.u_drift if fit.degrees_of_freedom > 0 else 0.0
        counts = 2 * max(m.reading.resolution for m in readings)
        if abs(fit.drift) <= noise or abs(fit.drift) * fit.duration <= counts:
            return []
        per = "a second" if fit.per_second else "from reading to reading"
        moved = format_quantity(fit.drift, readings[0].reading.unit)
        return [
            Finding(
                FindingKind.DRIFT, f"what was measured moved by {moved} {per}; the difference is without that"
            )
        ]
    if fit.degrees_of_freedom > 0:
        return [
            Finding(
                FindingKind.DRIFT,
                "each meter was read only once, so a drift of what was measured would look like a difference; read A-B-A",
            )
        ]
    return []


def _all_may_be_right(compared: Comparison) -> str:
    """Doubt a fail if some value of the node lets every meter be within its data sheet."""
    lows, highs = [], []
    for meter in compared.meters:
        width = max(m.accuracy.bound(meter.value, m.reading.resolution) for m in meter.readings)
        width += 2 * compared.fit.scatter / math.sqrt(len(meter.readings))
        lows.append(meter.value - width)
        highs.append(meter.value + width)
    if max(lows) > min(highs):
        return ""
    every = "both" if len(lows) == 2 else "all"
    return (
        f"{_reason(compared)}: good meters seldom differ so much, but {every} may still be within their data sheets; check "
        "each against a check standard"
    )


def _unlike_response(compared: Comparison, responses: Mapping[str, str], waveform: Waveform | None) -> str:
    """Doubt a fail if only meters of different response differ and the waveform was not captured."""
    if waveform is not None or not compared.failed:
        return ""
    averaging = {tag for tag, kind in responses.items() if kind == "average"}
    function = compared.meters[0].readings[0].reading.function
    apart = sorted((pair for pair in compared.pairs if pair.e_n > 1), key=lambda pair: -pair.e_n)
    why = [unlike(function, pair.first.tag, pair.second.tag, averaging) for pair in apart]
    if not why or not all(why):
        return ""
    return f"{_reason(compared)}, but {why[0]}; capture the waveform (--waveform FILE --channel CH)"


def _apart(compared: Comparison) -> str:
    """How far the two meters that differ most are apart."""
    a, b, unit = compared.worst.first, compared.worst.second, compared.unit
    most = "" if len(compared.meters) == 2 else "most, "
    return (
        f"{a.tag} {format_quantity(a.value, unit)} and {b.tag} {format_quantity(b.value, unit)} differ {most}by "
        f"{format_quantity(abs(a.value - b.value), unit)}"
    )


def _reason(compared: Comparison) -> str:
    """How far the meters are apart, in parts of what their accuracies allow."""
    apart, of_all = _apart(compared), len(compared.meters)
    if not compared.failed and (unstated := _unstated(compared)):
        allow = "a count of their displays" if len(unstated) == of_all else "the stated accuracies alone"
        return f"{apart}, which {allow} would allow"
    times = f"{compared.joint:.2f} times what their accuracies allow (E_n)"
    return f"{apart}, {times}" if of_all == 2 else f"{apart}; all {of_all} together differ by {times}"
