"""Guided resistance: two-wire with the tips shorted first, or four-wire with a test current."""

from __future__ import annotations

from benchlog.checks.continuity import (
    LEADS_OHM,
    check_continuity,
    copper_resistance,
    on_display,
    resistance_limits,
)
from benchlog.displayed import parse_displayed
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import ContinuityCheck
from benchlog.quantity_text import value_of
from benchlog.reading import Function
from benchlog.result import Limits, Uncertain


def expectation(check: ContinuityCheck, plan: Plan) -> str:
    """The wire's resistance."""
    expected, source = _wire_resistance(check)
    return "" if expected is None else f"{expected} ({source})"


def limits(check: ContinuityCheck, plan: Plan) -> dict[str, Limits]:
    """Limits of the plan, else about the wire's resistance, else the highest allowed."""
    used = check.parsed_limits().get("resistance") or resistance_limits(
        value_of(check.max), *_wire_resistance(check), check.tolerance.value
    )
    return {} if used is None else {"resistance": used}


def measure(check: ContinuityCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a resistance check with a person."""
    lead_null: MeterReading | None = None
    current: MeterReading | None = None
    expected, source = _wire_resistance(check)
    if check.four_wire:
        current = _test_current(check, acquisition)
        acquisition.do("current on now; tips on the part's own ends", f"{check.id}/drop_leads")
        function, what, key = Function.DC_VOLTS, "voltage drop", "drop"
    else:
        if check.lead_null:
            acquisition.do("set the meter to ohms and short the tips", f"{check.id}/short_tips")
            lead_null = acquisition.reading(
                check.meter,
                Function.OHMS,
                "tips shorted",
                f"{check.id}/null",
                limits=Limits(None, LEADS_OHM, "ohm"),
            )
            acquisition.do("tips on the object, everything unplugged and discharged", f"{check.id}/on_object")
        function, what, key = Function.OHMS, "resistance", "resistance"
    expect, shown = on_display(expected, limits(check, plan).get("resistance"), lead_null, current)
    reading = acquisition.reading(
        check.meter, function, what, f"{check.id}/{key}", expect=expect, limits=shown
    )
    if check.four_wire:
        acquisition.person.caution("current off now")
    result = check_continuity(
        reading,
        lead_null=lead_null,
        current=current,
        max_ohm=value_of(check.max),
        expected=expected,
        expected_source=source,
        tolerance=check.tolerance.value,
        limits=check.parsed_limits().get("resistance"),
    )
    return CheckOutcome(result, tuple(m.reading for m in (lead_null, current, reading) if m is not None))


def _wire_resistance(check: ContinuityCheck) -> tuple[Uncertain | None, str]:
    """Expected resistance of the wire, and its source."""
    if check.wire is None or check.length is None:
        return None, ""
    celsius = check.temperature.value if check.temperature_stated else None
    return copper_resistance(check.wire.value, check.length.value, celsius)


def _test_current(check: ContinuityCheck, acquisition: Acquisition) -> MeterReading:
    """The current of a four-wire measurement: read on a meter, or stated with its accuracy."""
    if check.current is None:
        return acquisition.reading(
            check.current_meter, Function.DC_CURRENT, "test current", f"{check.id}/current"
        )
    reading = parse_displayed(
        check.current, Function.DC_CURRENT, instrument=check.current_meter or "test current"
    )
    return MeterReading(acquisition.stamped(reading), value_of(check.current_accuracy) or UNKNOWN_ACCURACY)
