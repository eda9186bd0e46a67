"""Guided reading of an unloaded rectified voltage."""

from __future__ import annotations

from benchlog.checks.rectified import check_rectified
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.steps.supply import ask_mains
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import RectifiedCheck
from benchlog.quantity_text import value_of
from benchlog.reading import Function


def measure(check: RectifiedCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a check of a rectified voltage with a person."""
    mains = ask_mains(check, acquisition, plan.mains_nominal_v)
    taken = acquisition.reading(check.meter, Function.DC_VOLTS, "rectified voltage", f"{check.id}/rectified")
    result = check_rectified(
        taken,
        check.parsed_limits()["rectified_peak"],
        mains=mains,
        capacitor_v=value_of(check.capacitor),
    )
    return CheckOutcome(result, (taken.reading,))
