"""Guided screen of an isolation: a supply, the barrier and a meter on V= in series."""

from __future__ import annotations

from benchlog.checks.isolation import check_isolation
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import IsolationCheck
from benchlog.reading import Function
from benchlog.result import Limits
from benchlog.units import parse_quantity

#: Input resistance of a handheld meter, if not stated; common practice, no source.
INPUT_OHM = 10e6


def limits(check: IsolationCheck, plan: Plan) -> dict[str, Limits]:
    """The lowest resistance allowed."""
    return {"resistance": Limits(check.min.value, None, "ohm", "plan")}


def measure(check: IsolationCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do an isolation screen with a person."""
    taken = acquisition.reading(check.meter, Function.DC_VOLTS, "leakage voltage", f"{check.id}/leakage")
    instrument = acquisition.bench.instruments.get(taken.reading.instrument)
    stated = instrument.input_resistance if instrument else None
    result = check_isolation(
        taken,
        check.supply.value,
        check.min.value,
        input_ohm=parse_quantity(stated, "ohm").value if stated else INPUT_OHM,
        limits=limits(check, plan)["resistance"],
    )
    return CheckOutcome(result, (taken.reading,))
