"""Guided reading against limits; one that looks wrong is diagnosed before it is judged."""

from __future__ import annotations

from benchlog.checks.near_zero import near_zero_by_limits
from benchlog.checks.plain import check_reading
from benchlog.diagnosis.doubtful import acceptable
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.doubt import Resolved, look_into, with_diagnosis
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Plan
from benchlog.plan.list_kind import ReadingItem
from benchlog.plan.meter_kinds import ReadingCheck
from benchlog.result import Limits, Uncertain


def expectation(check: ReadingCheck, plan: Plan) -> str:
    """The expected value."""
    return check.expect or ""


def measure(check: ReadingCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a reading with a person."""
    name = check.function.quantity
    limits = check.parsed_limits().get(name)
    return take_reading(check, name, limits, plan, acquisition, f"{check.id}/{name}", f"{check.id}/doubt")


def take_reading(
    place: ReadingCheck | ReadingItem,
    what: str,
    limits: Limits | None,
    plan: Plan,
    acquisition: Acquisition,
    key: str,
    doubt_key: str,
) -> CheckOutcome:
    """Take one reading, diagnose it if it is not as expected, and judge it.

    Parameters
    ----------
    place : ReadingCheck or ReadingItem
    what : str
        What is measured, for the prompt.
    plan : Plan
        Has the nominal mains, for a diagnosis.
    key, doubt_key : str
        Keys of the steps, for scripts: of the reading, and of its diagnosis.
    """
    unit = place.function.unit
    expect = None if place.expect is None else place.expect.in_unit(unit)
    taken = acquisition.reading(place.meter, place.function, what, key, expect=expect, limits=limits)
    resolved = Resolved(taken, readings=(taken.reading,))
    missing = near_zero_by_limits(taken, limits) if expect is None else None
    if missing is not None or not acceptable(taken, expect, limits):
        wanted = expect or missing or 0.0
        resolved = look_into(
            acquisition, taken, wanted, doubt_key, what, mains_nominal_v=plan.mains_nominal_v
        )
    elif expect is not None:
        acquisition.read_right(taken.reading.instrument)
    judged = resolved.judged
    if place.accuracy is not None:
        judged = acquisition.check.know(MeterReading(judged.reading, place.accuracy.value))
    expected = None if expect is None else Uncertain(expect, 0.0, 0.0, unit)
    result = check_reading(judged, limits, expected=expected, second=resolved.second)
    result = acquisition.unless_misread(result)
    return CheckOutcome(with_diagnosis(result, resolved), resolved.readings)
