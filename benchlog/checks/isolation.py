"""Isolation screening with a DC supply in series with a voltmeter."""

from __future__ import annotations

import math

from benchlog.circuits import leakage
from benchlog.errors import UsageError
from benchlog.hookup import in_words
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.metrology.meter_reading import MeterReading, functions_used, misleading_flags
from benchlog.metrology.next_best import Way, by_chance_per_minute, ways_to_settle, with_ways
from benchlog.number_format import format_quantity
from benchlog.reading import Function
from benchlog.result import Limits, Result, Uncertain, Verdict

SCREEN_ONLY = "a screen, not a withstand test: a mains barrier needs a proper insulation tester (500 V DC) and an approved construction"

#: The uncertainty of supply and input resistance remains in any second reading (judgement).
_TESTER = Way(
    "measure it with an insulation tester (500 V DC), nothing else connected to either side, and discharge it afterwards",
    0.9,
    5.0,
)
_FINER = Way("read it on a finer range of V=, or with a supply of twice the voltage", 0.7, 2.0)
#: Below this many times the counts of its statement a reading is mostly those counts (judgement).
_BLURRED = 3.0


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

    Raises
    ------
    UsageError
        If the reading is not of DC volts, or the supply is too low to show a fault.
    """
    if reading.reading.function is not Function.DC_VOLTS:
        raise UsageError(
            f"{reading.name} was on {reading.reading.function}, not on V=",
            hint="set the meter to V= and read again",
        )
    if not supply_v > 0:
        raise UsageError(
            f"a supply of {supply_v:g} V is too low to show an isolation fault",
            hint="use a few volts DC, e.g. 9 V",
        )
    used = limits or Limits(min_ohm, None, "ohm", "lowest allowed, as given")
    # Where the reading is mostly the counts of its statement, the resistance is known to be at least that with them.
    shown, counts = abs(reading.value), max(reading.accuracy.counts, 0.5) * reading.reading.resolution
    blurred = shown < _BLURRED * counts
    gain, supply = (
        reading.gain_error(),
        uniform(supply_v, 0.02 * supply_v, label="supply voltage", influence=Influence(Role.SUPPLY)),
    )
    volts = (shown + counts) * (1 + gain)
    if not blurred:
        volts = reading.with_gain(gain) * math.copysign(1.0, reading.value)
    own = uniform(
        input_ohm,
        0.05 * input_ohm,
        label="input resistance",
        influence=reading.influence(Role.INPUT_RESISTANCE),
    )
    resistance = to_uncertain(own * (supply / volts - 1), "ohm")
    judgement = judge(resistance, used, "leakage resistance")
    ways = [_TESTER]
    if blurred and judgement.verdict is Verdict.FAIL:
        words = f"{reading.reading.displayed} shows only that the resistance is {resistance} or more"
        judgement = Judgement(Verdict.INDETERMINATE, judgement.conformance_probability, words)
        ways.append(_FINER)
    meters = functions_used(reading)
    wiring = leakage("the barrier", reading.name, format_quantity(supply_v, "V"), supply_v)
    result = Result(
        check="isolation",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities={"resistance": resistance, "leakage_voltage": Uncertain(shown, 0.0, 0.0, "V")},
        limits={"resistance": used},
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(meters),
        functions=meters,
        hookup=in_words(wiring),
        wiring=wiring,
        cautions=(SCREEN_ONLY,),
        findings=tuple(misleading_flags(reading)),
    )
    return with_ways(result, by_chance_per_minute([*ways_to_settle(result), *ways]))
