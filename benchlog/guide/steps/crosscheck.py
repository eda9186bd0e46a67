"""Guided cross-check: several meters on one point, read one after the other."""

from __future__ import annotations

from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.meter_pairs import E_N_LIMITS
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import CrossCheck
from benchlog.result import Limits


def limits(check: CrossCheck, plan: Plan) -> dict[str, Limits]:
    """Meters agree within their accuracies."""
    return {"e_n": E_N_LIMITS}


def measure(check: CrossCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a cross-check with a person."""
    taken: list[MeterReading] = []
    for tag in check.meters:
        expect = taken[0].reading.value if taken else None
        taken.append(acquisition.reading(tag, check.function, check.part, f"{check.id}/{tag}", expect=expect))
    return CheckOutcome(check_crosscheck(taken), tuple(m.reading for m in taken))
