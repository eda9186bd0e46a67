"""Guided turns ratio: generator on the winding, a separate sense loop, both channels of a scope; or automatic."""

from __future__ import annotations

from benchlog.capture import Capture
from benchlog.checks.ratio_model import RatioSetup
from benchlog.checks.turns_ratio import check_turns_ratio, same_samples
from benchlog.checks.whole_turns import turns_limits
from benchlog.errors import UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.ratio_run import SWAP_PROMPT, SWEEP_POINTS, RatioRun, run_ratio
from benchlog.guide.scope_ranges import AMPLITUDE_VPP, capture_in_range, driven_check, known_gains
from benchlog.plan import Plan
from benchlog.plan.scope_kinds import RatioCheck
from benchlog.quantity_text import value_of
from benchlog.result import Limits


def expectation(check: RatioCheck, plan: Plan) -> str:
    """The planned turns."""
    return f"{check.expect} turns, whole number, in phase"


def limits(check: RatioCheck, plan: Plan) -> dict[str, Limits]:
    """Limits of the plan, else about the planned turns."""
    used = check.parsed_limits().get("turns_ratio") or turns_limits(
        check.expect.value, value_of(check.tolerance)
    )
    return {} if used is None else {"turns_ratio": used}


def measure(check: RatioCheck, plan: Plan, acquisition: Acquisition) -> CheckOutcome:
    """Do a turns-ratio check."""
    if check.al is not None:
        return run_ratio(_automatic(check, acquisition), acquisition)
    return driven_check(check, acquisition, lambda frequency: _measured(check, acquisition, frequency))


def _measured(check: RatioCheck, acquisition: Acquisition, frequency: float) -> CheckOutcome:
    channels = (check.primary, check.secondary)
    one_range = check.divider is not None
    captures = [capture_in_range(acquisition, check.scope, channels, frequency, one_range=one_range)]
    if check.swap:
        acquisition.do(SWAP_PROMPT, f"{check.id}/swap")
        if acquisition.takes_files(check.scope):
            captures.append(_swapped_file(check, acquisition, captures[0]))
        else:
            captures.append(
                capture_in_range(acquisition, check.scope, channels, frequency, one_range=one_range)
            )
    result = check_turns_ratio(
        captures[0],
        _setup(check, acquisition),
        expected_turns=check.expect.value,
        tolerance=value_of(check.tolerance),
        limits=check.parsed_limits().get("turns_ratio"),
        swapped=captures[1] if check.swap else None,
        prior=check.miscounts(),
    )
    return CheckOutcome(result, (), tuple(captures))


def _swapped_file(check: RatioCheck, acquisition: Acquisition, first: Capture) -> Capture:
    """Ask for the record with swapped probes until it differs from the first one."""
    channels = (check.primary, check.secondary)
    while True:
        second = acquisition.capture(check.scope, channels, which="second record, probes swapped: ")
        if not same_samples(first, second, channels):
            return second
        acquisition.person.show(
            "  that file has the same samples as the first one: swap, capture again, and name the new file"
        )


def _setup(check: RatioCheck, acquisition: Acquisition) -> RatioSetup:
    """Return its set-up, with the scope's data from the bench file."""
    gain, between = known_gains(acquisition, check.scope)
    return RatioSetup(
        primary=check.primary,
        secondary=check.secondary,
        loop_turns=check.loop_turns,
        gain_accuracy=gain if check.gain_accuracy is None else check.gain_accuracy.value,
        range_gain=between if check.range_gain is None else check.range_gain.value,
        divider=value_of(check.divider),
        divider_tolerance=value_of(check.divider_tolerance),
        generator_ohm=50.0 if check.generator_resistance is None else check.generator_resistance.value,
        opposed_turns=check.opposed_turns,
    )


def _automatic(check: RatioCheck, acquisition: Acquisition) -> RatioRun:
    """An automatic run as a plan describes it."""
    if check.al is None or check.generator is None:
        raise UsageError("an automatic run needs al and generator")
    return RatioRun(
        key=check.id,
        scope=check.scope,
        generator=check.generator,
        setup=_setup(check, acquisition),
        expected_turns=check.expect.value,
        al_h=check.al.value,
        area_m2=value_of(check.area),
        saturation_t=value_of(check.saturation),
        frequency_hz=value_of(check.frequency),
        amplitude_vpp=AMPLITUDE_VPP if check.amplitude is None else check.amplitude.value,
        tolerance=value_of(check.tolerance),
        limits=check.parsed_limits().get("turns_ratio"),
        swap=check.swap,
        prior=check.miscounts(),
        sweep_points=SWEEP_POINTS if check.sweep is None else check.sweep,
    )
