"""Is the resistance of a lead, joint or winding as low as it should be?"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

from benchlog.circuits import across, four_wire
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import Hookup, in_words
from benchlog.magnetics.wire import COPPER_PER_K, Wire
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, Judgement, judge, unjudged
from benchlog.metrology.meter_reading import (
    MeterReading,
    functions_used,
    misleading_flags,
    same_meter_and_range,
)
from benchlog.metrology.next_best import WORTH, Way, chance_to_settle, with_ways
from benchlog.number_format import format_quantity, format_uncertain
from benchlog.reading import Function, State
from benchlog.result import Limits, Result, Uncertain, Verdict

#: With two-sided limits a resistance must be at least this many U (a tolerance-to-U ratio of 4:1).
RESOLVABLE = 4.0
FOUR_WIRE = (
    "send about 0.5 A from a supply through it, read the current and the voltage at its own ends (--current)"
)
#: Above this the leads of a two-wire reading don't matter, so four wires are no better.
_FOUR_WIRE_OHM = 50.0
#: Standard uncertainty of four-wire with handhelds, relative (1 % of the current, 0.5 % of the voltage; common practice).
_RESOLVED = 0.008
#: Resistance of two good test leads, at most (common practice, no source).
LEADS_OHM = 0.5
#: The cheapest way if the leads were not measured; its chance is judgement.
_NULL = Way("press the test tips together and read that, too (the lead null)", 0.7, 0.5)
#: Temperature of copper if none was stated, and its half-width (common practice, no source).
UNSTATED_DEGC, UNSTATED_K = 20.0, 10.0


def on_display(
    expected: Uncertain | None,
    limits: Limits | None,
    lead_null: MeterReading | None = None,
    current: MeterReading | None = None,
) -> tuple[float | None, Limits | None]:
    """Return the display expected for a resistance and its limits, with leads or test current included."""
    factor = 1.0 if current is None else abs(current.value)
    leads = 0.0 if lead_null is None else lead_null.value
    low, high = (
        None if end is None else end * factor + leads
        for end in ((None, None) if limits is None else (limits.low, limits.high))
    )
    return (
        None if expected is None else expected.value * factor + leads,
        None if limits is None else Limits(low, high, "ohm" if current is None else "V"),
    )


def check_continuity(
    reading: MeterReading,
    *,
    lead_null: MeterReading | None = None,
    current: MeterReading | None = None,
    max_ohm: float | None = None,
    expected: Uncertain | None = None,
    expected_source: str = "",
    tolerance: float = 0.06,
    limits: Limits | None = None,
) -> Result:
    """Check a resistance.

    Parameters
    ----------
    reading : MeterReading
        Two-wire ohms, or with `current` the voltage at the part's own ends (four-wire).
    lead_null : MeterReading, optional
        Ohms with the tips shorted; subtracted.
    current : MeterReading, optional
        Test current of a four-wire measurement.
    max_ohm : float, optional
        Highest resistance allowed.
    expected : Uncertain, optional
        Resistance computed from wire and length (see `copper_resistance`); limits are `tolerance` either side of it.
    expected_source : str
        Where it comes from.
    tolerance : float, default 0.06
        Half-width of those limits, relative.
    limits : Limits, optional
        Limits from a plan; they replace the computed ones.

    Notes
    -----
    With two-sided limits, a value below 4 U is indeterminate: the meter can't resolve it. An open circuit fails only if
    a lead null showed that the leads are good.
    """
    _refuse_wrong_function(reading, lead_null, current, winding=expected is not None)
    used = limits or resistance_limits(max_ohm, expected, expected_source, tolerance)
    taken = [m for m in (reading, lead_null, current) if m is not None]
    quantities = {} if expected is None else {"expected_resistance": expected}
    findings = misleading_flags(*taken)
    if reading.reading.state is State.OVERLOAD:
        judgement = _open_circuit(lead_null)
    else:
        resistance = to_uncertain(_resistance(reading, lead_null, current), "ohm")
        quantities = {"resistance": resistance, **quantities}
        judgement, words = _judge_with_leads(resistance, used, reading, lead_null, current)
        findings += words
    meters, wiring = functions_used(*taken), _wiring(reading, four_wires=current is not None)
    result = Result(
        check="continuity",
        verdict=judgement.verdict,
        reason=judgement.reason,
        because=judgement.because,
        quantities=quantities,
        expectations={} if expected is None else {"resistance": "expected_resistance"},
        limits={"resistance": used} if used else {},
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        cautions=(
            "Unplug and discharge first. Measuring ohms on a live point damages the meter and gives a wrong reading",
        ),
        findings=tuple(findings),
    )
    by_null = _NULL if lead_null is None and current is None and _null_may_help(result) else None
    return with_ways(result, [way for way in (by_null, judgement.way) if way is not None])


def _judge_with_leads(
    resistance: Uncertain,
    limits: Limits | None,
    reading: MeterReading,
    lead_null: MeterReading | None,
    current: MeterReading | None,
) -> tuple[Judgement, list[Finding]]:
    """Judge a resistance unless its leads or the display make it doubtful; returns also the findings."""
    judgement = _judge(resistance, limits, two_wire=current is None)
    findings = _about_leads(reading, lead_null, current)
    doubt = _doubtful_null(reading, lead_null)
    if lead_null is None and current is None and limits is not None:
        doubt = _leads_decide(resistance, limits, judgement.verdict)
    if doubt is not None:
        findings.append(doubt)
        judgement = unjudged(doubt, judgement.conformance_probability)
    judgement = _below_zero(reading) or judgement
    return judgement, [*findings, *_about_a_fail(judgement, resistance, limits, two_wire=current is None)]


def _null_may_help(result: Result) -> bool:
    """Whether a doubt about an upper limit may be gone without the leads, which a null takes half a minute for."""
    resistance, limits = result.quantities.get("resistance"), result.limits.get("resistance")
    if resistance is None or limits is None or limits.high is None:
        return False
    return resistance.expanded_uncertainty < LEADS_OHM and 0 <= resistance.value < limits.high + LEADS_OHM


def _wiring(reading: MeterReading, *, four_wires: bool) -> Hookup:
    if four_wires:
        return four_wire("the object", reading.name)
    return across("the object", [reading.name], reading.reading.function)


def _about_leads(
    reading: MeterReading, lead_null: MeterReading | None, current: MeterReading | None
) -> list[Finding]:
    found = []
    if reading.reading.function is Function.CONTINUITY:
        words = "a continuity beeper does not prove a joint: it sounds up to tens of ohms"
        found.append(Finding(FindingKind.ADVICE, words))
    if lead_null is None and current is None:
        words = "no lead null: the reading includes the test leads' 0.1 to 0.5 Ω"
        found.append(Finding(FindingKind.LEADS, words))
    return found


def _about_a_fail(
    judgement: Judgement, resistance: Uncertain, limits: Limits | None, *, two_wire: bool
) -> list[Finding]:
    """Free remedies before a part is rejected: the extra ohms may be poor contact of the tips."""
    too_high = limits is not None and limits.high is not None and resistance.value > limits.high
    if judgement.verdict is not Verdict.FAIL or not too_high or not two_wire:
        return []
    words = "before you reject it, press the tips on bare metal and read again"
    return [Finding(FindingKind.ADVICE, words)]


def _leads_decide(resistance: Uncertain, limits: Limits, verdict: Verdict) -> Finding | None:
    """Doubt the verdict if the leads, which were not measured, could change it."""
    value, u = resistance.value, resistance.expanded_uncertainty
    too_high = verdict is Verdict.FAIL and limits.high is not None and value - u - LEADS_OHM <= limits.high
    too_low = verdict is Verdict.PASS and limits.low is not None and value - u - LEADS_OHM < limits.low
    if not (too_high and (limits.low is None or value + u >= limits.low)) and not too_low:
        return None
    shown = format_uncertain(value, u, "ohm")
    return Finding(
        FindingKind.LEADS,
        f"{shown} includes the leads, which are 0.1 to 0.5 Ω and were not measured",
    )


def _below_zero(reading: MeterReading) -> Judgement | None:
    """Doubt ohms below zero, beyond the meter's counts: they show a voltage, or a zero that was set."""
    counts = reading.accuracy.counts * reading.reading.resolution
    if not reading.reading.function.is_ohms or reading.value >= -counts:
        return None
    return Judgement(
        Verdict.INDETERMINATE,
        0.0,
        f"{reading.reading.displayed} is below zero: is there still a charge on the part, or the meter in relative mode?",
        Way("unplug, discharge, switch relative mode off and read again", 0.9, 1.0),
    )


