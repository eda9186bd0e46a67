"""What a scope's two channels add to a ratio: gain errors, gain between ranges, converter steps.

The gain error of a channel (probe and attenuator included) is the same in every capture of one set-up, so it
cancels in the geometric mean of a capture and one with probes and channels swapped. The error between two
ranges of one channel does not: the large signal stays on the coarse range and the small one on the fine.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import UsageError
from benchlog.metrology.budget import uncertain, uniform
from benchlog.signal.sine_fit import SineFit, fit_capture

__all__ = [
    "GAIN_ACCURACY",
    "RANGE_GAIN",
    "ChannelPair",
    "ScopeGains",
    "fit_pair",
    "quantisation_error",
    "same_range",
    "with_probes",
]

GAIN_ACCURACY = 0.03  # half-width, a common 8-bit scope with its probe
RANGE_GAIN = 0.005  # half-width, between two ranges of one channel

_LOOK_AT = 1 << 16
_FEWEST_STEPS = 20.0


@dataclass(frozen=True)
class ScopeGains:
    """Gain errors of a scope's channels as uncertain numbers; one object per set-up, so that they correlate.

    Parameters
    ----------
    accuracy : float or mapping of str to float
        Half-width of the gain error, relative; per channel where it is a mapping (others take the default).
    range_gain : float
        Half-width of the gain error between two ranges of one channel.
    """

    accuracy: float | Mapping[str, float] = GAIN_ACCURACY
    range_gain: float = RANGE_GAIN
    _gains: dict[str, Any] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        widths = self.accuracy.values() if isinstance(self.accuracy, Mapping) else [self.accuracy]
        for width in (*widths, self.range_gain):
            if not 0 <= width < 1:
                raise UsageError(
                    f"a gain error of {width * 100:g} % makes no sense", hint="write it like '3 %'"
                )

    def half_width(self, name: str) -> float:
        """Half-width of one channel's gain error."""
        if isinstance(self.accuracy, Mapping):
            return self.accuracy.get(name, GAIN_ACCURACY)
        return self.accuracy

    def gain(self, name: str) -> Any:
        """Gain of a channel: uncertain, 1 by its data sheet, the same object each time."""
        if name not in self._gains:
            self._gains[name] = uniform(1.0, self.half_width(name), label=f"gain of channel {name}")
        return self._gains[name]

    def between_ranges(self) -> Any:
        """Gain between two ranges, fully alike in both channels (the careful assumption)."""
        if "range" not in self._gains:
            self._gains["range"] = uniform(1.0, self.range_gain, label="gain between ranges")
        return self._gains["range"]


@dataclass(frozen=True)
class ChannelPair:
    """Fit of two channels of one capture, seen as numerator over denominator.

    Attributes
    ----------
    fit : SineFit
        Of (numerator, denominator).
    numerator, denominator : str
        Channel names.
    same_range : bool or None
        Whether both channels were on one vertical range; None when the capture does not tell.
    u_quantisation : float
        Relative standard uncertainty of the ratio from converter steps.
    findings : tuple of str
        What is odd, in words.
    """

    fit: SineFit
    numerator: str
    denominator: str
    same_range: bool | None
    u_quantisation: float
    findings: tuple[str, ...]

    @property
    def blocked(self) -> bool:
        """Whether no verdict may rest on this pair."""
        return self.fit.blocked

    def ratio(self, where: str = "") -> Any:
        """Uncertain amplitude ratio: noise of the fit and converter steps, no gain errors yet."""
        r = self.fit.ratio(0, 1)
        noise = uncertain(r.ratio, r.u_ratio, r.degrees_of_freedom, f"noise of the fit{where}")
        steps = uncertain(1.0, self.u_quantisation, label=f"converter steps{where}")
        return noise * steps

    def phase_deg(self, where: str = "") -> Any:
        """Uncertain phase of numerator against denominator; its value lies within (-180, 180]."""
        r = self.fit.ratio(0, 1)
        # Converter steps disturb both quadratures alike.
        noise = uncertain(r.phase_deg, r.u_phase_deg, r.degrees_of_freedom, f"noise of the fit{where}")
        return noise + uncertain(0.0, math.degrees(self.u_quantisation), label=f"converter steps{where}")


