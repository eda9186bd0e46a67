"""A resistor compared with a known one in series."""

from __future__ import annotations

from benchlog.checks.known_resistor import known_resistor
from benchlog.circuits import comparison
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import in_words
from benchlog.influence import Role
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, judge
from benchlog.metrology.meter_reading import (
    MeterReading,
    functions_used,
    misleading_flags,
    same_meter_and_range,
)
from benchlog.number_format import format_quantity
from benchlog.result import Limits, Result, Uncertain


def check_compare(
    part: MeterReading, reference: MeterReading, reference_ohm: float, tolerance: float, limits: Limits
) -> Result:
    """Ratio of two resistances from the voltages across them; one meter on one range cancels its gain.

    Parameters
    ----------
    part, reference : MeterReading
        Voltage across the part and across the known resistor, in series.
    reference_ohm, tolerance : float
        The known resistor and the half-width of its error, relative.
    limits : Limits
        Of the ratio part over reference.

    Raises
    ------
    UsageError
        If the two were read on different functions, or there is no voltage across the known resistor.
    """
    if part.reading.function is not reference.reading.function:
        raise UsageError(
            f"one was read on {part.reading.function}, the other on {reference.reading.function}",
            hint="read both on one function and one range",
        )
    if reference.value == 0:
        raise UsageError("no voltage across the known resistor", hint="is the current on?")
    shared = same_meter_and_range(part, reference)
    gain = part.gain_error()
    over = part.with_gain(gain) / reference.with_gain(gain if shared else reference.gain_error())
    known = known_resistor(reference_ohm, tolerance, Role.KNOWN_RESISTOR)
    ratio = to_uncertain(over * known / reference_ohm, "1")
    resistance = to_uncertain(over * known, "ohm")
    judgement = judge(ratio, limits, "ratio to the known resistor")
    meters = functions_used(part, reference)
    findings = misleading_flags(part, reference)
    if not shared:
        findings.append(Finding(FindingKind.GAINS, "two meters or ranges: their gains do not cancel"))
    wiring = comparison("the part", format_quantity(reference_ohm, "ohm"), part.name, part.reading.function)
    return Result(
        check="compare",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities={
            "ratio": ratio,
            "resistance": resistance,
            "reference": Uncertain(reference_ohm, 0.0, 0.0, "ohm"),
        },
        limits={"ratio": limits},
        limits_set="plan",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        findings=tuple(findings),
        details={"ratio_on_one_range": shared},
    )
