"""Does a wall transformer or supply deliver what its nameplate says?"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from benchlog.checks.captured import Captured
from benchlog.checks.load_point import (
    HOT_W,
    LoadPoint,
    about_a_fail,
    gains_left,
    judge_load,
    load_doubts,
    load_quantities,
)
from benchlog.checks.mains import Mains, worst_mains_ratio
from benchlog.checks.near_zero import DEAD_CAUTION, near_zero, part_or_meter
from benchlog.checks.rectified import capacitor_rating
from benchlog.checks.supply_model import CREST_HIGH, CREST_LOW, DIODE_DROP_V, Expected, expected_supply
from benchlog.circuits import supply_output
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import in_words
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, Judgement, e_n, judge, unjudged
from benchlog.metrology.meter_reading import (
    MeterReading,
    functions_used,
    misleading_flags,
    same_meter_and_range,
)
from benchlog.metrology.next_best import Way, ways_to_settle, with_ways
from benchlog.nameplate import Nameplate, Regulation
from benchlog.number_format import format_quantity
from benchlog.reading import Function
from benchlog.result import DesignCheck, Limits, Result, Uncertain, Verdict, worst_verdict

__all__ = ["LoadPoint", "check_supply"]

CAUTION = (
    "Keep the case closed: mains is inside. Attach clips with the plug out, power on, read, power off. "
    "Local rules and licensed practice come first."
)
#: What settles doubts other than uncertainty; chances and minutes are judgement.
_LOAD_IT = Way(
    "look whether its label or data sheet says regulated or switching (--regulation); if neither does, measure it with a "
    "load resistor that draws about its rated current",
    0.9,
    3.0,
)
#: Of the limits that allow for any mains, 12 % are left: what lies near their ends is then mostly far outside.
_READ_MAINS = Way("read the mains in the same minute (--mains)", 0.8, 1.0)
_EXCHANGE = Way("swap the leads and read again", 0.95, 0.5)
_THIRD_METER = Way("read a fresh cell with both, then a third meter on the same points", 0.8, 4.0)
_DC = (Function.DC_VOLTS,)
_CAPACITOR_NOT_CHECKED = Finding(
    FindingKind.DESIGN, "capacitor rating not checked: that needs an AC no-load voltage you can trust"
)
_AC = (Function.AC_VOLTS, Function.AC_DC_VOLTS)


def check_supply(
    nameplate: Nameplate,
    no_load: MeterReading,
    *,
    mains: Mains | None = None,
    second: MeterReading | None = None,
    load: LoadPoint | None = None,
    capacitor_v: float | None = None,
    tolerance: float = 0.06,
    limits: Mapping[str, Limits] | None = None,
) -> Result:
    """Check a supply's no-load voltage, and its load point and a capacitor's rating if given.

    Parameters
    ----------
    nameplate : Nameplate
        As printed.
    no_load : MeterReading
        Voltage without load.
    mains : Mains, optional
        Mains voltage read in the same minute; the limits scale with it and share its uncertainty.
    second : MeterReading, optional
        Another meter, with its own leads, on the same points; it must confirm a reading near zero.
    load : LoadPoint, optional
        Gives the source resistance; a gain error shared by both readings cancels.
    capacitor_v : float, optional
        Rating of the capacitor behind a bridge; checked against the worst peak.
    tolerance : float, default 0.06
        Half-width of the limits about the expected no-load voltage.
    limits : mapping, optional
        Limits from a plan, by quantity name; they replace the computed ones.

    Raises
    ------
    UsageError
        If a reading's function does not fit the nameplate.

    Notes
    -----
    A DC output that may be regulated or not is judged as both. It passes if a load point shows that it behaves as one of
    them, fails if it fits neither, and is indeterminate otherwise.
    """
    readings = [no_load, *([second] if second else []), *([load.loaded] if load else [])]
    _refuse_wrong_function(nameplate, *readings)
    expected = expected_supply(nameplate, mains, tolerance)
    quantities = _quantities(nameplate, no_load, load, expected)
    doubts = [] if load is None else load_doubts(nameplate, no_load, load)
    findings = [
        *_about_reading(no_load, expected),
        *doubts,
        *([] if load is None else gains_left(no_load, load)),
    ]
    used, judgements = _judge_outputs(
        nameplate, no_load, mains, load, tolerance, dict(limits or {}), quantities, bool(doubts)
    )
    apart = _apart(no_load, second)
    judgements[0] = _doubt(judgements[0], no_load, second, apart, expected, findings)
    judgements[1:1] = map(unjudged, doubts[:1])
    trusted = nameplate.coupling == "ac" and no_load.value > expected.no_load_v / 2
    design = _rectified(trusted, no_load, mains, capacitor_v, quantities, findings)
    doubted = _in_doubt(judgements[0], no_load, apart, used["no_load_voltage"])
    deciding = _deciding(judgements)
    findings += about_a_fail(judgements[1:])
    meters = functions_used(*readings)
    wiring = supply_output("the output", no_load.name, dc=nameplate.coupling == "dc")
    result = Result(
        check="supply",
        verdict=deciding.verdict,
        reason=deciding.reason,
        because=deciding.because,
        quantities=quantities,
        expectations={"no_load_voltage": "expected_no_load"},
        limits=used,
        limits_set="plan" if limits else "computed",
        conformance_probability=judgements[0].conformance_probability,
        rule=RULE,
        design_checks=tuple(_only_if_right(check) if doubted else check for check in design),
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        conditions=_conditions(mains, load),
        details=_confirmed(second, apart),
        cautions=_cautions(nameplate, no_load, load, expected),
        findings=tuple(findings),
    )
    ways = [j.way for j in judgements if j.way is not None]
    if not ways and not limits and expected.for_any_mains:
        ways = [_READ_MAINS, *ways_to_settle(result)]
    return with_ways(result, ways)


def _quantities(
    nameplate: Nameplate, no_load: MeterReading, load: LoadPoint | None, expected: Expected
) -> dict[str, Uncertain]:
    found = {"no_load_voltage": no_load.settled(), "expected_no_load": expected.no_load(no_load)}
    if isinstance(no_load, Captured):
        found |= no_load.quantities()
    return found if load is None else found | load_quantities(nameplate, no_load, load)


def _deciding(judgements: list[Judgement]) -> Judgement:
    """The first of the worst."""
    worst = worst_verdict([j.verdict for j in judgements])
    return next(j for j in judgements if j.verdict is worst)


def _about_reading(no_load: MeterReading, expected: Expected) -> list[Finding]:
    return [
        *(Finding(FindingKind.ASSUMPTION, words) for words in expected.assumptions),
        *misleading_flags(no_load),
        *(no_load.findings if isinstance(no_load, Captured) else ()),
    ]


def _judge_outputs(
    nameplate: Nameplate,
    no_load: MeterReading,
    mains: Mains | None,
    load: LoadPoint | None,
    tolerance: float,
    planned: dict[str, Limits],
    quantities: Mapping[str, Uncertain],
    doubtful: bool,
) -> tuple[dict[str, Limits], list[Judgement]]:
    """Limits and judgements, the no-load voltage first; for a DC output as each kind it may be."""

    def judged(regulation: Regulation) -> tuple[dict[str, Limits], list[Judgement]]:
        expected = expected_supply(nameplate, mains, tolerance, regulation)
        used = {"no_load_voltage": expected.no_load_limits(no_load)}
        if load is not None:
            used |= expected.load_limits()
        used |= planned
        found = [judge(quantities["no_load_voltage"], used["no_load_voltage"], "no-load voltage")]
        if isinstance(no_load, Captured) and (doubt := no_load.spoiled):
            found = [unjudged(doubt, record=True)]
        if load is not None and not doubtful:
            found += judge_load(nameplate, quantities, used)
        return used, found

    if nameplate.coupling == "ac" or nameplate.regulation is not Regulation.UNKNOWN or planned:
        return judged(Regulation.UNKNOWN)
    kinds = (Regulation.REGULATED, Regulation.UNREGULATED)
    as_either = [judged(kind) for kind in kinds]
    verdicts = [worst_verdict([j.verdict for j in found]) for _, found in as_either]
    if load is not None and not doubtful and Verdict.PASS in verdicts:
        return as_either[verdicts.index(Verdict.PASS)]
    used, found = judged(Regulation.UNKNOWN)
    verdict, reason = _of_either(quantities["no_load_voltage"], verdicts, [found for _, found in as_either])
    ways = (j.way for _, judged_as in as_either for j in judged_as if j.way)
    way = _LOAD_IT if load is None else next(ways, None)
    return used, [Judgement(verdict, found[0].conformance_probability, reason, way)]


def _of_either(
    shown: Uncertain, verdicts: list[Verdict], as_either: list[list[Judgement]]
) -> tuple[Verdict, str]:
    """Verdict and reason of a DC output; `as_either` has the judgements if regulated, then if not."""
    if all(verdict is Verdict.FAIL for verdict in verdicts):
        regulated, unregulated = (next(j for j in js if j.verdict is Verdict.FAIL).reason for js in as_either)
        return (
            Verdict.FAIL,
            f"wrong for a regulated output ({regulated}) and for an unregulated one ({unregulated})",
        )
    if len(as_either[0]) > 1:  # already measured under load
        regulated, unregulated = (
            next(j for j in js if j.verdict is verdict).reason
            for js, verdict in zip(as_either, verdicts, strict=True)
        )
        return Verdict.INDETERMINATE, f"if regulated: {regulated}; if not: {unregulated}"
    return Verdict.INDETERMINATE, (
        f"{shown}: {verdicts[0].words} if the output is regulated, {verdicts[1].words} if not; the nameplate does not say "
        "which it is (--regulation)"
    )


def _cautions(
    nameplate: Nameplate, no_load: MeterReading, load: LoadPoint | None, expected: Expected
) -> tuple[str, ...]:
    cautions = [CAUTION]
    if near_zero(no_load, expected.no_load_v):
        cautions.append(DEAD_CAUTION)
    if load is not None and load.power_w > HOT_W:
        cautions.append(
            f"load of {format_quantity(load.power_w, 'W', 2)}: keep it under 10 s, on a surface that can take the heat"
        )
    if abs(no_load.value) > (50 if nameplate.coupling == "ac" else 120):
        cautions.append(
            f"{format_quantity(no_load.value, 'V')} is above extra-low voltage (50 V AC, 120 V DC; IEC 61140): "
            "treat it as live"
        )
    return tuple(cautions)


def _refuse_wrong_function(nameplate: Nameplate, *readings: MeterReading) -> None:
    wanted = _DC if nameplate.coupling == "dc" else _AC
    for metered in readings:
        function = metered.reading.function
        if function not in wanted:
            why = "; an AC output read on DC shows near zero, and the reverse" if function.unit == "V" else ""
            raise UsageError(
                f"the nameplate says {nameplate.coupling}, but {metered.name} was on {function}",
                hint=f"set the meter to {wanted[0]} and read the voltage{why}",
            )


def _both(first: MeterReading, second: MeterReading) -> str:
    """Name two meters; one without a tag is called the first or the second."""
    if first.name == second.name:
        return "first and second meter"
    return f"{first.name} and {second.name}"


def _reversed(no_load: MeterReading, expected: Expected) -> bool:
    """Whether a DC reading is the expected one with the wrong sign: leads or plug reversed."""
    dc = no_load.reading.function is Function.DC_VOLTS
    return dc and no_load.value < 0 and -no_load.value >= expected.low_v / 2


def _apart(first: MeterReading, second: MeterReading | None) -> float | None:
    """Size of E_n of two readings of the same points; None for one alone."""
    if second is None:
        return None
    a, b = first.settled(), second.settled()
    return abs(e_n(a.value, a.expanded_uncertainty, b.value, b.expanded_uncertainty))


def _confirmed(second: MeterReading | None, apart: float | None) -> dict[str, str]:
    """Details that name the meter that confirmed the reading."""
    return {} if second is None or apart is None or apart > 1 else {"confirmed_by": second.name}


def _doubt(
    judgement: Judgement,
    no_load: MeterReading,
    second: MeterReading | None,
    apart: float | None,
    expected: Expected,
    findings: list[Finding],
) -> Judgement:
    """Don't reject a part for a reading near zero or swapped leads (common practice, no source)."""
    if _reversed(no_load, expected):
        return Judgement(
            Verdict.INDETERMINATE,
            judgement.conformance_probability,
            f"{no_load.reading.displayed}: the polarity is reversed; are the leads swapped, or is the plug wired against its "
            "label?",
            _EXCHANGE,
        )
    if second is not None and apart is not None:
        which = "" if second.name == "meter" else f" {second.name}"
        agrees = "disagrees" if apart > 1 else "agrees"
        words = f"second meter{which}: {second.reading.displayed}, {agrees} (E_n {apart:.2f}; up to 1 is agreement)"
        findings.append(Finding(FindingKind.SECOND_METER, words))
        if apart > 1:
            return Judgement(
                Verdict.INDETERMINATE,
                judgement.conformance_probability,
                f"{_both(no_load, second)} disagree, by {apart:.2f} times what their accuracies allow (E_n): one of them, or "
                "its leads or setting, is wrong; benchlog diagnose finds which",
                _THIRD_METER,
            )
    elif judgement.verdict is Verdict.FAIL and near_zero(no_load, expected.no_load_v):
        return part_or_meter(judgement, no_load, expected.no_load_v)
    elif judgement.verdict is Verdict.FAIL:
        findings.append(
            Finding(
                FindingKind.SECOND_METER,
                "before you reject the part, confirm it with a second meter and its own leads",
            )
        )
    return judgement


