"""Uncertainty that a scope's two channels add to a ratio: gains, gain between ranges, delay, noise, converter steps.

The gain error of a channel (probe and attenuator included) is the same in every capture of one set-up, so it
cancels in the geometric mean of a capture and one with probes and channels swapped. The error between two
ranges of one channel does not: the large signal stays on the coarse range and the small one on the fine.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import UsageError
from benchlog.finding import Finding
from benchlog.influence import CAPTURE, TIME_BASE, Influence, Role
from benchlog.metrology.budget import uncertain, uniform
from benchlog.number_format import format_quantity
from benchlog.signal.findings import Severity
from benchlog.signal.sine_fit import SineFit, fit_capture

GAIN_ACCURACY = 0.03  # half-width, a common 8-bit scope with its probe
RANGE_GAIN = 0.005  # half-width, between two ranges of one channel
#: Delay between two channels of a common scope with like probes (half-width, second; common practice, no source).
CHANNEL_DELAY_S = 5e-9
#: Error of a scope's crystal with age and temperature (half-width, relative; common practice).
CRYSTAL = 50e-6
#: Delay of a known divider with the probe on it: its lower resistor, some 100 ohm, with 100 pF (half-width, second).
DIVIDER_DELAY_S = 20e-9


@dataclass(frozen=True)
class ScopeGains:
    """Gain errors of a scope's channels as uncertain numbers; one object per set-up, so that they correlate."""

    #: Half-width of the gain error, relative; a mapping has it per channel (others take the default).
    accuracy: float | Mapping[str, float] = GAIN_ACCURACY
    range_gain: float = RANGE_GAIN  #: Half-width of the gain error between two ranges of one channel.
    instrument: str = ""  #: Tag of the scope, for the budget.
    _gains: dict[str, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        widths = self.accuracy.values() if isinstance(self.accuracy, Mapping) else [self.accuracy]
        for width in (*widths, self.range_gain):
            if not 0 <= width < 1:
                raise UsageError(
                    f"a gain error of {width * 100:g} % is impossible", hint="write it like '3 %'"
                )

    def half_width(self, name: str) -> float:
        """Half-width of one channel's gain error."""
        if isinstance(self.accuracy, Mapping):
            return self.accuracy.get(name, GAIN_ACCURACY)
        return self.accuracy

    def influence(self, role: Role, channel: str = "", range_max: float | None = None) -> Influence:
        """Influence of an input from this scope in a budget."""
        return Influence(role, self.instrument, CAPTURE, channel, range_max)

    def gain(self, name: str, range_max: float | None = None) -> Any:
        """Gain of a channel: an uncertain 1, the same object each time.

        The range is a further input of zero uncertainty, so that a recall of one range finds its results even if the channel's
        gain cancels.
        """
        if name not in self._gains:
            self._gains[name] = uniform(
                1.0,
                self.half_width(name),
                label=f"gain of channel {name}",
                influence=self.influence(Role.GAIN, name),
                scale=1.0,
            )
        if range_max is None:
            return self._gains[name]
        label = f"channel {name} on its range of {format_quantity(range_max, 'V')}"
        if label not in self._gains:
            self._gains[label] = uniform(
                1.0, 0.0, label=label, influence=self.influence(Role.ONE_RANGE, name, range_max), scale=1.0
            )
        return self._gains[name] * self._gains[label]

    def correction(self, pair: ChannelPair) -> Any:
        """Gain of a pair's numerator over that of its denominator."""
        above, below = pair.ranges
        return self.gain(pair.numerator, above) / self.gain(pair.denominator, below)

    def delay_deg(self, pair: ChannelPair) -> Any:
        """Phase that the delay between the two channels adds at a pair's frequency, the numerator's lead.

        The delay is the same in all captures of a set-up; swapping probes and channels changes its sign.
        """
        first, second = sorted((pair.numerator, pair.denominator))
        name = f"delay of {first} against {second}"
        if name not in self._gains:
            self._gains[name] = uniform(
                0.0, CHANNEL_DELAY_S, label="delay between channels", influence=self.influence(Role.DELAY)
            )
        sign = 1 if pair.numerator == first else -1
        return sign * 360 * pair.fit.frequency_hz * self._gains[name]

    def frequency(self, pair: ChannelPair, where: str = "") -> Any:
        """Frequency of a pair with the noise of its fit and the time base, which all captures of a set-up share."""
        fit = pair.fit
        if "time base" not in self._gains:
            self._gains["time base"] = uniform(
                0.0,
                CRYSTAL,
                label="time base of the scope (50 ppm)",
                influence=Influence(Role.TIME_BASE, self.instrument, TIME_BASE),
                scale=1.0,
            )
        noise = uncertain(
            fit.frequency_hz,
            fit.u_frequency_hz,
            fit.degrees_of_freedom,
            f"noise of the fit{where}",
            influence=self.influence(Role.NOISE),
        )
        return noise * (1 + self._gains["time base"])

    def between_ranges(self) -> Any:
        """Gain between two ranges, the same in both channels (the careful assumption)."""
        if "range" not in self._gains:
            self._gains["range"] = uniform(
                1.0, self.range_gain, label="gain between ranges", influence=self.influence(Role.RANGE_GAIN)
            )
        return self._gains["range"]


@dataclass(frozen=True)
class ChannelPair:
    """Fit of two channels of one capture, seen as numerator over denominator."""

    fit: SineFit  #: Of (numerator, denominator).
    #: numerator, denominator: Channel names.
    numerator: str
    denominator: str
    #: Whether both channels were on one vertical range; None if the capture does not say.
    same_range: bool | None
    findings: tuple[Finding, ...]  #: Findings that warn or block.
    blocking: tuple[Finding, ...] = ()  #: Those that allow no verdict from this pair.
    #: Minor findings, already in the uncertainty: for a result's details, not for the screen.
    notes: tuple[Finding, ...] = ()
    instrument: str = ""  #: Tag of the scope.
    #: Full scale of the two channels at their inputs, volt, if known.
    ranges: tuple[float | None, float | None] = (None, None)

    def ratio(self, where: str = "") -> Any:
        """Uncertain amplitude ratio from the fit, without gain errors."""
        r = self.fit.ratio(0, 1)
        return self._noisy(r.ratio, r.u_ratio, r.degrees_of_freedom, where)

    def phase_deg(self, where: str = "") -> Any:
        """Uncertain phase of numerator against denominator; its value lies within (-180, 180]."""
        r = self.fit.ratio(0, 1)
        return self._noisy(r.phase_deg, r.u_phase_deg, r.degrees_of_freedom, where)

    def _noisy(self, value: float, u: float, df: float, where: str) -> Any:
        influence = Influence(Role.NOISE, self.instrument, CAPTURE)
        return uncertain(value, u, df, f"noise and converter steps{where}", influence=influence)


def with_probes(capture: Capture, probes: Mapping[str, float]) -> Capture:
    """Return the capture with these channels' probe factors.

    Raises
    ------
    UsageError
        If there is no such channel, or a factor is not above zero.
    """
    for name, factor in probes.items():
        capture.channel(name)
        if not (factor > 0 and math.isfinite(factor)):
            raise UsageError(f"probe factor {factor:g} of channel {name}", hint="write it like --probe B=10")
    channels = tuple(replace(c, probe=probes[c.name]) if c.name in probes else c for c in capture.channels)
    return replace(capture, channels=channels)


def scopes_used(*captures: Capture) -> dict[str, str]:
    """Function of each scope that took a capture, by its tag."""
    return {capture.instrument: CAPTURE for capture in captures if capture.instrument}


def same_range(a: ChannelRecord, b: ChannelRecord) -> bool | None:
    """Whether two channels were on one vertical range, from full scale or scale; None if unknown."""
    if a.range_max is not None and b.range_max is not None:
        return math.isclose(a.range_max, b.range_max, rel_tol=1e-6)
    if a.codes.dtype.kind in "iu" and b.codes.dtype.kind in "iu" and a.codes.dtype == b.codes.dtype:
        return math.isclose(a.scale, b.scale, rel_tol=1e-6)
    return None


def fit_pair(capture: Capture, numerator: str, denominator: str) -> ChannelPair:
    """Fit two channels and collect the findings about converters and record.

    Raises
    ------
    UsageError
        If both are the same channel, or there is no such channel.
    AnalysisError
        If the record can't be fitted, or the denominator shows no signal.
    """
    if numerator == denominator:
        raise UsageError(
            f"channel {numerator} is named twice: a ratio needs two channels",
            hint=f"channels here: {', '.join(capture.names)}",
        )
    names = (numerator, denominator)
    fit = fit_capture(capture, names)
    fit.ratio(0, 1)  # refuses a channel without signal
    words = [(finding.severity, finding.named(names)) for finding in fit.findings]
    above, below = capture.channel(numerator), capture.channel(denominator)
    return ChannelPair(
        fit=fit,
        numerator=numerator,
        denominator=denominator,
        same_range=same_range(above, below),
        findings=tuple(text for severity, text in words if severity is not Severity.NOTE),
        blocking=tuple(text for severity, text in words if severity is Severity.BLOCKS),
        notes=tuple(text for severity, text in words if severity is Severity.NOTE),
        instrument=capture.instrument,
        ranges=(above.range_max, below.range_max),
    )
