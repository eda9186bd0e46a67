"""Block phasor moments: all a fit needs from a record, by one matrix product.

Every block of L samples is multiplied by ``tau^p exp(-i h w tau)`` about its own centre (p = 0, 1). The sums over the
whole record at any nearby frequency then need one term per block.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.signal.samples import FloatArray, RawArray, float_chunks

ComplexArray = npt.NDArray[np.complexfloating[Any, Any]]


@dataclass(frozen=True, slots=True)
class FourierSums:
    """Sums over a centred record, each of shape (n_channels, H+1) for h = 0..H.

    ``cosine`` = sum y cos(h w t), ``sine`` = sum y sin(h w t), and the same with t y.
    """

    cosine: FloatArray
    sine: FloatArray
    t_cosine: FloatArray
    t_sine: FloatArray


class BlockMoments:
    """Moments of several channels about one frequency.

    Parameters
    ----------
    channels : sequence of arrays of shape (n_samples,)
        Raw codes or averaged samples; read chunk by chunk.
    angle : float
        Radian per sample at which the moments are exact.
    harmonics : int
        H, the highest multiple of `angle`.
    block : int
        Samples per block, about the square root of the length for short records.

    Attributes
    ----------
    zeroth, first : complex arrays of shape (n_channels, n_blocks, H+1)
    centres : array of shape (n_blocks,)
        Middle of each block from the centre of the record, in samples.
    """

    def __init__(self, channels: Sequence[RawArray], angle: float, harmonics: int, block: int) -> None:
        n = len(channels[0])
        self.angle, self.block, self.harmonics = angle, block, harmonics
        tau = np.arange(block) - (block - 1) / 2
        turn = np.exp(np.multiply.outer(tau, -1j * angle * np.arange(harmonics + 1)))
        # Columns: real and imaginary parts side by side, so that the products can be viewed as complex numbers.
        table = np.concatenate([turn, tau[:, None] * turn], axis=1).view(np.float64)
        rows = -(-n // block)
        products = np.empty((len(channels), rows, table.shape[1]))
        for codes, into in zip(channels, products, strict=True):
            for start, part in float_chunks(codes, block):
                row = start // block
                into[row : row + len(part) // block] = part.reshape(-1, block) @ table.astype(
                    part.dtype, copy=False
                )
        self.centres: FloatArray = np.arange(rows) * block + (block - 1) / 2 - (n - 1) / 2
        moments: ComplexArray = products.view(np.complex128)
        self.zeroth = moments[:, :, : harmonics + 1]
        self.first = moments[:, :, harmonics + 1 :]

    def at(self, angle: float) -> FourierSums:
        """Sums at a nearby frequency; the error is second order in its distance times half a block."""
        h = np.arange(self.harmonics + 1)
        turn = unit_powers(-angle * self.centres, self.harmonics)[:, None, :]
        # Shapes (H+1, n_channels, n_blocks): one dot product per harmonic and channel.
        zeroth, first = np.moveaxis(self.zeroth, 2, 0), np.moveaxis(self.first, 2, 0)
        plain = np.einsum("hcb,hxb->ch", zeroth, turn)
        moved = np.einsum("hcb,hxb->ch", first, turn)
        turn *= self.centres
        slope = np.einsum("hcb,hxb->ch", zeroth, turn) + moved
        step = angle - self.angle
        if step:
            slope -= 1j * h * step * np.einsum("hcb,hxb->ch", first, turn)
            plain -= 1j * h * step * moved
        return FourierSums(plain.real, -plain.imag, slope.real, -slope.imag)


def unit_powers(phase: FloatArray, most: int) -> ComplexArray:
    """exp(i h phase) for h = 0..most, array of shape (most + 1, n)."""
    out = np.empty((most + 1, len(phase)), np.complex128)
    out[0] = 1.0
    out[1].real, out[1].imag = np.cos(phase), np.sin(phase)
    for h in range(2, most + 1):
        np.multiply(out[h - 1], out[1], out=out[h])
    return out


def harmonic_model(time: FloatArray, angle: float, even: FloatArray, odd: FloatArray) -> FloatArray:
    """Sum of even[:, h] cos(h angle t) + odd[:, h-1] sin(h angle t) at the given times.

    Parameters
    ----------
    time : array of shape (n,)
        Sample times about the record's centre, in samples.
    angle : float
        Radian per sample.
    even : array of shape (n_channels, H+1)
        Constant and cosine amplitudes.
    odd : array of shape (n_channels, H)
        Sine amplitudes.

    Returns
    -------
    array of shape (n_channels, n)
    """
    turn = unit_powers(angle * time, odd.shape[1])
    return np.asarray(((even[:, 1:] - 1j * odd) @ turn[1:]).real + even[:, :1])
