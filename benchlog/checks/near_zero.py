"""A reading near zero that should not be: it proves neither a bad part nor a dead circuit (common practice, no source)."""

from __future__ import annotations

from benchlog.metrology.conformity import Judgement
from benchlog.metrology.meter_reading import MeterReading
from benchlog.metrology.next_best import Way
from benchlog.number_format import format_quantity
from benchlog.result import Limits, Verdict

DEAD_CAUTION = (
    "A reading near zero does not prove a circuit dead. Try the meter on a live source, test, try it again."
)
#: What settles such a doubt; chances and minutes are judgement.
_SECOND_METER = Way("read the same points with a second meter and its own leads", 0.9, 2.0)
_SHARE = 0.05
_LEAST_V = 0.5  # less than this is near zero, for an output of some volts


def usual_value(limits: Limits | None) -> float | None:
    """Return the middle of limits, or the only limit."""
    given = [] if limits is None else [limit for limit in (limits.low, limits.high) if limit is not None]
    return sum(given) / len(given) if given else None


def near_zero(reading: MeterReading, usual: float) -> bool:
    """Whether a reading is near zero compared with its expected value."""
    least = _LEAST_V if reading.reading.function.is_volts and abs(usual) > 2 * _LEAST_V else 0.0
    return abs(reading.value) < max(_SHARE * abs(usual), least)


def near_zero_by_limits(reading: MeterReading, limits: Limits | None) -> float | None:
    """Return the value that a voltage or current near zero should have by its limits; None if near zero is allowed."""
    usual = usual_value(limits)
    if limits is None or usual is None or reading.reading.value is None:
        return None
    function = reading.reading.function
    within = (limits.low is None or reading.value >= limits.low) and (
        limits.high is None or reading.value <= limits.high
    )
    doubted = (function.is_volts or function.is_current) and not within and near_zero(reading, usual)
    return usual if doubted else None


def part_or_meter(judgement: Judgement, reading: MeterReading, usual: float) -> Judgement:
    """Return the judgement of a reading near zero without a second meter to confirm it."""
    shown = reading.reading
    return Judgement(
        Verdict.INDETERMINATE,
        judgement.conformance_probability,
        f"{shown.displayed}, but {format_quantity(usual, shown.unit)} expected: part, leads, setting or meter? "
        "Confirm it with a second meter and its own leads; the circuit may be live",
        _SECOND_METER,
    )
