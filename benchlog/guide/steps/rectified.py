"""Guided reading of an unloaded rectified voltage."""

from __future__ import annotations

from benchlog.checks.near_zero import near_zero_by_limits, usual_value
from benchlog.checks.rectified import check_rectified
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.doubt import Resolved, look_into, with_diagnosis
from benchlog.guide.steps.supply import ask_mains
from benchlog.plan import Plan
from benchlog.plan.meter_kinds import RectifiedCheck
from benchlog.quantity_text import value_of
from benchlog.reading import Function


def measure(check: RectifiedCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a check of a rectified voltage with a person."""
    mains = ask_mains(check, acquisition, plan.mains_nominal_v)
    limits = check.parsed_limits()["rectified_peak"]
    what, function = "rectified voltage", Function.DC_VOLTS
    expect = None if limits.low is None else usual_value(limits)
    taken = acquisition.reading(
        check.meter, function, what, f"{check.id}/rectified", expect=expect, limits=limits
    )
    resolved = Resolved(taken, readings=(taken.reading,))
    if (missing := near_zero_by_limits(taken, limits)) is not None:
        nominal_v = plan.mains_nominal_v
        resolved = look_into(
            acquisition, taken, missing, f"{check.id}/doubt", what, mains_nominal_v=nominal_v
        )
    result = check_rectified(
        resolved.judged,
        limits,
        mains=mains,
        capacitor_v=value_of(check.capacitor),
        second=resolved.second,
    )
    return CheckOutcome(with_diagnosis(result, resolved), resolved.readings)
