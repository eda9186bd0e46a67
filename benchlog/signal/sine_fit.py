"""Joint sine fit: one shared frequency, and offset, amplitude, phase and harmonics of every channel.

The record is read blockwise as it came from the converter; scale, offset and probe factor enter only the
results. The estimates reach the Cramer-Rao bound of white noise, and their covariance comes with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture
from benchlog.errors import AnalysisError
from benchlog.signal.dirichlet import boxcar_gain
from benchlog.signal.findings import Finding, Severity
from benchlog.signal.joint import JointSolution
from benchlog.signal.moments import harmonic_model
from benchlog.signal.reduction import Reduced, reduce_record
from benchlog.signal.samples import FloatArray, RawArray, stretch_starts

__all__ = ["SineFit", "SineRatio", "fit_capture", "fit_sines"]

_FEWEST_SAMPLES = 16
_MOST_HARMONICS = 5
_STRETCHES, _STRETCH = 16, 4096  # raw stretches that show the noise of a long record of a fast tone


@dataclass(frozen=True, slots=True)
class SineRatio:
    """Ratio of two fundamentals.

    Attributes
    ----------
    ratio, u_ratio : float
        Amplitude of the numerator over that of the denominator, and its standard uncertainty.
    phase_deg, u_phase_deg : float
        Phase of the numerator against the denominator in (-180, 180] degree, positive when it leads.
    degrees_of_freedom : float
        Of the noise estimate behind both uncertainties.
    """

    ratio: float
    u_ratio: float
    phase_deg: float
    u_phase_deg: float
    degrees_of_freedom: float


@dataclass(frozen=True)
class SineFit:
    """Result of a joint sine fit.

    Attributes
    ----------
    frequency_hz, u_frequency_hz : float
        Shared frequency and its standard uncertainty, by the recorder's own clock.
    amplitude, u_amplitude : arrays of shape (n_channels,)
        Peak of the fundamental in the channel's unit (codes where no scale was given).
    phase_rad : array of shape (n_channels,)
        Phase of the fundamental as a cosine at the centre of the record, in (-pi, pi].
    offset : array of shape (n_channels,)
        Constant part.
    noise_rms : array of shape (n_channels,)
        White noise per sample that would leave the same residual in the band the fit uses.
    harmonics : complex array of shape (n_channels, H)
        Peak phasors of the fundamental and its multiples at the centre of the record.
    covariance : array of shape (1 + 2 n_channels, 1 + 2 n_channels)
        Of frequency (Hz), then logarithms of the amplitudes, then phases (radian).
    cycles : float
        In the record.
    n_samples : int
    degrees_of_freedom : float
        Of each channel's noise estimate.
    findings : tuple of Finding
        What is odd about the record.
    """

    frequency_hz: float
    u_frequency_hz: float
    amplitude: FloatArray
    u_amplitude: FloatArray
    phase_rad: FloatArray
    offset: FloatArray
    noise_rms: FloatArray
    harmonics: npt.NDArray[np.complexfloating[Any, Any]]
    covariance: FloatArray
    cycles: float
    n_samples: int
    degrees_of_freedom: float
    findings: tuple[Finding, ...] = ()

    @property
    def blocked(self) -> bool:
        """Whether any finding forbids resting a verdict on these numbers."""
        return any(f.severity is Severity.BLOCKS for f in self.findings)

    def ratio(self, numerator: int, denominator: int) -> SineRatio:
        """Ratio and phase of two channels, noise correlated through the shared frequency taken into account.

        Parameters
        ----------
        numerator, denominator : int
            Channel indices in the order given to the fit.

        Raises
        ------
        AnalysisError
            If the denominator has no amplitude.
        """
        if not self.amplitude[denominator] > 0:
            raise AnalysisError(
                f"channel {denominator + 1} shows no signal, so no ratio to it exists",
                hint="check probe, coupling and range of that channel",
            )
        n = len(self.amplitude)
        ratio = float(self.amplitude[numerator] / self.amplitude[denominator])
        phase = float(self.phase_rad[numerator] - self.phase_rad[denominator])
        phase_deg = float(np.degrees(phase))
        phase_deg -= 360.0 * np.ceil((phase_deg - 180.0) / 360.0)
        return SineRatio(
            ratio=ratio,
            u_ratio=ratio * self._u_difference(1 + numerator, 1 + denominator),
            phase_deg=phase_deg,
            u_phase_deg=float(np.degrees(self._u_difference(1 + n + numerator, 1 + n + denominator))),
            degrees_of_freedom=self.degrees_of_freedom,
        )

    def _u_difference(self, i: int, j: int) -> float:
        c = self.covariance
        return float(np.sqrt(max(c[i, i] + c[j, j] - 2 * c[i, j], 0.0)))

    def gtc_phasor(self, channel: int) -> Any:
        """Fundamental of one channel as a GTC uncertain complex number, correlated with the others.

        Parameters
        ----------
        channel : int
            Index in the order given to the fit.

        Returns
        -------
        GTC.UncertainComplex
            Peak phasor at the centre of the record.
        """
        import GTC

        n = len(self.amplitude)
        log_amplitude, phase = self._gtc_inputs[channel], self._gtc_inputs[n + channel]
        size = self.amplitude[channel] * GTC.exp(log_amplitude)
        return size * (GTC.cos(phase) + 1j * GTC.sin(phase))

    def gtc_ratio(self, numerator: int, denominator: int) -> Any:
        """Complex ratio of two fundamentals as a GTC uncertain complex number."""
        return self.gtc_phasor(numerator) / self.gtc_phasor(denominator)

    @cached_property
    def _gtc_inputs(self) -> list[Any]:
        """Deviations of log amplitudes and phases, with their covariance, as one ensemble."""
        import GTC

        n = len(self.amplitude)
        covariance = self.covariance[1:, 1:]
        spread = np.sqrt(np.diag(covariance))
        labels = [f"sine fit, amplitude {i + 1}" for i in range(n)] + [
            f"sine fit, phase {i + 1}" for i in range(n)
        ]
        inputs: list[Any] = GTC.multiple_ureal(
            [0.0] * n + [float(p) for p in self.phase_rad],
            [float(u) for u in spread],
            self.degrees_of_freedom,
            label_seq=labels,
        )
        for i in range(2 * n):
            for j in range(i):
                scale = spread[i] * spread[j]
                if scale > 0 and covariance[i, j] != 0:
                    GTC.set_correlation(float(covariance[i, j] / scale), inputs[i], inputs[j])
        return inputs


def fit_capture(capture: Capture, names: Sequence[str], *, check: bool = True) -> SineFit:
    """Fit channels of a capture, reading its raw codes.

    Parameters
    ----------
    capture : Capture
    names : sequence of str
        Channels to fit, in the order of the result.
    check : bool
        Look for findings.

    Raises
    ------
    UsageError
        If there is no such channel.
    AnalysisError
        If the record can't be fitted.
    """
    records = [capture.channel(name) for name in names]
    return fit_sines(
        [r.codes for r in records],
        capture.interval_s,
        scales=[r.scale * r.probe for r in records],
        offsets=[r.offset * r.probe for r in records],
        check=check,
        code_limits=[r.code_limits for r in records],
        time_s=capture.time_s,
    )


def fit_sines(
    channels: Sequence[RawArray],
    interval_s: float,
    *,
    scales: Sequence[float] | None = None,
    offsets: Sequence[float] | None = None,
    harmonics: int | None = None,
    check: bool = True,
    code_limits: Sequence[tuple[float, float] | None] | None = None,
    time_s: FloatArray | None = None,
) -> SineFit:
    """Fit one shared frequency, and offset, amplitude, phase and harmonics of every channel.

    Parameters
    ----------
    channels : sequence of arrays of shape (n_samples,)
        Raw codes or values: int8, uint8, int16, uint16, float32, float64.
    interval_s : float
        Time between samples, second.
    scales, offsets : sequences of float or None
        Value = code * scale + offset, per channel; applied to the results only.
    harmonics : int or None
        Multiples modelled, the fundamental included. None takes five where the sampling keeps them apart.
    check : bool
        Look for findings.
    code_limits : sequence of (low, high) or None
        Lowest and highest code of each channel's converter, where known.
    time_s : array of shape (n_samples,) or None
        Sample times, where the source gives them; only checked for gaps and unevenness.

    Returns
    -------
    SineFit

    Raises
    ------
    AnalysisError
        If lengths differ, the record is shorter than 16 samples, or a sample is no finite number.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(2000) * 1e-5
    >>> fit = fit_sines([3 * np.sin(2e3 * t), 0.05 * np.sin(2e3 * t)], 1e-5)
    >>> round(fit.ratio(0, 1).ratio, 9)
    60.0
    """
    n = _validate(channels, interval_s)
    scale = np.ones(len(channels)) if scales is None else np.asarray(scales, float)
    shift = np.zeros(len(channels)) if offsets is None else np.asarray(offsets, float)
    reduced = reduce_record(channels, harmonics, _MOST_HARMONICS if harmonics is None else harmonics)
    solution = reduced.fit.refine(reduced.angle)
    variance, freedom = _noise(reduced, solution)
    return _result(reduced, solution, variance, freedom, n=n, interval_s=interval_s, scale=scale, shift=shift)


def _validate(channels: Sequence[RawArray], interval_s: float) -> int:
    if not len(channels):
        raise AnalysisError("no channel to fit")
    lengths = {len(c) for c in channels}
    if len(lengths) != 1:
        raise AnalysisError(f"channels must have one length, not {sorted(lengths)}")
    n: int = lengths.pop()
    if n < _FEWEST_SAMPLES:
        raise AnalysisError(
            f"{n} samples are too few for a sine fit, at least {_FEWEST_SAMPLES} are needed",
            hint="set a longer record on the scope",
        )
    if not (np.isfinite(interval_s) and interval_s > 0):
        raise AnalysisError(f"the sample interval must be positive, not {interval_s!r} s")
    return n


def _noise(reduced: Reduced, solution: JointSolution) -> tuple[FloatArray, float]:
    """Residual variance of each channel and its degrees of freedom, on raw stretches where the record is long."""
    used, count = reduced.fit.n, solution.odd.shape[1]
    if reduced.raw:
        _, residuals = stretch_residuals(reduced.channels, solution)
        used = residuals.shape[1]
        energy = np.einsum("cn,cn->c", residuals, residuals)
    else:
        energy = solution.residual_energy
    freedom = used - (2 * count + 1) - 1 / len(energy)
    top = np.hypot(solution.even[:, 1], solution.odd[:, 0])
    rounding = (4e-16 * np.maximum(top, np.abs(reduced.means))) ** 2
    return np.maximum(np.maximum(energy / freedom, rounding), 1e-300), float(freedom)


def stretch_residuals(channels: Sequence[RawArray], solution: JointSolution) -> tuple[FloatArray, FloatArray]:
    """Times about the centre, and what the model leaves on raw stretches spread over a long record."""
    n = len(channels[0])
    length = min(_STRETCH, n // _STRETCHES)
    index = np.unique(
        np.concatenate([np.arange(s, s + length) for s in stretch_starts(n, length, _STRETCHES)])
    )
    time = index - (n - 1) / 2
    left = [
        codes[index] - harmonic_model(time, solution.angle, even, odd)
        for codes, even, odd in zip(channels, solution.even, solution.odd, strict=True)
    ]
    return time, np.array(left)


def _result(
    reduced: Reduced,
    solution: JointSolution,
    variance: FloatArray,
    freedom: float,
    *,
    n: int,
    interval_s: float,
    scale: FloatArray,
    shift: FloatArray,
) -> SineFit:
    decimation, nch = reduced.decimation, len(variance)
    covariance = _covariance(solution, variance)
    ahead = (
        n - reduced.fit.n * decimation
    ) / 2  # raw samples from the centre of the part used to the record's
    transform = np.eye(1 + 2 * nch)
    transform[1 + nch :, 0] = ahead / decimation
    transform[0, 0] = 1 / (2 * np.pi * decimation * interval_s)
    covariance = transform @ covariance @ transform.T

    multiples = np.arange(1, solution.odd.shape[1] + 1)
    raw_angle = solution.angle / decimation
    phasors = (solution.even[:, 1:] - 1j * solution.odd) / boxcar_gain(raw_angle * multiples, decimation)
    phasors = phasors * scale[:, None] * np.exp(1j * multiples * raw_angle * ahead)
    amplitude = np.abs(phasors[:, 0])
    return SineFit(
        frequency_hz=float(raw_angle / (2 * np.pi * interval_s)),
        u_frequency_hz=float(np.sqrt(covariance[0, 0])),
        amplitude=amplitude,
        u_amplitude=amplitude * np.sqrt(np.diag(covariance)[1 : 1 + nch]),
        phase_rad=np.angle(phasors[:, 0]),
        offset=(solution.even[:, 0] + reduced.means) * scale + shift,
        noise_rms=np.sqrt(variance * decimation) * np.abs(scale),
        harmonics=phasors,
        covariance=covariance,
        cycles=float(raw_angle * n / (2 * np.pi)),
        n_samples=n,
        degrees_of_freedom=freedom,
    )


def _covariance(solution: JointSolution, variance: FloatArray) -> FloatArray:
    """Covariance of angle, logarithms of the amplitudes, and phases, for white noise of these variances."""
    nch = len(variance)
    stiffness = float(np.sum(np.maximum(solution.curvature, 0.0) / variance))
    angle_variance = 1 / stiffness if stiffness > 0 else (np.pi / solution.angle) ** 2
    va, vb = variance * solution.even_cofactor[1, 1], variance * solution.odd_cofactor[0, 0]
    a, b = solution.even[:, 1], solution.odd[:, 0]
    # Below its own noise an amplitude has no logarithm worth the name; the spread is then held at about one.
    square = np.maximum(a * a + b * b, va + vb)
    log_slope = (a * solution.even_shift[:, 1] + b * solution.odd_shift[:, 0]) / square
    phase_slope = (b * solution.even_shift[:, 1] - a * solution.odd_shift[:, 0]) / square
    slope = np.concatenate([[1.0], log_slope, phase_slope])
    covariance = angle_variance * np.outer(slope, slope)
    logs, phases = np.arange(1, 1 + nch), np.arange(1 + nch, 1 + 2 * nch)
    cross = a * b * (va - vb) / square**2
    covariance[logs, logs] += (a * a * va + b * b * vb) / square**2
    covariance[phases, phases] += (b * b * va + a * a * vb) / square**2
    covariance[logs, phases] += cross
    covariance[phases, logs] += cross
    return np.asarray(covariance)
