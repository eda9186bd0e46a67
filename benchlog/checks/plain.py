"""One reading against limits."""

from __future__ import annotations

from benchlog.checks.near_zero import DEAD_CAUTION, near_zero_by_limits, part_or_meter
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.metrology.meter_reading import MeterReading, functions_used, misleading_flags
from benchlog.metrology.next_best import with_ways
from benchlog.number_format import format_quantity
from benchlog.reading import State
from benchlog.result import Limits, Result, Uncertain, Verdict


def check_reading(
    reading: MeterReading,
    limits: Limits | None,
    *,
    expected: Uncertain | None = None,
    second: MeterReading | None = None,
) -> Result:
    """Judge one reading against limits.

    Parameters
    ----------
    limits : Limits or None
        None: the reading is exploratory, recorded but not judged.
    expected : Uncertain, optional
        What the plan expects, for the record.
    second : MeterReading, optional
        Another meter, with its own leads, on the same points; it must confirm a voltage or current near zero.

    Notes
    -----
    An overload on ohms counts as "above the range" if only a low limit is set (isolation); otherwise it can't be judged.
    """
    function = reading.reading.function
    name = function.quantity
    quantities: dict[str, Uncertain] = {}
    if expected is not None:
        quantities[f"expected_{name}"] = expected
    if reading.reading.state is not State.OK:
        judgement = _without_number(reading, limits)
    else:
        quantities = {name: reading.settled(), **quantities}
        if limits is None:
            judgement = Judgement(
                Verdict.NOT_DONE,
                0.0,
                f"{reading.reading.displayed}: no limits were given, so this is an exploratory reading",
            )
        else:
            judgement = judge(quantities[name], limits, name)
    missing = near_zero_by_limits(reading, limits)
    if missing is not None and second is None:
        judgement = part_or_meter(judgement, reading, missing)
    meters = functions_used(reading)
    result = Result(
        check="reading",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities=quantities,
        expectations={} if expected is None else {name: f"expected_{name}"},
        limits={name: limits} if limits else {},
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(meters),
        functions=meters,
        cautions=() if missing is None else (DEAD_CAUTION,),
        findings=tuple(misleading_flags(reading)),
    )
    return with_ways(result, [judgement.way] if judgement.way else [])


def _without_number(reading: MeterReading, limits: Limits | None) -> Judgement:
    shown = f"{reading.reading.displayed}: {reading.reading.state}"
    over = reading.reading.state is State.OVERLOAD
    top = reading.reading.range_max
    if (
        over
        and limits is not None
        and limits.high is None
        and limits.low is not None
        and top is not None
        and top >= limits.low
    ):
        return Judgement(
            Verdict.PASS, 1.0, f"above the range of {format_quantity(top, reading.reading.unit)} ({shown})"
        )
    return Judgement(Verdict.INDETERMINATE, 0.0, f"{shown}: there is no number to judge")