def _rectified(
    trusted: bool,
    no_load: MeterReading,
    mains: Mains | None,
    capacitor_v: float | None,
    quantities: dict[str, Uncertain],
    findings: list[Finding],
) -> list[DesignCheck]:
    """Add the rectified peak behind a bridge and capacitor, if the no-load voltage can be trusted."""
    if not trusted:
        findings += [_CAPACITOR_NOT_CHECKED] if capacitor_v is not None else []
        return []
    shared = mains is not None and same_meter_and_range(no_load, mains.reading)
    gain: Any = no_load.gain_error() if shared else None
    peak = no_load.peak(gain, (CREST_LOW, CREST_HIGH))
    quantities["rectified_peak"] = to_uncertain(peak - 2 * DIODE_DROP_V, "V")
    if mains is None:
        findings.append(
            Finding(
                FindingKind.DESIGN,
                "highest rectified peak: as if mains had been 10 % low at the reading",
            )
        )
    worst = to_uncertain(peak * worst_mains_ratio(mains, no_load, gain) - 2 * DIODE_DROP_V, "V")
    quantities["rectified_peak_worst"] = worst
    if capacitor_v is None:
        return []
    rating = capacitor_rating(worst, capacitor_v)
    if rating.verdict is Verdict.INDETERMINATE:
        narrower = "" if mains is not None else "read the mains in the same minute (--mains), or "
        findings.append(Finding(FindingKind.ADVICE, f"{narrower}take a capacitor of the next higher rating"))
    return [rating]


def _in_doubt(judgement: Judgement, no_load: MeterReading, apart: float | None, limits: Limits) -> bool:
    """Whether the true voltage may well be higher: a bad record, meters that disagree, or one alone that reads too low."""
    if isinstance(no_load, Captured) and no_load.spoiled:
        return True
    if apart is not None:
        return apart > 1
    return judgement.verdict is Verdict.FAIL and limits.low is not None and no_load.value < limits.low


def _only_if_right(check: DesignCheck) -> DesignCheck:
    """A rating that is enough for a voltage in doubt is not known to be enough."""
    if check.verdict is not Verdict.PASS:
        return check
    reason = f"{check.reason}, but that reading is in doubt: find the true no-load voltage first"
    return msgspec.structs.replace(check, verdict=Verdict.INDETERMINATE, reason=reason)


def _conditions(mains: Mains | None, load: LoadPoint | None) -> dict[str, str]:
    found = {}
    if mains is not None:
        found["mains"] = mains.reading.reading.displayed
    if load is not None:
        found["load"] = format_quantity(load.resistance_ohm, "ohm")
    return found
