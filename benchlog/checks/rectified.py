"""Unloaded DC voltage behind a bridge and reservoir capacitor, and the voltage the capacitor must withstand."""

from __future__ import annotations

from benchlog.checks.mains import Mains, worst_mains_ratio
from benchlog.checks.near_zero import DEAD_CAUTION, near_zero_by_limits, part_or_meter
from benchlog.checks.supply_model import DIODE_DROP_V
from benchlog.circuits import rectifier
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import in_words
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, judge
from benchlog.metrology.meter_reading import MeterReading, functions_used, misleading_flags
from benchlog.metrology.next_best import with_ways
from benchlog.number_format import format_quantity
from benchlog.reading import Function
from benchlog.result import DesignCheck, Limits, Result, Uncertain, Verdict


def check_rectified(
    reading: MeterReading,
    limits: Limits,
    *,
    mains: Mains | None = None,
    capacitor_v: float | None = None,
    second: MeterReading | None = None,
) -> Result:
    """Judge the unloaded rectified voltage, and a capacitor's rating at mains +10 %.

    Parameters
    ----------
    reading : MeterReading
        On V=, volt.
    limits : Limits
        From the plan.
    mains : Mains, optional
        Mains at the reading; without it the worst case assumes it was 10 % low.
    capacitor_v : float, optional
        Rating of the capacitor.
    second : MeterReading, optional
        Another meter, with its own leads, on the same points; it must confirm a reading near zero.

    Raises
    ------
    UsageError
        If the reading is not of DC volts.
    """
    if reading.reading.function is not Function.DC_VOLTS:
        raise UsageError(
            f"{reading.name} was on {reading.reading.function}, not on V=",
            hint="set the meter to V= and read again",
        )
    drops = 2 * DIODE_DROP_V
    ratio = worst_mains_ratio(mains, reading)
    quantities = {
        "rectified_peak": reading.settled(),
        "rectified_peak_worst": to_uncertain((reading.uncertain() + drops) * ratio - drops, "V"),
    }
    judgement = judge(quantities["rectified_peak"], limits, "rectified voltage")
    design: tuple[DesignCheck, ...] = ()
    cautions = ["the capacitor stays charged after power-off: wait, measure, short it through a resistor"]
    findings = misleading_flags(reading)
    missing = near_zero_by_limits(reading, limits)
    if missing is not None:
        cautions.append(DEAD_CAUTION)
        if second is None:
            judgement = part_or_meter(judgement, reading, missing)
        if capacitor_v is not None:
            words = "capacitor rating not checked: that needs a rectified voltage you can trust"
            findings.append(Finding(FindingKind.DESIGN, words))
    elif capacitor_v is not None:
        design = (capacitor_rating(quantities["rectified_peak_worst"], capacitor_v),)
    meters = functions_used(reading)
    wiring = rectifier(reading.name)
    result = Result(
        check="rectified",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities=quantities,
        limits={"rectified_peak": limits},
        limits_set="plan",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        design_checks=design,
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        conditions={"mains": mains.reading.reading.displayed} if mains is not None else {},
        cautions=tuple(cautions),
        findings=tuple(findings),
    )
    return with_ways(result, [judgement.way] if judgement.way else [])


def capacitor_rating(worst: Uncertain, rating_v: float) -> DesignCheck:
    """Judge a capacitor's rating against the worst rectified peak, by the same guard band."""
    judged = judge(worst, Limits(None, rating_v, "V"), "worst rectified peak")
    verb = {Verdict.PASS: "is enough for", Verdict.FAIL: "is too small for"}.get(
        judged.verdict, "may be too small for"
    )
    return DesignCheck(
        name="capacitor_rating",
        verdict=judged.verdict,
        value=worst.value,
        limit=rating_v,
        unit="V",
        reason=f"a {rating_v:g} V capacitor {verb} {format_quantity(worst.value, 'V')} "
        "(no load, mains +10 %, two diode drops of 0.35 V)",
        quantity="rectified_peak_worst",
    )
