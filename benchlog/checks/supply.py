"""Does a wall transformer or supply give what its nameplate promises?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchlog.checks.captured import Captured
from benchlog.checks.known_resistor import known_resistor
from benchlog.checks.meter_reading import MeterReading, misleading_flags, same_meter_and_range
from benchlog.checks.rectified import capacitor_rating
from benchlog.checks.supply_model import (
    MAINS_TOLERANCE,
    Expected,
    expected_supply,
    nominal_mains,
    rectified_peak,
)
from benchlog.circuits import supply_output
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import in_words
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.comparison import e_n
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.reading import Function
from benchlog.result import DesignCheck, Limits, Result, Uncertain, Verdict, worst_verdict
from benchlog.units import Nameplate, format_quantity

__all__ = ["LoadPoint", "check_supply"]

CAUTION = (
    "Keep the case closed: mains is inside. Attach clips with the plug out, power on, read, power off. "
    "Local rules and licensed practice come first."
)
#: Mains moves between two readings a minute apart by about this much (standard deviation; common practice, no source).
MAINS_DRIFT = 0.003
_NEAR_ZERO = 0.05
DEAD_CAUTION = (
    "A reading near zero does not prove a circuit dead. Try the meter on a live source, test, try it again."
)
#: Above this a load resistor gets hot within seconds (judgement).
HOT_W = 2.0
#: A load that takes this part of the rated current, or its inverse, is one with a wrong prefix (judgement).
_PREFIX_SLIP = 0.01
_DC = (Function.DC_VOLTS,)
_AC = (Function.AC_VOLTS, Function.AC_DC_VOLTS)


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One loaded reading.

    Attributes
    ----------
    resistance_ohm : float
        Load resistor.
    loaded : MeterReading
        Voltage across it.
    tolerance : float
        Half-width of the resistor's relative error.
    """

    resistance_ohm: float
    loaded: MeterReading
    tolerance: float = 0.01

    @property
    def power_w(self) -> float:
        """Heat in the resistor."""
        return self.loaded.value**2 / self.resistance_ohm


def check_supply(
    nameplate: Nameplate,
    no_load: MeterReading,
    *,
    mains_v: float | None = None,
    mains_nominal_v: float | None = None,
    second: MeterReading | None = None,
    load: LoadPoint | None = None,
    capacitor_v: float | None = None,
    tolerance: float = 0.06,
    limits: Mapping[str, Limits] | None = None,
) -> Result:
    """Check a supply's no-load voltage, and its load point and a capacitor's rating where given.

    Parameters
    ----------
    nameplate : Nameplate
        As printed.
    no_load : MeterReading
        Voltage without load.
    mains_v, mains_nominal_v : float, optional
        Mains voltage read in the same minute, and the nominal one, volt.
    second : MeterReading, optional
        Another meter, with its own leads, on the same points: a reading near zero is believed only with it.
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
    """
    _refuse_wrong_function(
        nameplate, no_load, *([second] if second else []), *([load.loaded] if load else [])
    )
    expected = expected_supply(nameplate, mains_v, mains_nominal_v, tolerance)
    used = {
        "no_load_voltage": Limits(expected.low_v, expected.high_v, "V", f"computed: {expected.source}"),
        **(limits or {}),
    }
    findings = [
        *(Finding(FindingKind.ASSUMPTION, words) for words in expected.assumptions),
        *misleading_flags(no_load),
    ]
    voltage = no_load.settled()
    judgement = judge(voltage, used["no_load_voltage"], "no-load voltage")
    judgement = _doubt(judgement, no_load, second, expected, findings)
    quantities = {
        "no_load_voltage": voltage,
        "expected_no_load": Uncertain(expected.no_load_v, 0.0, 0.0, "V"),
    }
    if isinstance(no_load, Captured):
        quantities |= no_load.quantities()
        findings += no_load.findings
        if no_load.spoiled:
            judgement = Judgement(
                Verdict.INDETERMINATE, 0.0, f"nothing can rest on this record: {no_load.spoiled}"
            )
    judgements = [judgement]
    if load is not None:
        judgements += _load_point(nameplate, no_load, load, expected, quantities, used, findings)
    design: list[DesignCheck] = []
    if nameplate.coupling == "ac" and no_load.value > expected.no_load_v / 2:
        _rectified(no_load, mains_v, mains_nominal_v, capacitor_v, quantities, design, findings)
    elif capacitor_v is not None:
        findings.append(
            Finding(
                FindingKind.DESIGN, "capacitor rating not checked: it needs a believable AC no-load voltage"
            )
        )
    verdict = worst_verdict([j.verdict for j in judgements])
    deciding = next(j for j in judgements if j.verdict is verdict)
    cautions = [CAUTION]
    if _near_zero(no_load, expected):
        cautions.append(DEAD_CAUTION)
    if load is not None and load.power_w > HOT_W:
        cautions.append(
            f"load of {format_quantity(load.power_w, 'W')}: keep it under 10 s, on a surface that stands heat"
        )
    if voltage.value > (50 if nameplate.coupling == "ac" else 120):
        cautions.append(
            f"{format_quantity(voltage.value, 'V')} is above extra-low voltage (50 V AC, 120 V DC; IEC 61140): treat it as live"
        )
    readings = [no_load, *([second] if second else []), *([load.loaded] if load else [])]
    wiring = supply_output("the output", no_load.name, dc=nameplate.coupling == "dc")
    return Result(
        check="supply",
        verdict=verdict,
        reason=deciding.reason,
        quantities=quantities,
        expectations={"no_load_voltage": "expected_no_load"},
        limits=used,
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        design_checks=tuple(design),
        instruments=tuple(dict.fromkeys(m.reading.instrument for m in readings if m.reading.instrument)),
        functions={m.reading.instrument: str(m.reading.function) for m in readings if m.reading.instrument},
        hookup=in_words(wiring),
        wiring=wiring,
        conditions=_conditions(mains_v, load),
        cautions=tuple(cautions),
        findings=tuple(findings),
    )


