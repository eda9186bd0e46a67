"""Block phasor moments: what a fit needs to know of a record, from one matrix product.

Every block of L samples is multiplied with ``tau^p exp(-i h w tau)`` about its own centre (p = 0, 1). The sums
over the whole record at any nearby frequency then cost one term a block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.signal.samples import FloatArray, RawArray, float_chunks

__all__ = ["BlockMoments", "FourierSums", "harmonic_model"]


@dataclass(frozen=True, slots=True)
class FourierSums:
    """Sums over a centred record, each of shape (H+1,) for h = 0..H.

    ``cosine`` = sum y cos(h w t), ``sine`` = sum y sin(h w t), and the same with t y.
    """

    cosine: FloatArray
    sine: FloatArray
    t_cosine: FloatArray
    t_sine: FloatArray


class BlockMoments:
    """Moments of one channel about one frequency.

    Parameters
    ----------
    codes : array of shape (n_samples,)
        Raw codes or decimated samples; read chunk by chunk.
    angle : float
        Radian per sample at which the moments are exact.
    harmonics : int
        H, the highest multiple of `angle`.
    block : int
        Samples a block, near the root of the record's length for short ones.
    """

    def __init__(self, codes: RawArray, angle: float, harmonics: int, block: int) -> None:
        n = len(codes)
        self.angle, self.block, self.harmonics = angle, block, harmonics
        tau = np.arange(block) - (block - 1) / 2
        phase = np.multiply.outer(tau, angle * np.arange(harmonics + 1))
        waves = np.concatenate([np.cos(phase), np.sin(phase[:, 1:])], axis=1)
        table = np.concatenate([waves, tau[:, None] * waves], axis=1)
        rows = -(-n // block)
        products = np.empty((rows, table.shape[1]))
        self.energy = 0.0
        for first, part in float_chunks(codes, block):
            start = first // block
            self.energy += float(part @ part)
            products[start : start + len(part) // block] = part.reshape(-1, block) @ table
        self.centres: FloatArray = np.arange(rows) * block + (block - 1) / 2 - (n - 1) / 2
        half = waves.shape[1]
        self.zeroth = _phasors(products[:, :half], harmonics)
        self.first = _phasors(products[:, half:], harmonics)

    def at(self, angle: float) -> FourierSums:
        """Sums at a frequency near by; the error is of second order in its distance times half a block."""
        h = np.arange(self.harmonics + 1)
        step = angle - self.angle
        turn = np.exp(np.multiply.outer(self.centres, -1j * angle * h))
        local = self.zeroth - 1j * h * step * self.first if step else self.zeroth
        plain = np.einsum("bh,bh->h", turn, local)
        slope = np.einsum("bh,bh->h", turn, self.centres[:, None] * local + self.first)
        return FourierSums(plain.real, -plain.imag, slope.real, -slope.imag)


def _phasors(products: FloatArray, harmonics: int) -> npt.NDArray[np.complex128]:
    out = products[:, : harmonics + 1].astype(np.complex128)
    out.imag[:, 1:] = -products[:, harmonics + 1 :]
    return out


def harmonic_model(time: FloatArray, angle: float, even: FloatArray, odd: FloatArray) -> FloatArray:
    """Sum of even[h] cos(h angle t) + odd[h-1] sin(h angle t) at the given times.

    Parameters
    ----------
    time : array of shape (n,)
        Sample times about the record's centre, in samples.
    angle : float
        Radian per sample.
    even : array of shape (H+1,)
        Constant and cosine amplitudes.
    odd : array of shape (H,)
        Sine amplitudes.
    """
    turn = np.exp(1j * angle * time)
    phasor = even[1:] - 1j * odd
    out = np.full(time.shape, phasor[-1], np.complex128)
    for c in phasor[-2::-1]:  # Horner's scheme in exp(i w t)
        out *= turn
        out += c
    out *= turn
    return np.asarray(out.real + even[0])
