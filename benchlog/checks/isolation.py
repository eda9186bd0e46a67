"""Isolation screening with a DC supply in series with a voltmeter."""

from __future__ import annotations

from benchlog.circuits import leakage
from benchlog.errors import UsageError
from benchlog.hookup import in_words
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.metrology.conformity import RULE, judge
from benchlog.metrology.meter_reading import MeterReading, functions_used, misleading_flags
from benchlog.metrology.next_best import Way, by_chance_per_minute, ways_to_settle, with_ways
from benchlog.reading import Function
from benchlog.result import Limits, Result, Uncertain
from benchlog.units import format_quantity

SCREEN_ONLY = "a screen, not a withstand test: a mains barrier needs a proper insulation tester (500 V DC) and an approved construction"

#: The uncertainty of supply and input resistance remains in any second reading (judgement).
_TESTER = Way(
    "measure it with an insulation tester (500 V DC), nothing else connected to either side, and discharge it afterwards",
    0.9,
    5.0,
)


def check_isolation(
    reading: MeterReading,
    supply_v: float,
    min_ohm: float,
    *,
    input_ohm: float = 10e6,
    limits: Limits | None = None,
) -> Result:
    """Leakage resistance from the voltage that leaks into the meter's own input resistance.

    R = R_input x (V_supply/V_meter - 1).

    Parameters
    ----------
    reading : MeterReading
        DC volts across the meter, in series with supply and barrier.
    supply_v : float
        Supply, volt; assumed to be within 2 %.
    min_ohm : float
        Lowest leakage resistance allowed.
    input_ohm : float
        Input resistance of the meter; assumed to be within 5 %.
    limits : Limits, optional
        From a plan; replace `min_ohm`.
    """
    if reading.reading.function is not Function.DC_VOLTS:
        raise UsageError(
            f"{reading.name} was on {reading.reading.function}, not on V=", hint="isolation is read on V="
        )
    if not supply_v > 0:
        raise UsageError(f"a supply of {supply_v:g} V is too low to show an isolation fault")
    used = limits or Limits(min_ohm, None, "ohm", "lowest allowed, as given")
    # The display can't show less than one count: the leakage resistance is then at least that of one count.
    seen = max(abs(reading.value), reading.reading.resolution)
    gain, supply = (
        reading.gain_error(),
        uniform(supply_v, 0.02 * supply_v, label="supply voltage", influence=Influence(Role.SUPPLY)),
    )
    volts = seen * (1 + gain) + uniform(
        0.0,
        reading.reading.resolution / 2,
        label=f"digit of {reading.name}",
        influence=reading.influence(Role.COUNTS),
    )
    own = uniform(
        input_ohm,
        0.05 * input_ohm,
        label="input resistance",
        influence=reading.influence(Role.INPUT_RESISTANCE),
    )
    resistance = to_uncertain(own * (supply / volts - 1), "ohm")
    judgement = judge(resistance, used, "leakage resistance")
    meters = functions_used(reading)
    wiring = leakage("the barrier", reading.name, format_quantity(supply_v, "V"), supply_v)
    result = Result(
        check="isolation",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities={"resistance": resistance, "leakage_voltage": Uncertain(seen, 0.0, 0.0, "V")},
        limits={"resistance": used},
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        cautions=(SCREEN_ONLY,),
        findings=tuple(misleading_flags(reading)),
    )
    return with_ways(result, by_chance_per_minute([*ways_to_settle(result), _TESTER]))
