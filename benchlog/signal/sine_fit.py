"""Joint sine fit: one shared frequency, and offset, amplitude, phase and harmonics of every channel.

Raw codes are read in blocks; scale, offset and probe factor are applied to the results only. The estimates reach the
Cramer-Rao bound of white noise and come with their covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchlog.capture import Capture
from benchlog.errors import AnalysisError
from benchlog.signal.clipping import find_clipping
from benchlog.signal.dirichlet import boxcar_gain
from benchlog.signal.findings import RecordFinding, Severity
from benchlog.signal.fitted_record import FittedRecord, noise_to_tone
from benchlog.signal.joint import JointSolution
from benchlog.signal.moments import harmonic_model
from benchlog.signal.quantisation import code_step, phase_places, quantisation_floor
from benchlog.signal.record_quality import (
    find_coarse_steps,
    find_few_cycles,
    find_interference,
    find_movement,
    find_time_base_faults,
    find_weakness,
)
from benchlog.signal.reduction import Reduced, reduce_record
from benchlog.signal.samples import FloatArray, RawArray, stretch_starts
from benchlog.signal.sine_result import SineFit, SineRatio

__all__ = ["SineFit", "SineRatio", "fit_capture", "fit_sines"]

_FEWEST_SAMPLES = 16
_MOST_HARMONICS = 5
_SEEN_WHOLE = 32_768  # up to this many samples, all residuals are examined
_STRETCHES, _STRETCH = 16, 1024  # stretches examined in longer records


def fit_capture(capture: Capture, names: Sequence[str], *, check: bool = True) -> SineFit:
    """Fit channels of a capture, reading its raw codes.

    Parameters
    ----------
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
        Multiples modelled, the fundamental included. None takes five if the sampling can separate them.
    check : bool
        Look for findings.
    code_limits : sequence of (low, high) or None
        Lowest and highest code of each channel's converter, where known.
    time_s : array of shape (n_samples,) or None
        Sample times, if known; only checked for gaps and unevenness.

    Raises
    ------
    AnalysisError
        If lengths differ, the record is shorter than 16 samples, or a sample is not a finite number.

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
    record = _as_fitted(reduced, solution) if check or reduced.raw else None
    variance, freedom = _noise(reduced, solution, record)
    steps = np.array([code_step(codes) for codes in channels])
    fit = _result(
        reduced, solution, variance, freedom, steps, n=n, interval_s=interval_s, scale=scale, shift=shift
    )
    if record is None or not check:
        return fit
    return replace(
        fit, findings=tuple(_findings(channels, reduced, record, fit, steps, scale, code_limits, time_s))
    )


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


def _as_fitted(reduced: Reduced, solution: JointSolution) -> FittedRecord:
    """Samples and residuals: all of a short record, some stretches of a long one."""
    n = reduced.fit.n
    index = np.arange(n)
    if n > _SEEN_WHOLE:
        index = np.add.outer(stretch_starts(n, _STRETCH, _STRETCHES), np.arange(_STRETCH)).ravel()
    time = index - (n - 1) / 2
    some = np.array([y[index] for y in reduced.channels], np.float64)
    model = harmonic_model(time, solution.angle, solution.even, solution.odd)
    return FittedRecord(some, time, some - model, solution, span=n)


def _noise(
    reduced: Reduced, solution: JointSolution, record: FittedRecord | None
) -> tuple[FloatArray, float]:
    """Residual variance of each channel and its degrees of freedom; of stretches where raw codes were fitted."""
    used, energy = reduced.fit.n, solution.residual_energy
    if reduced.raw and record is not None:
        used, energy = record.residuals.shape[1], np.einsum("cn,cn->c", record.residuals, record.residuals)
    freedom = used - (2 * solution.odd.shape[1] + 1) - 1 / len(energy)
    top = np.hypot(solution.even[:, 1], solution.odd[:, 0])
    rounding = (4e-16 * np.maximum(top, np.abs(reduced.means))) ** 2
    return np.maximum(np.maximum(energy / freedom, rounding), 1e-200), float(freedom)


