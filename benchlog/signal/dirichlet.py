"""Closed forms of sums of cosines and sines over a centred record, and normal matrices built from them.

Sample times are ``t = -(n-1)/2 ... (n-1)/2``, so that cosines and the constant are orthogonal to sines.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from benchlog.signal.samples import FloatArray


def cosine_sums(angle: FloatArray, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return sum cos(angle t), sum t sin(angle t), sum t^2 cos(angle t) over `n` centred unit steps.

    The Dirichlet kernel ``D = sin(n a/2)/sin(a/2)`` and its derivatives, D, -D' and -D''.

    Parameters
    ----------
    angle : array
        Radian per sample, any value; multiples of 2 pi are handled.
    """
    # Folding to (-pi, pi] flips the sign of all three sums once per turn when n is even (t is then half-odd).
    turns = np.rint(angle / (2 * np.pi))
    u = angle / 2 - turns * np.pi
    small = np.abs(u) * n < 1e-4
    v = np.where(small, 1.0, u)
    s, c = np.sin(v), np.cos(v)
    d = np.sin(n * v) / s
    d1 = (n * np.cos(n * v) - d * c) / (2 * s)  # derivative by the angle
    d2 = (1 - n * n) / 4 * d - d1 * c / s
    squares = n * (n * n - 1) / 12
    sums = np.where(small, [np.full_like(u, n), 2 * squares * u, np.full_like(u, squares)], [d, -d1, -d2])
    if n % 2 == 0:
        sums *= 1 - 2 * (turns % 2)
    return sums[0], sums[1], sums[2]


def boxcar_gain(angle: FloatArray, block: int) -> FloatArray:
    """Gain of averaging `block` samples on a sine of `angle` radian per sample."""
    return cosine_sums(np.asarray(angle, float), block)[0] / block


@dataclass(frozen=True, slots=True)
class NormalMatrices:
    """Inner products of constant, cosines and sines of w, 2w ... Hw, and of their derivatives by w."""

    even: FloatArray  #: Shape (H+1, H+1). <cos h, cos k>, h, k = 0..H.
    odd: FloatArray  #: Shape (H, H). <sin h, sin k>, h, k = 1..H.
    even_slope: FloatArray  #: Shape (H+1, H). <cos k, t sin h>.
    odd_slope: FloatArray  #: Shape (H, H). <sin k, t cos h>.
    #: sine_slopes, cosine_slopes: Shape (H, H). <t sin h, t sin k> and <t cos h, t cos k>.
    sine_slopes: FloatArray
    cosine_slopes: FloatArray

    @classmethod
    def at(cls, angle: float, harmonics: int, n: int) -> NormalMatrices:
        """Compute them for `angle` radian per sample and `n` samples."""
        total, gap, sign = _pairs(harmonics)
        sums = np.array(cosine_sums(angle * np.arange(2 * harmonics + 1), n)) / 2
        (plain, slope, square), (plain_gap, slope_gap, square_gap) = sums[:, total], sums[:, gap]
        slope_gap = sign * slope_gap  # sum t sin is odd in its angle
        return cls(
            even=plain_gap + plain,
            odd=(plain_gap - plain)[1:, 1:],
            even_slope=(slope + slope_gap)[:, 1:],
            odd_slope=(slope - slope_gap)[1:, 1:],
            sine_slopes=(square_gap - square)[1:, 1:],
            cosine_slopes=(square_gap + square)[1:, 1:],
        )


@lru_cache(maxsize=16)
def _pairs(harmonics: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Sum, difference and sign for each pair of multiples 0..H."""
    row, col = np.indices((harmonics + 1, harmonics + 1))
    return row + col, np.abs(row - col), np.sign(col - row)
