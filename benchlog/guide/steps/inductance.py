"""Guided inductance: winding and resistor in series on the generator, both channels of a scope."""

from __future__ import annotations

from benchlog.checks.inductance import SeriesSetup, check_inductance
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.scope_ranges import capture_in_range, driven_check, known_gains
from benchlog.plan import Plan
from benchlog.plan.list_kind import InductanceItem
from benchlog.plan.scope_kinds import InductanceCheck
from benchlog.quantity_text import value_of


def measure(check: InductanceCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do an inductance check."""
    return driven_check(check, acquisition, lambda frequency: _measured(check, acquisition, frequency))


def _measured(check: InductanceCheck, acquisition: Acquisition, frequency: float) -> CheckOutcome:
    channels = (check.across, check.resistor_channel)
    first = capture_in_range(acquisition, check.scope, channels, frequency, one_range=True)
    swapped = None
    if check.swap:
        acquisition.do("swap: move each probe with its channel to the other place", f"{check.id}/swap")
        swapped = capture_in_range(acquisition, check.scope, channels, frequency, one_range=True)
    result = check_inductance(
        first,
        series_setup(acquisition, check),
        turns=check.turns,
        al_h=value_of(check.al),
        limits=check.parsed_limits() or None,
        swapped=swapped,
    )
    return CheckOutcome(result, (), (first,) if swapped is None else (first, swapped))


def series_setup(acquisition: Acquisition, check: InductanceCheck | InductanceItem) -> SeriesSetup:
    """Return the set-up of an inductance check, with the scope's data from the bench file."""
    gain, between = known_gains(acquisition, check.scope)
    return SeriesSetup(
        across=check.across,
        resistor_channel=check.resistor_channel,
        resistor_ohm=check.resistor.value,
        resistor_tolerance=check.resistor_tolerance.value,
        gain_accuracy=gain,
        range_gain=between,
    )
