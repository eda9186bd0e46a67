"""Temperature rise of a part above the air, by its winding's resistance or a thermometer on it.

Resistance method, with the winding at air temperature before: rise = R_hot/R_cold (k + T_cold) - k - T_air, and
k = 234.5 for copper (IEC 60076-2, IEC 61558-1; from memory). It gives the mean over the winding; a thermometer gives the
surface.
"""

from __future__ import annotations

from typing import Any

from benchlog.circuits import four_wire, on_part
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import in_words
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.metrology.meter_reading import (
    MeterReading,
    functions_used,
    misleading_flags,
    same_meter_and_range,
)
from benchlog.metrology.next_best import Way, with_ways
from benchlog.reading import Function
from benchlog.result import Limits, Result, Uncertain, Verdict

#: Functions for a winding; V= is its voltage at a constant test current.
WINDING_FUNCTIONS = (Function.OHMS, Function.FOUR_WIRE_OHMS, Function.DC_VOLTS)
COPPER_K = 234.5
#: Half-width of k for commercial copper (judgement).
COPPER_K_SPREAD = 1.0
#: A winding left overnight differs from the air by at most this much, kelvin (judgement).
REST_K = 1.0
#: A winding read later than this after power-off, second, has cooled too far for a pass (judgement).
LATE_S = 60.0
#: How long a soak takes is judgement.
_SOAK_AGAIN = Way("soak again, and read the winding within a minute of power-off", 0.9, 60.0)
HOT = (
    "hot: it burns fingers and softens insulation; power off and discharge before you connect a meter on ohms"
)


def check_temperature_rise(
    hot: MeterReading,
    air: MeterReading,
    limits: Limits,
    *,
    cold: MeterReading | None = None,
    cold_air: MeterReading | None = None,
    lead_null: MeterReading | None = None,
    current_stability: float = 0.005,
    after_s: float = 0.0,
) -> Result:
    """Judge the temperature rise of a part after a soak.

    Parameters
    ----------
    hot : MeterReading
        Winding after the soak, ohm or volt at the test current; or degree Celsius of a thermometer on the part.
    air : MeterReading
        Air at the end of the soak, degree Celsius.
    limits : Limits
        Of the rise, kelvin.
    cold, cold_air : MeterReading, optional
        Winding and air before the soak, both at one temperature; needed unless `hot` is a temperature.
    lead_null : MeterReading, optional
        Ohms with the tips shorted, subtracted from both.
    current_stability : float
        Half-width of the change of test current between the readings, relative; for volts only.
    after_s : float
        From power-off to the reading of the hot winding, second.

    Raises
    ------
    UsageError
        If the readings don't fit together.
    """
    _refuse_wrong_functions(hot, air, cold, cold_air)
    taken = [m for m in (lead_null, cold_air, cold, hot, air) if m is not None]
    quantities: dict[str, Uncertain] = {}
    findings = misleading_flags(*taken)
    meters = functions_used(*taken)
    if cold is None or cold_air is None:
        warm, cool = _pair(hot, air)
        rise = warm - cool
    else:
        ratio = _resistance_ratio(cold, hot, lead_null, current_stability)
        before, cool = _pair(cold_air, air)
        rest = uniform(0.0, REST_K, "winding against the air before", influence=Influence(Role.MODEL))
        k = uniform(COPPER_K, COPPER_K_SPREAD, "k of copper", influence=Influence(Role.MATERIAL))
        rise = ratio * (k + before + rest) - k - cool
        quantities["resistance_ratio"] = to_uncertain(ratio, "1")
        if not same_meter_and_range(cold, hot):
            findings.append(Finding(FindingKind.GAINS, "two meters or ranges: their gains do not cancel"))
    quantities = {
        "temperature_rise": to_uncertain(rise, "K"),
        "hot_temperature": to_uncertain(rise + cool, "degC"),
        **quantities,
    }
    judgement = judge(quantities["temperature_rise"], limits, "temperature rise")
    if cold is not None and after_s > LATE_S:
        late = f"the hot winding was read {after_s:.0f} s after power-off: it was hotter before"
        findings.append(Finding(FindingKind.CONDITIONS, late))
        if judgement.verdict is Verdict.PASS:
            p = judgement.conformance_probability
            judgement = Judgement(Verdict.INDETERMINATE, p, late, _SOAK_AGAIN)
    if hot.reading.function is Function.DC_VOLTS:
        wiring = four_wire("the winding", hot.name)
    else:
        wiring = on_part("the part", hot.name, hot.reading.function)
    result = Result(
        check="temperature_rise",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities=quantities,
        limits={"temperature_rise": limits},
        limits_set="plan",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        conditions={"method": "thermometer" if cold is None else "winding resistance, copper"},
        cautions=(HOT,),
        findings=tuple(findings),
    )
    return with_ways(result, [judgement.way] if judgement.way else [])


def _refuse_wrong_functions(
    hot: MeterReading, air: MeterReading, cold: MeterReading | None, cold_air: MeterReading | None
) -> None:
    for metered in (air, *([cold_air] if cold_air else [])):
        if metered.reading.function is not Function.TEMPERATURE:
            raise UsageError(
                f"{metered.name} was on {metered.reading.function}, not on degC, for the air",
                hint="read the air with a thermometer",
            )
    if hot.reading.function is Function.TEMPERATURE:
        return
    if cold is None or cold_air is None:
        raise UsageError(
            "the hot resistance alone gives no temperature: the cold resistance and the air temperature are needed too",
            hint="read both before the soak",
        )
    if hot.reading.function not in WINDING_FUNCTIONS or cold.reading.function is not hot.reading.function:
        raise UsageError(
            f"cold was read on {cold.reading.function}, hot on {hot.reading.function}",
            hint="read both on ohm, on ohm4w, or on V= at one test current",
        )
    if not cold.value > 0:
        raise UsageError(f"the cold winding shows {cold.reading.displayed}", hint="check leads and polarity")


def _pair(first: MeterReading, second: MeterReading) -> tuple[Any, Any]:
    """Two readings, with one gain error where one meter on one range gave both."""
    gain = first.gain_error()
    return first.with_gain(gain), second.with_gain(
        gain if same_meter_and_range(first, second) else second.gain_error()
    )


def _resistance_ratio(
    cold: MeterReading, hot: MeterReading, lead_null: MeterReading | None, current_stability: float
) -> Any:
    gain = cold.gain_error()
    before = cold.with_gain(gain)
    after = hot.with_gain(gain if same_meter_and_range(cold, hot) else hot.gain_error())
    if lead_null is not None:
        null = lead_null.with_gain(gain if same_meter_and_range(cold, lead_null) else lead_null.gain_error())
        before, after = before - null, after - null
    if not before.x > 0:
        raise UsageError("the leads have more resistance than the winding", hint="use four-wire")
    if hot.reading.function is Function.DC_VOLTS:
        moved = uniform(
            0.0, current_stability, "test current between the readings", influence=Influence(Role.SUPPLY)
        )
        after = after * (1 + moved)
    return after / before