def _doubtful_null(reading: MeterReading, lead_null: MeterReading | None) -> Finding | None:
    """Doubt a lead null that is above the reading itself."""
    if lead_null is None or lead_null.value <= reading.value:
        return None
    return Finding(
        FindingKind.LEADS,
        f"lead null {lead_null.reading.displayed} is above the reading {reading.reading.displayed}: "
        "take the null again with the tips pressed together",
    )


def _refuse_wrong_function(
    reading: MeterReading, lead_null: MeterReading | None, current: MeterReading | None, *, winding: bool
) -> None:
    used = reading.reading.function
    if not (used.is_ohms if current is None else used.is_volts):
        wanted = Function.OHMS if current is None else Function.DC_VOLTS
        raise UsageError(
            f"{reading.name} was on {used}, not on {wanted}",
            hint="continuity needs ohms, or volts with a test current (four-wire)",
        )
    if lead_null is not None and (not lead_null.reading.function.is_ohms or current is not None):
        raise UsageError("a lead null is a two-wire ohms reading with the tips shorted")
    if current is not None:
        if not current.reading.function.is_current:
            raise UsageError(
                f"the test current was read on {current.reading.function}", hint="write it like '0.500 A dc'"
            )
        if (current.reading.function is Function.AC_CURRENT) is not (
            reading.reading.function is Function.AC_VOLTS
        ):
            raise UsageError(
                f"{reading.reading.function} over {current.reading.function} gives no resistance",
                hint="take both on DC, voltage and current of the same loop",
            )
        if reading.reading.function is Function.AC_VOLTS and winding:
            raise UsageError(
                "AC gives a winding's impedance, not its resistance", hint="take voltage and current on DC"
            )
        if current.value == 0:
            raise UsageError("the test current is zero", hint="check the current loop")