def _refuse_wrong_function(nameplate: Nameplate, *readings: MeterReading) -> None:
    wanted = _DC if nameplate.coupling == "dc" else _AC
    for metered in readings:
        if metered.reading.function not in wanted:
            raise UsageError(
                f"the nameplate says {nameplate.coupling}, but {metered.name} was on {metered.reading.function}",
                hint=f"set the meter to {wanted[0]} and read again; DC on an AC output reads near zero, and the reverse",
            )


def _near_zero(no_load: MeterReading, expected: Expected) -> bool:
    return abs(no_load.value) < max(_NEAR_ZERO * expected.no_load_v, 0.5)


def _both(first: MeterReading, second: MeterReading) -> str:
    """Name two meters; who has no tag is the first or the second."""
    if first.name == second.name:
        return "first and second meter"
    return f"{first.name} and {second.name}"


def _doubt(
    judgement: Judgement,
    no_load: MeterReading,
    second: MeterReading | None,
    expected: Expected,
    findings: list[Finding],
) -> Judgement:
    """Keep a reading near zero from condemning the part before a second meter agrees (common practice, no source)."""
    if second is not None:
        first_u, second_u = no_load.settled(), second.settled()
        number = e_n(
            first_u.value, first_u.expanded_uncertainty, second_u.value, second_u.expanded_uncertainty
        )
        which = "" if second.name == "meter" else f" {second.name}"
        findings.append(
            Finding(
                FindingKind.SECOND_METER,
                f"second meter{which}: {second.reading.displayed}, E_n {abs(number):.2f}",
            )
        )
        if abs(number) > 1:
            return Judgement(
                Verdict.INDETERMINATE,
                judgement.conformance_probability,
                f"{_both(no_load, second)} disagree (E_n {abs(number):.2f}): one of them, or its leads or "
                "setting, is wrong; benchlog diagnose finds which",
            )
    elif judgement.verdict is Verdict.FAIL and _near_zero(no_load, expected):
        return Judgement(
            Verdict.INDETERMINATE,
            judgement.conformance_probability,
            f"{no_load.reading.displayed} on an output that should show {format_quantity(expected.no_load_v, 'V')}: part, leads, "
            "setting or meter? Doubt it until a second meter with its own leads agrees; the output may be live",
        )
    elif judgement.verdict is Verdict.FAIL:
        findings.append(
            Finding(
                FindingKind.ADVICE,
                "before the part is rejected: let a second meter with its own leads confirm",
            )
        )
    return judgement


