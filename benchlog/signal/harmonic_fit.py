"""Fundamental and many harmonics of one channel by least squares, and the distortion they make."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchlog.signal.dirichlet import boxcar_gain
from benchlog.signal.joint import JointFit, harmonics_apart
from benchlog.signal.moments import ComplexArray
from benchlog.signal.samples import FloatArray, RawArray, block_means

_POINTS_PER_HARMONIC = 5  # points kept per cycle of the highest harmonic when averaging


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """Harmonics of one channel."""

    #: cycles, u_cycles: Of the fundamental in the record; no uncertainty where it was given.
    cycles: float
    u_cycles: float
    #: Shape (H,). Peak phasors of the fundamental and its multiples at the centre of the record, in codes.
    phasors: ComplexArray
    #: thd, u_thd: Root of the summed squares of harmonics 2..H over the fundamental.
    thd: float
    u_thd: float
    #: By how much noise may have raised `thd`: large if there is hardly any distortion.
    noise_share: float
    degrees_of_freedom: float


def fit_harmonics(codes: RawArray, cycles: float, highest: int, *, refine: bool) -> HarmonicFit | None:
    """Fit up to `highest` harmonics, fewer if the sampling can't separate as many.

    Parameters
    ----------
    codes : array of shape (n_samples,)
    cycles : float
        Of the fundamental in the record, at least about one.
    refine : bool
        Improve `cycles`; otherwise they are taken as exact.

    Returns
    -------
    HarmonicFit or None
        None where not even the second harmonic can be resolved.
    """
    period = len(codes) / cycles
    decimation = max(1, int(period / (_POINTS_PER_HARMONIC * highest)))
    (values,) = block_means([codes], decimation)
    values -= values.mean()
    n = len(values)
    angle = 2 * math.pi * decimation / period
    most = min(highest, int(0.45 * period / decimation), (n - 4) // 3)
    count = harmonics_apart(decimation / period, n, most) if most >= 2 else 1
    energy = float(values @ values)
    if count < 2 or not energy > 0:
        return None
    block = 1 << max(3, round(math.log2(math.sqrt(n))))
    fit = JointFit([values], count, block=block, tolerance=1e-7, energy=np.array([energy]))
    solution = fit.refine(angle) if refine else fit.at(angle)
    freedom = max(n - 2 * count - 1 - int(refine), 1)
    variance = max(float(solution.residual_energy[0]), 1e-15 * energy) / freedom
    raw_angle = solution.angle / decimation
    orders = np.arange(1, count + 1)
    ahead = (len(codes) - n * decimation) / 2
    phasors = solution.phasors[0] / boxcar_gain(raw_angle * orders, decimation)
    phasors = phasors * np.exp(1j * orders * raw_angle * ahead)
    curvature = float(solution.curvature[0])
    u_angle = math.sqrt(variance / curvature) / decimation if refine and curvature > 0 else 0.0
    thd, u_thd, noise_share = _distortion(np.abs(phasors), 2 * variance / n)
    return HarmonicFit(
        cycles=raw_angle * len(codes) / (2 * math.pi),
        u_cycles=u_angle * len(codes) / (2 * math.pi),
        phasors=phasors,
        thd=thd,
        u_thd=u_thd,
        noise_share=noise_share,
        degrees_of_freedom=float(freedom),
    )


def _distortion(amplitudes: FloatArray, each: float) -> tuple[float, float, float]:
    """THD, its standard uncertainty, and the noise's share; `each` is the variance of one cosine or sine amplitude."""
    fundamental, more = float(amplitudes[0]), len(amplitudes) - 1
    power = float(np.sum(amplitudes[1:] ** 2))
    root = math.sqrt(power)
    u_power = 2 * math.sqrt(power * each + more * each**2)
    u_root = u_power / (2 * max(root, math.sqrt(u_power)))
    without_noise = math.sqrt(max(power - 2 * more * each, 0.0))
    u_thd = math.hypot(u_root, root / fundamental * math.sqrt(each)) / fundamental
    return root / fundamental, u_thd, (root - without_noise) / fundamental
