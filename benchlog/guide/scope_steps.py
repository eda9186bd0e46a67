"""Checks with scope and generator: drive, set ranges, capture, swap, judge."""

from __future__ import annotations

import dataclasses

import msgspec

from benchlog.checks.inductance import SeriesSetup, check_inductance
from benchlog.checks.ratio_model import RatioSetup
from benchlog.checks.scope_channels import GAIN_ACCURACY, RANGE_GAIN
from benchlog.checks.turns_ratio import check_turns_ratio
from benchlog.errors import UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_outcome import CheckOutcome
from benchlog.guide.ratio_run import SWAP_PROMPT, SWEEP_POINTS, RatioRun, run_ratio
from benchlog.guide.scope_ranges import capture_in_range, driven
from benchlog.plan import InductanceCheck, InductanceItem, RatioCheck
from benchlog.units import format_quantity, parse_quantity

__all__ = ["measure_with_scope", "ratio_setup", "series_setup"]


def measure_with_scope(check: RatioCheck | InductanceCheck, acquisition: Acquisition) -> CheckOutcome:
    """Do a turns-ratio or inductance check."""
    frequency = parse_quantity(check.frequency, "Hz").value if check.frequency else 1000.0
    amplitude = parse_quantity(check.amplitude, "V").value if check.amplitude else 10.0
    if isinstance(check, RatioCheck) and check.al is not None:
        return run_ratio(_automatic(check, acquisition), acquisition)
    with driven(acquisition, check.generator, frequency, amplitude):
        if isinstance(check, RatioCheck):
            measured = _ratio(check, acquisition, (check.primary, check.secondary), frequency)
        else:
            measured = _inductance(check, acquisition, frequency)
    if check.generator is None:
        return measured
    driven_at = {"generator": f"{format_quantity(amplitude, 'V')} peak to peak, open circuit"}
    conditions = dict(measured.result.conditions) | driven_at
    return dataclasses.replace(
        measured, result=msgspec.structs.replace(measured.result, conditions=conditions)
    )


def _ratio(
    check: RatioCheck, acquisition: Acquisition, channels: tuple[str, str], frequency: float
) -> CheckOutcome:
    one_range = check.divider is not None
    first = capture_in_range(acquisition, check.scope, channels, frequency, one_range=one_range)
    captures = [first]
    if check.swap:
        acquisition.do(SWAP_PROMPT, f"{check.id}/swap")
        captures.append(capture_in_range(acquisition, check.scope, channels, frequency, one_range=one_range))
    result = check_turns_ratio(
        first,
        ratio_setup(acquisition, check),
        expected_turns=parse_quantity(check.expect, "1").value,
        tolerance=parse_quantity(check.tolerance, "1").value if check.tolerance else None,
        limits=check.parsed_limits().get("turns_ratio"),
        swapped=captures[1] if check.swap else None,
    )
    return CheckOutcome(result, (), tuple(captures))


def ratio_setup(acquisition: Acquisition, check: RatioCheck) -> RatioSetup:
    """How a ratio check is hooked up, with what the bench file knows of the scope."""
    instrument = acquisition.bench.instrument(check.scope)
    gain = _number(check.gain_accuracy or instrument.gain, "1")
    range_gain = _number(check.range_gain or instrument.range_gain, "1")
    tolerance = _number(check.divider_tolerance, "1")
    generator = _number(check.generator_resistance, "ohm")
    return RatioSetup(
        primary=check.primary,
        secondary=check.secondary,
        loop_turns=check.loop_turns,
        gain_accuracy=GAIN_ACCURACY if gain is None else gain,
        range_gain=RANGE_GAIN if range_gain is None else range_gain,
        divider=_divider(check.divider) if check.divider else None,
        divider_tolerance=1e-3 if tolerance is None else tolerance,
        generator_ohm=50.0 if generator is None else generator,
        opposed_turns=check.opposed_turns,
    )


def _automatic(check: RatioCheck, acquisition: Acquisition) -> RatioRun:
    """An automatic run as a plan tells it."""
    al, amplitude = _number(check.al, "H"), _number(check.amplitude, "V")
    if al is None or check.generator is None:
        raise UsageError("an automatic run needs al and generator")
    return RatioRun(
        key=check.id,
        scope=check.scope,
        generator=check.generator,
        setup=ratio_setup(acquisition, check),
        expected_turns=parse_quantity(check.expect, "1").value,
        al_h=al,
        area_m2=_number(check.area, "m2"),
        saturation_t=_number(check.saturation, "T"),
        frequency_hz=_number(check.frequency, "Hz"),
        amplitude_vpp=10.0 if amplitude is None else amplitude,
        tolerance=_number(check.tolerance, "1"),
        limits=check.parsed_limits().get("turns_ratio"),
        swap=check.swap,
        sweep_points=SWEEP_POINTS if check.sweep is None else check.sweep,
    )


def _number(text: str | None, unit: str) -> float | None:
    return None if text is None else parse_quantity(text, unit).value


def _inductance(check: InductanceCheck, acquisition: Acquisition, frequency: float) -> CheckOutcome:
    channels = (check.across, check.resistor_channel)
    first = capture_in_range(acquisition, check.scope, channels, frequency, one_range=True)
    swapped = None
    if check.swap:
        acquisition.do("swap: exchange probes and channels", f"{check.id}/swap")
        swapped = capture_in_range(acquisition, check.scope, channels, frequency, one_range=True)
    result = check_inductance(
        first,
        series_setup(acquisition, check),
        turns=check.turns,
        al_h=parse_quantity(check.al, "H").value if check.al else None,
        limits=check.parsed_limits() or None,
        swapped=swapped,
    )
    return CheckOutcome(result, (), (first,) if swapped is None else (first, swapped))


def series_setup(acquisition: Acquisition, check: InductanceCheck | InductanceItem) -> SeriesSetup:
    """How an inductance check is hooked up, with what the bench file knows of the scope."""
    instrument = acquisition.bench.instrument(check.scope)
    return SeriesSetup(
        across=check.across,
        resistor_channel=check.resistor_channel,
        resistor_ohm=parse_quantity(check.resistor, "ohm").value,
        resistor_tolerance=parse_quantity(check.resistor_tolerance, "1").value,
        gain_accuracy=parse_quantity(instrument.gain, "1").value if instrument.gain else GAIN_ACCURACY,
        range_gain=parse_quantity(instrument.range_gain, "1").value if instrument.range_gain else RANGE_GAIN,
    )


def _divider(text: str) -> float:
    head, colon, tail = text.partition(":")
    ratio = parse_quantity(head, "1").value / (parse_quantity(tail, "1").value if colon else 1.0)
    if ratio < 1:
        raise UsageError(f"a divider of {text} divides nothing", hint="write it like 100:1")
    return ratio