def _load_point(
    nameplate: Nameplate,
    no_load: MeterReading,
    load: LoadPoint,
    expected: Expected,
    quantities: dict[str, Uncertain],
    limits: dict[str, Limits],
    findings: list[Finding],
) -> list[Judgement]:
    shared = same_meter_and_range(no_load, load.loaded)
    gain = no_load.gain_error()
    open_v = no_load.with_gain(gain)
    loaded_v = load.loaded.with_gain(gain if shared else load.loaded.gain_error())
    resistor = known_resistor(load.resistance_ohm, load.tolerance, Role.LOAD_RESISTOR)
    drift = uncertain(
        0.0, MAINS_DRIFT, label="mains moving between the readings", influence=Influence(Role.MAINS)
    )
    source: Any = resistor * (open_v * (1 + drift) / loaded_v - 1)
    quantities["loaded_voltage"] = load.loaded.settled()
    quantities["source_resistance"] = to_uncertain(source, "ohm")
    if nameplate.power_va:
        rated_current = nameplate.power_va / nameplate.voltage_v
        full_load = open_v - rated_current * source
        quantities["regulation"] = to_uncertain(open_v / full_load - 1, "1")
    if not shared:
        findings.append(
            Finding(
                FindingKind.GAINS,
                "open and loaded voltage come from different meters or ranges: their gains do not cancel",
            )
        )
    doubts = _load_doubts(nameplate, no_load, load)
    findings += doubts
    if "source_resistance" not in limits and expected.source_ohm is not None:
        limits["source_resistance"] = Limits(
            0.0,
            2 * expected.source_ohm,
            "ohm",
            f"computed: at most twice the {format_quantity(expected.source_ohm, 'ohm')} typical of the rating",
        )
    if doubts:
        return [Judgement(Verdict.INDETERMINATE, 0.0, doubts[0])]
    if "source_resistance" not in limits:
        return []
    return [judge(quantities["source_resistance"], limits["source_resistance"], "source resistance")]


def _load_doubts(nameplate: Nameplate, no_load: MeterReading, load: LoadPoint) -> list[Finding]:
    """What makes a load point so doubtful that no source resistance follows from it."""
    doubts: list[Finding] = []
    if nameplate.power_va:
        rated = nameplate.power_va / nameplate.voltage_v
        part = load.loaded.value / load.resistance_ohm / rated
        shown = format_quantity(load.resistance_ohm, "ohm")
        if part < _PREFIX_SLIP:
            doubts.append(
                Finding(
                    FindingKind.ENTRY,
                    f"a load of {shown} takes 1/{1 / part:.0f} of the rated current: kilo slip?",
                )
            )
        elif part > 1 / _PREFIX_SLIP:
            doubts.append(
                Finding(
                    FindingKind.ENTRY,
                    f"a load of {shown} takes {part:.0f} times the rated current: milli slip?",
                )
            )
    # A regulated output stays where it is, give or take some counts.
    steps = no_load.accuracy.counts * no_load.reading.resolution if nameplate.coupling == "dc" else 0.0
    if load.loaded.value > no_load.value + steps:
        doubts.append(
            Finding(
                FindingKind.ENTRY,
                f"loaded {load.loaded.reading.displayed} is above no-load {no_load.reading.displayed}: "
                "readings exchanged, or load not connected?",
            )
        )
    return doubts


def _rectified(
    no_load: MeterReading,
    mains_v: float | None,
    mains_nominal_v: float | None,
    capacitor_v: float | None,
    quantities: dict[str, Uncertain],
    design: list[DesignCheck],
    findings: list[Finding],
) -> None:
    peak = no_load.peak()
    quantities["rectified_peak"] = to_uncertain(peak + rectified_peak(0.0), "V")
    if mains_v is None:
        ratio = (1 + MAINS_TOLERANCE) / (1 - MAINS_TOLERANCE)
        findings.append(
            Finding(
                FindingKind.ASSUMPTION,
                "mains not read: the worst peak assumes it was 10 % low at the reading",
            )
        )
    else:
        ratio = (1 + MAINS_TOLERANCE) * (mains_nominal_v or nominal_mains(mains_v)) / mains_v
    worst = to_uncertain(peak * ratio + rectified_peak(0.0), "V")
    quantities["rectified_peak_worst"] = worst
    if capacitor_v is None:
        return
    design.append(capacitor_rating(worst, capacitor_v))


def _conditions(mains_v: float | None, load: LoadPoint | None) -> dict[str, str]:
    found = {}
    if mains_v is not None:
        found["mains"] = format_quantity(mains_v, "V")
    if load is not None:
        found["load"] = format_quantity(load.resistance_ohm, "ohm")
    return found
