"""Joint least squares of several channels over one shared frequency.

For a given frequency every channel is linear in its constant, cosines and sines. The frequency is found by Gauss-Newton
steps on the residual (variable projection), with channels weighted by the inverse of their residual variance. A step
needs only a few sums over the record and closed-form normal matrices.

References
----------
G. Golub, V. Pereyra: The differentiation of pseudo-inverses and nonlinear least squares problems whose
variables separate, SIAM J. Numer. Anal. 10 (1973) 413-432 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchlog.signal.dirichlet import NormalMatrices
from benchlog.signal.moments import BlockMoments, ComplexArray, FourierSums
from benchlog.signal.samples import FloatArray, RawArray

_MOST_STEPS = 40
_STRAIGHT = 1e-5  # radian over the record: for a step this small second-order terms are below rounding


@dataclass(frozen=True, slots=True)
class JointSolution:
    """Least-squares solution of all channels at one frequency."""

    angle: float  #: Radian per sample.
    #: even, odd: Shape (n_channels, H+1). Constant and cosine amplitudes; sine amplitudes.
    even: FloatArray
    odd: FloatArray
    residual_energy: FloatArray  #: Shape (n_channels,). Sum of squared residuals.
    #: gradient, curvature: Shape (n_channels,). Inner product of the residual with the model's derivative by the
    #: angle, and the squared norm of the part of that derivative orthogonal to constant, cosines and sines.
    gradient: FloatArray
    curvature: FloatArray
    #: even_shift, odd_shift: Change of the amplitudes per change of the angle.
    even_shift: FloatArray
    odd_shift: FloatArray
    #: even_cofactor, odd_cofactor: Shape (H+1, H+1). Inverse normal matrices: covariance of the amplitudes
    #: for unit noise at a known angle.
    even_cofactor: FloatArray
    odd_cofactor: FloatArray

    @property
    def phasors(self) -> ComplexArray:
        """Peak phasors at the centre of the record, array of shape (n_channels, H)."""
        out = np.empty(self.odd.shape, np.complex128)
        out.real, out.imag = self.even[:, 1:], -self.odd
        return out


def solve(angle: float, n: int, sums: FourierSums, energy: FloatArray) -> JointSolution:
    """Solve all channels at one angle.

    Parameters
    ----------
    angle : float
        Radian per sample.
    n : int
        Samples the sums run over.
    energy : array of shape (n_channels,)
        Sum of squares of each channel.
    """
    count = sums.cosine.shape[1] - 1
    normal = NormalMatrices.at(angle, count, n)
    even_cofactor, odd_cofactor = np.linalg.inv(normal.even), np.linalg.inv(normal.odd)
    even, odd = sums.cosine @ even_cofactor, sums.sine[:, 1:] @ odd_cofactor
    h = np.arange(1, count + 1)
    ha, hb = h * even[:, 1:], h * odd
    slope_even, slope_odd = -ha @ normal.even_slope.T, hb @ normal.odd_slope.T
    even_shift, odd_shift = -slope_even @ even_cofactor, -slope_odd @ odd_cofactor
    data_slope = np.sum(hb * sums.t_cosine[:, 1:] - ha * sums.t_sine[:, 1:], axis=1)
    model_slope = np.sum(even * slope_even, axis=1) + np.sum(odd * slope_odd, axis=1)
    length = np.sum(ha * (ha @ normal.sine_slopes) + hb * (hb @ normal.cosine_slopes), axis=1)
    explained = np.sum(even * sums.cosine, axis=1) + np.sum(odd * sums.sine[:, 1:], axis=1)
    return JointSolution(
        angle=angle,
        even=even,
        odd=odd,
        residual_energy=energy - explained,
        gradient=data_slope - model_slope,
        curvature=length + np.sum(slope_even * even_shift, axis=1) + np.sum(slope_odd * odd_shift, axis=1),
        even_shift=even_shift,
        odd_shift=odd_shift,
        even_cofactor=even_cofactor,
        odd_cofactor=odd_cofactor,
    )


def harmonics_apart(cycles_per_sample: float, n: int, most: int) -> int:
    """Highest harmonic up to `most` such that no two modelled lines fall within three lines of each other.

    Lines folded back by sampling can be modelled too, as long as they are separate from the others.
    """
    kept = 1
    for h in range(2, most + 1):
        total = np.arange(1, 2 * h + 1) * cycles_per_sample
        folded = np.abs(total - np.round(total))
        if total[h - 1] > 0.45 and folded.min() * n < 3:
            break
        kept = h
    return kept


def _moved(solution: JointSolution, step: float) -> JointSolution:
    """Solution for a slightly different angle, linearised."""
    return replace(
        solution,
        angle=solution.angle + step,
        even=solution.even + step * solution.even_shift,
        odd=solution.odd + step * solution.odd_shift,
        residual_energy=solution.residual_energy - step * (2 * solution.gradient - step * solution.curvature),
    )


class JointFit:
    """Find the shared angle of several channels of one length.

    Parameters
    ----------
    channels : sequence of arrays of shape (n,)
        Averaged samples or raw codes.
    harmonics : int
        H, how many multiples of the angle are modelled.
    block : int
        Samples per block of the phasor moments.
    tolerance : float
        Moments are recomputed if, between their angle and the one asked for, the highest harmonic turns by more than this
        phase (radian) within half a block.
    energy : array of shape (n_channels,)
        Sum of squares of each channel.
    """

    def __init__(
        self,
        channels: Sequence[RawArray],
        harmonics: int,
        *,
        block: int,
        tolerance: float,
        energy: FloatArray,
    ) -> None:
        self.channels, self.harmonics, self.block = channels, harmonics, block
        self.n, self.energy = len(channels[0]), energy
        self._reach = 2 * tolerance / (harmonics * block)
        self._moments: BlockMoments | None = None

    def moments(self, angle: float) -> BlockMoments:
        """Moments for this angle; the present ones if they are accurate enough for it."""
        if self._moments is None or abs(angle - self._moments.angle) > self._reach:
            self._moments = BlockMoments(self.channels, angle, self.harmonics, self.block)
        return self._moments

    def at(self, angle: float) -> JointSolution:
        """Solve all channels at one angle, radian per sample."""
        return solve(angle, self.n, self.moments(angle).at(angle), self.energy)

    def refine(self, angle: float) -> JointSolution:
        """Gauss-Newton from a first guess good to a fraction of a cycle in the record.

        The result is kept within one cycle of the guess, and within half of it, whatever the data.
        """
        room = min(2 * np.pi / self.n, angle / 2)
        lowest, highest = angle - room, min(angle + room, np.pi)
        best = self.at(angle)
        for _ in range(_MOST_STEPS):
            weights = 1 / self._residuals(best)
            stiffness = float(weights @ best.curvature)
            if not stiffness > 0:
                break
            step = float(np.clip(weights @ best.gradient / stiffness, -0.6 / self.n, 0.6 / self.n))
            step = float(np.clip(best.angle + step, lowest, highest)) - best.angle
            # Converged at a thousandth of the standard uncertainty, or at rounding.
            if abs(step) < max(1e-13 / self.n, 1e-3 / np.sqrt(stiffness * self.n)):
                break
            if abs(step) * self.n < _STRAIGHT:
                return _moved(best, step)
            for _ in range(4):
                trial = self.at(best.angle + step)
                if self._cost(trial) <= self._cost(best) + 1e-9:
                    break
                step /= 4
            else:
                break
            best = trial
        return best

    def _residuals(self, solution: JointSolution) -> FloatArray:
        # The floor keeps the weights finite if the model fits exactly.
        return np.asarray(np.maximum(solution.residual_energy, np.maximum(1e-15 * self.energy, 1e-300)))

    def _cost(self, solution: JointSolution) -> float:
        return float(np.sum(np.log(self._residuals(solution))))