def with_probes(capture: Capture, probes: Mapping[str, float]) -> Capture:
    """Return the capture with these channels' probe factors.

    Raises
    ------
    UsageError
        If a channel is not there, or a factor is not above zero.
    """
    for name, factor in probes.items():
        capture.channel(name)
        if not (factor > 0 and math.isfinite(factor)):
            raise UsageError(f"probe factor {factor:g} of channel {name}", hint="write it like --probe B=10")
    channels = tuple(replace(c, probe=probes[c.name]) if c.name in probes else c for c in capture.channels)
    return replace(capture, channels=channels)


def same_range(a: ChannelRecord, b: ChannelRecord) -> bool | None:
    """Tell whether two channels were on one vertical range, from full scale or scale; None when unknown."""
    if a.range_max is not None and b.range_max is not None:
        return math.isclose(a.range_max, b.range_max, rel_tol=1e-6)
    if a.codes.dtype.kind in "iu" and b.codes.dtype.kind in "iu" and a.codes.dtype == b.codes.dtype:
        return math.isclose(a.scale, b.scale, rel_tol=1e-6)
    return None


def _converter_step(record: ChannelRecord) -> float:
    """Smallest difference between codes seen, 0 for one that shows no steps."""
    seen = np.unique(record.codes[:_LOOK_AT].astype(np.float64))
    gaps = np.diff(seen)
    span = float(seen[-1] - seen[0])
    gaps = gaps[gaps > 1e-9 * span] if span > 0 else gaps
    return float(gaps.min()) if len(gaps) else 0.0


def quantisation_error(amplitude_steps: float, noise_steps: float = 0.0) -> float:
    """Relative standard uncertainty of a fitted amplitude from converter steps that no averaging removes.

    0.108 A^-1.5 for an amplitude of A steps without noise (by simulation over amplitudes of 3 to 120 steps; the
    exponent is that of the Bessel series of a quantised sine). Noise of 0.5 steps and more dithers most of it
    away; a tenth is kept, as what looks like noise may be distortion.

    >>> round(quantisation_error(90.0) * 1e4, 2)
    1.26
    """
    if amplitude_steps <= 0 or math.isinf(amplitude_steps):
        return 0.0
    beyond_steps = max(noise_steps**2 - 1 / 12, 0.0)  # the steps themselves look like noise of 1/sqrt(12)
    return min(1.0, 0.108 * math.pow(amplitude_steps, -1.5)) * max(
        0.1, math.exp(-2 * math.pi**2 * beyond_steps)
    )


def fit_pair(capture: Capture, numerator: str, denominator: str) -> ChannelPair:
    """Fit two channels and gather what their converters and the record have to say.

    Raises
    ------
    UsageError
        If both are one channel, or there is no such channel.
    AnalysisError
        If the record can't be fitted, or the denominator shows no signal.
    """
    if numerator == denominator:
        raise UsageError(
            f"channel {numerator} can't be both sides of a ratio",
            hint=f"channels here: {', '.join(capture.names)}",
        )
    names = (numerator, denominator)
    fit = fit_capture(capture, names)
    fit.ratio(0, 1)  # refuses a channel without signal
    findings = []
    for finding in fit.findings:
        where = f"channel {names[finding.channel]}: " if finding.channel is not None else ""
        findings.append(where + finding.message)
    square = 0.0
    for index, name in enumerate(names):
        record = capture.channel(name)
        step = _converter_step(record) * abs(record.scale * record.probe)
        if step == 0:
            continue
        amplitude = float(fit.amplitude[index]) / step
        square += quantisation_error(amplitude, float(fit.noise_rms[index]) / step) ** 2
        if amplitude < _FEWEST_STEPS:
            findings.append(
                f"channel {name}: the signal is only {2 * amplitude:.0f} converter steps high; use a finer range"
            )
    return ChannelPair(
        fit=fit,
        numerator=numerator,
        denominator=denominator,
        same_range=same_range(capture.channel(numerator), capture.channel(denominator)),
        u_quantisation=math.sqrt(square),
        findings=tuple(findings),
    )
