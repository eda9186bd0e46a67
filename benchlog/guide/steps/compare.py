"""Guided comparison of a resistor with a known one: the same meter, range and current for both."""

from __future__ import annotations

from benchlog.checks.compare import check_compare
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import CompareCheck


def measure(check: CompareCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a comparison with a person."""
    part = acquisition.reading(check.meter, check.function, f"across {check.part}", f"{check.id}/part")
    acquisition.do(
        "same meter, range and current: tips across the known resistor", f"{check.id}/to_reference"
    )
    known = acquisition.reading(
        part.reading.instrument or None,
        check.function,
        "across the known one",
        f"{check.id}/reference",
        expect=part.reading.value,
    )
    result = check_compare(
        part,
        known,
        check.reference.value,
        check.reference_tolerance.value,
        check.parsed_limits()["ratio"],
    )
    return CheckOutcome(result, (part.reading, known.reading))
