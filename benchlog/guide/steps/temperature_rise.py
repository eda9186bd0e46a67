"""Guided temperature rise: winding and air cold, the soak, winding and air hot; or a thermometer on the part."""

from __future__ import annotations

from benchlog.checks.temperature_rise import check_temperature_rise
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import TemperatureRiseCheck
from benchlog.reading import Function


def measure(check: TemperatureRiseCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a temperature-rise check with a person."""
    lead_null = cold = cold_air = None
    by_resistance = check.function is not Function.TEMPERATURE
    if by_resistance:
        if check.function is Function.OHMS and check.lead_null:
            acquisition.do("set the meter to ohms and short the tips", f"{check.id}/short_tips")
            lead_null = _winding(check, acquisition, "tips shorted", "null")
            acquisition.do(
                "tips on the winding, everything unplugged and discharged", f"{check.id}/on_object"
            )
        cold_air = _air(check, acquisition, "air, with the winding at air temperature", "cold_air")
        cold = _winding(check, acquisition, "winding, cold", "cold")
    acquisition.do(
        f"{check.soak}; then power off, discharge, connect again at once" if by_resistance else check.soak,
        f"{check.id}/soak",
    )
    off_ns = acquisition.clock.monotonic_ns()
    hot = _winding(
        check,
        acquisition,
        "winding, hot" if by_resistance else "part, hot",
        "hot",
        expect=None if cold is None else cold.value,
    )
    after_s = (acquisition.clock.monotonic_ns() - off_ns) / 1e9
    air = _air(check, acquisition, "air at the end", "air")
    result = check_temperature_rise(
        hot,
        air,
        check.parsed_limits()["temperature_rise"],
        cold=cold,
        cold_air=cold_air,
        lead_null=lead_null,
        current_stability=check.current_stability.value,
        after_s=after_s,
    )
    taken = (lead_null, cold_air, cold, hot, air)
    return CheckOutcome(result, tuple(m.reading for m in taken if m is not None))


def _winding(
    check: TemperatureRiseCheck, acquisition: Acquisition, what: str, step: str, expect: float | None = None
) -> MeterReading:
    return acquisition.reading(check.meter, check.function, what, f"{check.id}/{step}", expect=expect)


def _air(check: TemperatureRiseCheck, acquisition: Acquisition, what: str, step: str) -> MeterReading:
    return acquisition.reading(check.thermometer, Function.TEMPERATURE, what, f"{check.id}/{step}")