def copper_resistance(wire: Wire, length_m: float, celsius: float | None) -> tuple[Uncertain, str]:
    """Resistance of a length of copper wire, and how it was computed.

    Parameters
    ----------
    celsius : float or None
        Temperature of the copper; None if not stated: 20 ± 10 °C.
    """
    ohm = wire.resistance_per_m(UNSTATED_DEGC if celsius is None else celsius) * length_m
    length = f"{format_quantity(length_m, 'm')} of {wire.name} copper"
    if celsius is not None:
        return Uncertain(ohm, 0.0, 0.0, "ohm"), f"{length} at {celsius:g} °C"
    u = wire.resistance_per_m() * length_m * COPPER_PER_K * UNSTATED_K / math.sqrt(3)
    return Uncertain(ohm, u, 2 * u, "ohm"), (
        f"{length} at {UNSTATED_DEGC:g} ± {UNSTATED_K:g} °C, since no temperature was stated"
    )


def resistance_limits(
    max_ohm: float | None, expected: Uncertain | None, source: str, tolerance: float
) -> Limits | None:
    """Limits either side of an expected resistance, capped by the highest allowed; None if neither is given."""
    if expected is not None:
        high = expected.value * (1 + tolerance)
        if max_ohm is not None:
            high = min(high, max_ohm)
        return Limits(
            expected.value * (1 - tolerance),
            high,
            "ohm",
            f"computed: {source or 'expected'} ±{tolerance * 100:g} %",
            expected.standard_uncertainty,
        )
    if max_ohm is not None:
        return Limits(None, max_ohm, "ohm", "highest allowed, as given")
    return None


def _resistance(reading: MeterReading, lead_null: MeterReading | None, current: MeterReading | None) -> Any:
    if current is not None:
        resistance = reading.uncertain() / current.uncertain()
        return resistance if resistance.x >= 0 else -resistance  # abs() would drop the uncertainty
    if lead_null is None:
        return reading.uncertain()
    if not same_meter_and_range(reading, lead_null):
        return reading.uncertain() - lead_null.uncertain()
    gain, zero = reading.gain_error(), reading.zero_error()
    return reading.with_gain(gain, zero) - lead_null.with_gain(gain, zero)


def _open_circuit(lead_null: MeterReading | None) -> Judgement:
    if lead_null is not None and lead_null.reading.value is not None:
        return Judgement(Verdict.FAIL, 0.0, "open circuit; the lead null showed that the leads are good")
    return Judgement(
        Verdict.INDETERMINATE,
        0.0,
        "overload: open part, or open lead? Short the tips; they must read under 1 Ω",
        Way("short the tips, read, and measure again with that lead null", 0.95, 1.0),
    )


def _judge(resistance: Uncertain, limits: Limits | None, *, two_wire: bool) -> Judgement:
    if limits is None:
        shown = format_uncertain(resistance.value, resistance.expanded_uncertainty, "ohm")
        return Judgement(Verdict.NOT_DONE, 0.0, f"{shown} is not judged: no limit was given")
    judgement = judge(resistance, limits, "resistance")
    expanded = resistance.expanded_uncertainty
    coarse = limits.low is not None and resistance.value < RESOLVABLE * expanded
    if coarse and judgement.verdict is not Verdict.FAIL:
        advice = FOUR_WIRE if two_wire else "use more test current or a finer range"
        short = "use four wires" if two_wire else "the test current is too small"
        return Judgement(
            Verdict.INDETERMINATE,
            judgement.conformance_probability,
            f"{format_uncertain(resistance.value, expanded, 'ohm')} can't be resolved: {short}",
            _finer(resistance, limits, advice),
        )
    if judgement.verdict is Verdict.INDETERMINATE and two_wire and resistance.value < _FOUR_WIRE_OHM:
        way = _finer(resistance, limits, FOUR_WIRE)
        return dataclasses.replace(judgement, way=way if way.probability >= WORTH else None)
    return judgement


def _finer(resistance: Uncertain, limits: Limits, how: str) -> Way:
    """How to resolve the resistance, and how often the verdict is then clear."""
    u = math.hypot(resistance.standard_uncertainty, limits.standard_uncertainty)
    u_new = min(_RESOLVED * abs(resistance.value), u / 2)
    return Way(how, chance_to_settle(resistance.value, u, u_new, limits), 5.0)