def _findings(
    channels: Sequence[RawArray],
    reduced: Reduced,
    record: FittedRecord,
    fit: SineFit,
    steps: FloatArray,
    scale: FloatArray,
    code_limits: Sequence[tuple[float, float] | None] | None,
    time_s: FloatArray | None,
) -> list[RecordFinding]:
    limits = [None] * len(channels) if code_limits is None else list(code_limits)
    interval_s = fit.cycles / fit.frequency_hz / fit.n_samples
    found: list[RecordFinding] = []
    if time_s is not None:
        found += find_time_base_faults(time_s, interval_s, 2 * np.pi * fit.frequency_hz)
    found += find_few_cycles(fit.cycles, fit.n_samples * interval_s)
    tones = np.abs(record.solution.phasors)
    leftover = record.residuals.var(axis=1) * reduced.decimation
    distortion = np.sqrt((tones[:, 1:] ** 2).sum(axis=1) / 2 + leftover) / np.maximum(tones[:, 0], 1e-300)
    for i, codes in enumerate(channels):
        found += find_clipping(codes, limits[i], channel=i, step=steps[i], distortion=distortion[i])
    u_log = noise_to_tone(record)
    content = find_interference(record, u_log) + find_movement(record, u_log)
    if not any(f.severity is Severity.BLOCKS for f in content):
        content += find_weakness(u_log, reduced.sure)
    found += content
    floor, _ = _quantisation(reduced, record.solution, fit.noise_rms / np.abs(scale), steps, fit.n_samples)
    found += find_coarse_steps(steps, tones[:, 0], floor)
    order = list(Severity)
    return sorted(found, key=lambda f: order.index(f.severity))


def _result(
    reduced: Reduced,
    solution: JointSolution,
    variance: FloatArray,
    freedom: float,
    steps: FloatArray,
    *,
    n: int,
    interval_s: float,
    scale: FloatArray,
    shift: FloatArray,
) -> SineFit:
    decimation, nch = reduced.decimation, len(variance)
    raw_angle = solution.angle / decimation
    ahead = (
        n - reduced.fit.n * decimation
    ) / 2  # raw samples from the centre of the part used to the centre of the record
    transform = np.eye(1 + 2 * nch)
    transform[1 + nch :, 0] = ahead / decimation
    transform[0, 0] = 1 / (2 * np.pi * decimation * interval_s)
    covariance = transform @ _covariance(solution, variance) @ transform.T
    noise = np.sqrt(variance * decimation)
    floors = _quantisation(reduced, solution, noise, steps, n)
    covariance[np.diag_indices(1 + 2 * nch)] += np.concatenate([[0.0], *floors]) ** 2

    multiples = np.arange(1, solution.odd.shape[1] + 1)
    raw_angle = solution.angle / decimation
    gains = boxcar_gain(raw_angle * multiples, decimation)
    turn = np.exp(1j * multiples * raw_angle * ahead)
    phasors = solution.phasors / gains * scale[:, None] * turn
    amplitude = np.abs(phasors[:, 0])
    return SineFit(
        frequency_hz=float(raw_angle / (2 * np.pi * interval_s)),
        u_frequency_hz=float(np.sqrt(covariance[0, 0])),
        amplitude=amplitude,
        u_amplitude=amplitude * np.sqrt(np.diag(covariance)[1 : 1 + nch]),
        phase_rad=np.angle(phasors[:, 0]),
        offset=(solution.even[:, 0] + reduced.means) * scale + shift,
        noise_rms=noise * np.abs(scale),
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
    # For an amplitude below its noise the logarithm means little; its uncertainty is limited to about one.
    size = np.sqrt(np.maximum(a * a + b * b, va + vb))
    a, b, va, vb = a / size, b / size, va / size**2, vb / size**2
    log_slope = (a * solution.even_shift[:, 1] + b * solution.odd_shift[:, 0]) / size
    phase_slope = (b * solution.even_shift[:, 1] - a * solution.odd_shift[:, 0]) / size
    slope = np.concatenate([[1.0], log_slope, phase_slope])
    covariance = angle_variance * np.outer(slope, slope)
    logs, phases = np.arange(1, 1 + nch), np.arange(1 + nch, 1 + 2 * nch)
    cross = a * b * (va - vb)
    covariance[logs, logs] += a * a * va + b * b * vb
    covariance[phases, phases] += b * b * va + a * a * vb
    covariance[logs, phases] += cross
    covariance[phases, logs] += cross
    return np.asarray(covariance)


def _quantisation(
    reduced: Reduced, solution: JointSolution, noise: FloatArray, steps: FloatArray, n: int
) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainties of log amplitudes and phases from the converter's steps; `noise` in codes."""
    places = phase_places(solution.angle / reduced.decimation / (2 * np.pi), n)
    return quantisation_floor(np.abs(solution.phasors[:, 0]), steps, noise, places)
