"""A scope's ranges and a generator's output in a guided check: no clipping, well-filled ranges, output off at the end."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Protocol, runtime_checkable

import msgspec
import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.checks.scope_channels import GAIN_ACCURACY, RANGE_GAIN
from benchlog.errors import UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.number_format import format_quantity
from benchlog.plan.scope_kinds import InductanceCheck, RatioCheck
from benchlog.units import parse_quantity

#: Drive level if the plan has none.
FREQUENCY_HZ = 1000.0
AMPLITUDE_VPP = 10.0
CYCLES = 50.0
SAMPLES = 10_000
#: Largest part of full scale that a signal may fill; the rest is for noise and drift.
FILL = 0.85


@runtime_checkable
class AdjustableScope(Protocol):
    """A scope whose ranges and time base can be set over its link."""

    def set_vertical(self, channel: str, full_scale_v: float) -> float:
        """Set the smallest range for plus and minus `full_scale_v`; returns its full scale."""
        ...

    def set_timebase(self, *, n_samples: int, span_s: float) -> None:
        """Set the record length."""
        ...


@runtime_checkable
class TriggeredScope(Protocol):
    """A scope whose trigger can be set over its link."""

    def set_trigger(self, channel: str, level_v: float) -> None:
        """Trigger on a channel rising through a voltage."""
        ...


@contextmanager
def driven(
    acquisition: Acquisition, generator: str | None, frequency_hz: float, amplitude_vpp: float
) -> Iterator[None]:
    """Drive with a generator during a capture; the output is always off at the end."""
    source = acquisition.source(generator) if generator else None
    if source is None:
        yield
        return
    source.set_sine(frequency_hz, amplitude_vpp)
    source.set_output(True)
    try:
        yield
    finally:
        source.set_output(False)


def driven_check(
    check: RatioCheck | InductanceCheck, acquisition: Acquisition, measure: Callable[[float], CheckOutcome]
) -> CheckOutcome:
    """Measure while the check's generator drives; the drive is noted with the result."""
    frequency = FREQUENCY_HZ if check.frequency is None else check.frequency.value
    amplitude = AMPLITUDE_VPP if check.amplitude is None else check.amplitude.value
    with driven(acquisition, check.generator, frequency, amplitude):
        outcome = measure(frequency)
    if check.generator is None:
        return outcome
    driven_at = {"generator": f"{format_quantity(amplitude, 'V')} peak to peak, open circuit"}
    conditions = dict(outcome.result.conditions) | driven_at
    return dataclasses.replace(outcome, result=msgspec.structs.replace(outcome.result, conditions=conditions))


def capture_in_range(
    acquisition: Acquisition,
    scope_tag: str,
    channels: Sequence[str],
    frequency_hz: float,
    *,
    one_range: bool = False,
    start: Mapping[str, float] | None = None,
    cycles: float = CYCLES,
    samples: int = SAMPLES,
) -> Capture:
    """Take a record of tens of whole cycles, with each channel filling its range without clipping.

    If a scope's ranges can't be set over its link, it is used as set by hand; without a link its file is used.

    Parameters
    ----------
    frequency_hz : float
        Of the signal; sets the record length.
    one_range : bool
        Use the larger range for all channels, so that gain errors between ranges don't matter.
    start : mapping of str to float, optional
        Expected peak voltage of each channel; the search starts there instead of at 20 V.
    cycles, samples : float, int
        Number in the record.
    """
    if acquisition.takes_files(scope_tag):
        return acquisition.capture(scope_tag, channels)
    scope = acquisition.scope(scope_tag)
    if not isinstance(scope, AdjustableScope):
        return acquisition.capture(scope_tag, channels)
    scope.set_timebase(n_samples=samples, span_s=cycles / frequency_hz)
    first = {c: 20.0 if start is None else start[c] / FILL for c in channels}
    if one_range:
        first = dict.fromkeys(channels, max(first.values()))
    full = {channel: scope.set_vertical(channel, first[channel]) for channel in channels}
    capture = acquisition.capture(scope_tag, channels)
    for _ in range(6):
        wanted = {c: _wanted(capture.channel(c), full[c]) for c in channels}
        if one_range:
            wanted = dict.fromkeys(channels, max(wanted.values()))
        new = {c: _take_range(scope, c, wanted[c], full[c]) for c in channels}
        if new == full:
            break
        full = new
        capture = acquisition.capture(scope_tag, channels)
    return capture


def known_gains(acquisition: Acquisition, scope: str) -> tuple[float, float]:
    """Gain error of a scope's channels and between its ranges, ±: from the bench file, else usual values."""
    instrument = (
        acquisition.bench.instruments.get(scope)
        if acquisition.check.by_file
        else acquisition.bench.instrument(scope)
    )
    gain, between = (instrument.gain, instrument.range_gain) if instrument is not None else (None, None)
    return (
        parse_quantity(gain, "1").value if gain else GAIN_ACCURACY,
        parse_quantity(between, "1").value if between else RANGE_GAIN,
    )


def peak_v(record: ChannelRecord) -> float:
    """Largest absolute voltage at the probe tip."""
    return float(np.max(np.abs(record.values())))


def clips(record: ChannelRecord) -> bool:
    """Whether a record reaches the ends of its converter's range."""
    low, high = record.code_limits or (-np.inf, np.inf)
    return bool(np.min(record.codes) <= low or np.max(record.codes) >= high)


def _take_range(scope: AdjustableScope, channel: str, wanted_v: float, now_v: float) -> float:
    """Set a range; if the scope has none large enough it is not changed, and the record will be clipped."""
    try:
        return scope.set_vertical(channel, wanted_v)
    except UsageError:
        if wanted_v <= now_v:
            raise
        return scope.set_vertical(channel, now_v)


def _wanted(record: ChannelRecord, full_scale_v: float) -> float:
    """Full scale for the next record: a little above this one's peak, far more if it is clipped."""
    if clips(record):
        return full_scale_v * 2
    return max(peak_v(record) / FILL, full_scale_v / 20)
