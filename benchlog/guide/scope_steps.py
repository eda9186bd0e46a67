"""Checks with scope and generator: drive, set ranges, capture, swap, judge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Protocol, runtime_checkable

import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.checks.inductance import SeriesSetup, check_inductance
from benchlog.checks.ratio_model import RatioSetup
from benchlog.checks.scope_channels import GAIN_ACCURACY, RANGE_GAIN
from benchlog.checks.turns_ratio import check_turns_ratio
from benchlog.errors import UsageError
from benchlog.guide.hands import Hands
from benchlog.guide.measured import Measured
from benchlog.plan import InductanceCheck, InductanceItem, RatioCheck
from benchlog.units import parse_quantity

__all__ = ["AdjustableScope", "capture_in_range", "driven", "measure_with_scope", "series_setup"]

CYCLES = 50.0
SAMPLES = 10_000
#: Largest part of the full scale that a signal may fill: room for noise and drift before it clips.
FILL = 0.85


@runtime_checkable
class AdjustableScope(Protocol):
    """A scope whose ranges and time base can be set over its link."""

    def set_vertical(self, channel: str, full_scale_v: float) -> float:
        """Choose the smallest range that holds plus and minus `full_scale_v`; returns the one taken."""
        ...

    def set_timebase(self, *, n_samples: int, span_s: float) -> None:
        """Choose the record length."""
        ...


@contextmanager
def driven(hands: Hands, generator: str | None, frequency_hz: float, amplitude_vpp: float) -> Iterator[None]:
    """Drive with a generator while a capture is taken; off again whatever happens."""
    source = hands.source(generator) if generator else None
    if source is None:
        yield
        return
    source.set_sine(frequency_hz, amplitude_vpp)
    source.set_output(True)
    try:
        yield
    finally:
        source.set_output(False)


def measure_with_scope(check: RatioCheck | InductanceCheck, hands: Hands) -> Measured:
    """Do a turns-ratio or inductance check."""
    frequency = parse_quantity(check.frequency, "Hz").value if check.frequency else 1000.0
    amplitude = parse_quantity(check.amplitude, "V").value if check.amplitude else 10.0
    with driven(hands, check.generator, frequency, amplitude):
        if isinstance(check, RatioCheck):
            return _ratio(check, hands, (check.primary, check.secondary), frequency)
        return _inductance(check, hands, frequency)


def _ratio(check: RatioCheck, hands: Hands, channels: tuple[str, str], frequency: float) -> Measured:
    one_range = check.divider is not None
    first = capture_in_range(hands, check.scope, channels, frequency, one_range=one_range)
    captures = [first]
    if check.swap:
        hands.do(
            "swap: exchange probes and channels, so that each channel with its probe sees the other winding",
            f"{check.id}/swap",
        )
        captures.append(capture_in_range(hands, check.scope, channels, frequency, one_range=one_range))
    instrument = hands.bench.instrument(check.scope)
    gain = check.gain_accuracy or instrument.gain
    range_gain = check.range_gain or instrument.range_gain
    setup = RatioSetup(
        primary=check.primary,
        secondary=check.secondary,
        loop_turns=check.loop_turns,
        gain_accuracy=parse_quantity(gain, "1").value if gain else GAIN_ACCURACY,
        range_gain=parse_quantity(range_gain, "1").value if range_gain else RANGE_GAIN,
        divider=_divider(check.divider) if check.divider else None,
        divider_tolerance=parse_quantity(check.divider_tolerance, "1").value
        if check.divider_tolerance
        else 1e-3,
    )
    result = check_turns_ratio(
        first,
        setup,
        expected_turns=parse_quantity(check.expect, "1").value,
        tolerance=parse_quantity(check.tolerance, "1").value if check.tolerance else None,
        limits=check.parsed_limits().get("turns_ratio"),
        swapped=captures[1] if check.swap else None,
    )
    return Measured(result, (), tuple(captures))


def _inductance(check: InductanceCheck, hands: Hands, frequency: float) -> Measured:
    channels = (check.across, check.resistor_channel)
    first = capture_in_range(hands, check.scope, channels, frequency, one_range=True)
    swapped = None
    if check.swap:
        hands.do("swap: exchange probes and channels", f"{check.id}/swap")
        swapped = capture_in_range(hands, check.scope, channels, frequency, one_range=True)
    result = check_inductance(
        first,
        series_setup(hands, check),
        turns=check.turns,
        al_h=parse_quantity(check.al, "H").value if check.al else None,
        limits=check.parsed_limits() or None,
        swapped=swapped,
    )
    return Measured(result, (), (first,) if swapped is None else (first, swapped))


def series_setup(hands: Hands, check: InductanceCheck | InductanceItem) -> SeriesSetup:
    """How an inductance check is hooked up, with what the bench file knows of the scope."""
    instrument = hands.bench.instrument(check.scope)
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


def capture_in_range(
    hands: Hands, scope_tag: str, channels: Sequence[str], frequency_hz: float, *, one_range: bool = False
) -> Capture:
    """Take a record of whole tens of cycles with every channel filling its range without clipping.

    A scope whose ranges can't be set over its link is taken as the person set it.

    Parameters
    ----------
    hands : Hands
    scope_tag : str
    channels : sequence of str
    frequency_hz : float
        Of the signal; decides the record length.
    one_range : bool
        Use the larger range for all channels, so that no range-to-range gain counts.
    """
    scope = hands.scope(scope_tag)
    if not isinstance(scope, AdjustableScope):
        return hands.capture(scope_tag, channels)
    scope.set_timebase(n_samples=SAMPLES, span_s=CYCLES / frequency_hz)
    full = {channel: scope.set_vertical(channel, 20.0) for channel in channels}
    capture = hands.capture(scope_tag, channels)
    for _ in range(6):
        wanted = {c: _wanted(capture.channel(c), full[c]) for c in channels}
        if one_range:
            wanted = dict.fromkeys(channels, max(wanted.values()))
        new = {c: _take_range(scope, c, wanted[c], full[c]) for c in channels}
        settled = new == full
        full = new
        capture = hands.capture(scope_tag, channels)
        if settled:
            break
    return capture


def _take_range(scope: AdjustableScope, channel: str, wanted_v: float, now_v: float) -> float:
    """Set a range; a scope that has none so large keeps the one it has, and the record shows the clipping."""
    try:
        return scope.set_vertical(channel, wanted_v)
    except UsageError:
        if wanted_v <= now_v:
            raise
        return scope.set_vertical(channel, now_v)


def _wanted(record: ChannelRecord, full_scale_v: float) -> float:
    """Full scale that this record asks for: a little above its peak, far more when it clips."""
    values = record.values()
    peak = float(np.max(np.abs(values)))
    low, high = record.code_limits or (-np.inf, np.inf)
    if np.min(record.codes) <= low or np.max(record.codes) >= high:
        return full_scale_v * 2
    return max(peak / FILL, full_scale_v / 20)
