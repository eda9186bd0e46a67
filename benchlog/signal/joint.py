"""Joint least squares of several channels over one shared frequency.

For a given frequency every channel is linear in its constant, cosines and sines; the frequency is found by
Gauss-Newton steps on what is left (variable projection), channels weighted by the inverse of their residual
variance. Everything a step needs is a few sums over the record and closed-form normal matrices.

References
----------
G. Golub, V. Pereyra: The differentiation of pseudo-inverses and nonlinear least squares problems whose
variables separate, SIAM J. Numer. Anal. 10 (1973) 413-432 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.signal.dirichlet import NormalMatrices
from benchlog.signal.moments import BlockMoments, FourierSums
from benchlog.signal.samples import FloatArray, RawArray

__all__ = ["ChannelSolution", "JointFit", "harmonics_apart", "solve_channel"]

_MOST_STEPS = 40


@dataclass(frozen=True, slots=True)
class ChannelSolution:
    """Least-squares solution of one channel at one frequency.

    Attributes
    ----------
    even, odd : arrays of shape (H+1,) and (H,)
        Constant and cosine amplitudes; sine amplitudes.
    residual_energy : float
        Sum of squared residuals.
    gradient, curvature : float
        Inner product of the residual with the model's slope by the angle, and the squared length of that slope
        beyond what constant, cosines and sines can follow.
    even_shift, odd_shift : arrays
        Change of the amplitudes per change of the angle.
    """

    even: FloatArray
    odd: FloatArray
    residual_energy: float
    gradient: float
    curvature: float
    even_shift: FloatArray
    odd_shift: FloatArray


def solve_channel(normal: NormalMatrices, sums: FourierSums, energy: float) -> ChannelSolution:
    """Solve one channel; `energy` is its sum of squares."""
    even = np.linalg.solve(normal.even, sums.cosine)
    odd = np.linalg.solve(normal.odd, sums.sine[1:])
    h = np.arange(1, len(odd) + 1)
    ha, hb = h * even[1:], h * odd
    slope_even, slope_odd = -normal.even_slope @ ha, normal.odd_slope @ hb
    data_slope = float(hb @ sums.t_cosine[1:] - ha @ sums.t_sine[1:])
    model_slope = float(even @ slope_even + odd @ slope_odd)
    even_shift = -np.linalg.solve(normal.even, slope_even)
    odd_shift = -np.linalg.solve(normal.odd, slope_odd)
    length = float(ha @ normal.sine_slopes @ ha + hb @ normal.cosine_slopes @ hb)
    return ChannelSolution(
        even=even,
        odd=odd,
        residual_energy=energy - float(even @ sums.cosine + odd @ sums.sine[1:]),
        gradient=data_slope - model_slope,
        curvature=length + float(slope_even @ even_shift + slope_odd @ odd_shift),
        even_shift=even_shift,
        odd_shift=odd_shift,
    )


def harmonics_apart(cycles_per_sample: float, n: int, most: int) -> int:
    """Highest harmonic up to `most` such that no two modelled lines fall within three lines of each other.

    Lines folded back by sampling are modelled as well as any, so long as they stay apart from the others.
    """
    kept = 1
    for h in range(2, most + 1):
        total = np.arange(1, 2 * h + 1) * cycles_per_sample
        folded = np.abs(total - np.round(total))
        if total[h - 1] > 0.45 and folded.min() * n < 3:
            break
        kept = h
    return kept


class JointFit:
    """Find the shared angle of several channels of one length.

    Parameters
    ----------
    channels : sequence of arrays of shape (n,)
        Decimated samples or raw codes.
    harmonics : int
        H, how many multiples of the angle are modelled.
    block : int
        Samples a block of the phasor moments.
    tolerance : float
        Largest phase, radian, by which the highest harmonic may turn in half a block between the angle of the
        moments and the angle asked for, before the moments are taken anew.
    """

    def __init__(self, channels: Sequence[RawArray], harmonics: int, *, block: int, tolerance: float) -> None:
        self.channels, self.harmonics, self.block = channels, harmonics, block
        self.n = len(channels[0])
        self._reach = 2 * tolerance / (harmonics * block)
        self._moments: list[BlockMoments] = []

    def at(self, angle: float) -> list[ChannelSolution]:
        """Solve all channels at one angle, radian per sample."""
        if not self._moments or abs(angle - self._moments[0].angle) > self._reach:
            self._moments = [BlockMoments(y, angle, self.harmonics, self.block) for y in self.channels]
        normal = NormalMatrices.at(angle, self.harmonics, self.n)
        return [solve_channel(normal, m.at(angle), m.energy) for m in self._moments]

    def refine(self, angle: float) -> tuple[float, list[ChannelSolution]]:
        """Gauss-Newton from a first guess good to a fraction of a cycle in the record."""
        solutions = self.at(angle)
        cost = self._cost(solutions)
        for _ in range(_MOST_STEPS):
            weights = [1 / r for r in self._residuals(solutions)]
            pull = sum(w * s.gradient for w, s in zip(weights, solutions, strict=True))
            stiffness = sum(w * s.curvature for w, s in zip(weights, solutions, strict=True))
            if not stiffness > 0:
                break
            step = float(np.clip(pull / stiffness, -0.6 / self.n, 0.6 / self.n))
            settled = max(1e-11 / self.n, 1e-4 / np.sqrt(stiffness * self.n))
            if abs(step) < settled:
                break
            trial, trial_solutions = angle, solutions
            for _ in range(4):
                trial = angle + step
                trial_solutions = self.at(trial)
                trial_cost = self._cost(trial_solutions)
                if trial_cost <= cost + 1e-9:
                    break
                step /= 4
            else:
                break
            angle, solutions, cost = trial, trial_solutions, trial_cost
        return angle, solutions

    def _residuals(self, solutions: Sequence[ChannelSolution]) -> list[float]:
        # The floor keeps the weights finite where the model fits to rounding.
        return [
            max(s.residual_energy, 1e-15 * m.energy, 1e-300)
            for s, m in zip(solutions, self._moments, strict=True)
        ]

    def _cost(self, solutions: Sequence[ChannelSolution]) -> float:
        return float(np.sum(np.log(self._residuals(solutions))))
