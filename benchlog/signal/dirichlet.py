"""Sums of cosines and sines over a centred record in closed form, and the normal matrices built of them.

Sample times are ``t = -(n-1)/2 ... (n-1)/2``, so that cosines and the constant never mix with sines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchlog.signal.samples import FloatArray

__all__ = ["NormalMatrices", "boxcar_gain", "cosine_sums"]


def cosine_sums(angle: FloatArray, n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return sum cos(angle t), sum t sin(angle t), sum t^2 cos(angle t) over `n` centred unit steps.

    The Dirichlet kernel ``D = sin(n a/2)/sin(a/2)`` and its derivatives, D, -D' and -D''.

    Parameters
    ----------
    angle : array
        Radian per sample, any value; multiples of 2 pi are handled.
    n : int
        Samples.
    """
    # Folding to (-pi, pi] flips the sign of all three sums once per turn when n is even (t is then half-odd).
    turns = np.round(angle / (2 * np.pi))
    sign = np.where((turns % 2 != 0) & (n % 2 == 0), -1.0, 1.0)
    half = (angle - turns * 2 * np.pi) / 2
    small = np.abs(half) * n < 1e-4
    u = np.where(small, 1.0, half)
    s, c = np.sin(u), np.cos(u)
    sn, cn = np.sin(n * u), np.cos(n * u)
    d = sn / s
    d1 = (n * cn - d * c) / (2 * s)  # derivative by the angle
    d2 = (-(n * n - 1) * d / 4 - d1 * c / s) if n > 1 else np.zeros_like(d)
    squares = n * (n * n - 1) / 12
    return (
        sign * np.where(small, n, d),
        sign * np.where(small, 2 * half * squares, -d1),
        sign * np.where(small, squares, -d2),
    )


def boxcar_gain(angle: FloatArray, block: int) -> FloatArray:
    """Gain of averaging `block` samples on a sine of `angle` radian per sample."""
    return cosine_sums(np.asarray(angle, float), block)[0] / block


@dataclass(frozen=True, slots=True)
class NormalMatrices:
    """Inner products of constant, cosines and sines of w, 2w ... Hw, and of their derivatives by w.

    Attributes
    ----------
    even : array of shape (H+1, H+1)
        <cos h, cos k>, h, k = 0..H.
    odd : array of shape (H, H)
        <sin h, sin k>, h, k = 1..H.
    even_slope : array of shape (H+1, H)
        <cos k, t sin h>.
    odd_slope : array of shape (H, H)
        <sin k, t cos h>.
    sine_slopes, cosine_slopes : arrays of shape (H, H)
        <t sin h, t sin k> and <t cos h, t cos k>.
    """

    even: FloatArray
    odd: FloatArray
    even_slope: FloatArray
    odd_slope: FloatArray
    sine_slopes: FloatArray
    cosine_slopes: FloatArray

    @classmethod
    def at(cls, angle: float, harmonics: int, n: int) -> NormalMatrices:
        """Build them for `angle` radian per sample and `n` samples."""
        plain, slope, square = cosine_sums(angle * np.arange(2 * harmonics + 1), n)
        row, col = np.indices((harmonics + 1, harmonics + 1))
        total, gap = row + col, np.abs(row - col)
        sign = np.sign(col - row)  # sum t sin is odd in its angle
        up, down = slope[total], sign * slope[gap]
        return cls(
            even=(plain[gap] + plain[total]) / 2,
            odd=((plain[gap] - plain[total]) / 2)[1:, 1:],
            even_slope=((up + down) / 2)[:, 1:],
            odd_slope=((up - down) / 2)[1:, 1:],
            sine_slopes=((square[gap] - square[total]) / 2)[1:, 1:],
            cosine_slopes=((square[gap] + square[total]) / 2)[1:, 1:],
        )
