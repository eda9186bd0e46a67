"""From raw codes to a short record the fit can work on, or to a sure first guess on the raw codes themselves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.signal.coarse import FastTone, coarse_cycles, fast_tone, hann
from benchlog.signal.moments import BlockMoments
from benchlog.signal.samples import FloatArray, RawArray, block_means, smooth_length

__all__ = ["Reduced", "reduce_record"]

_SHORT = 16_384  # samples that are searched and fitted as they are
_LONGEST = 131_072  # averaged samples worth keeping for a fast tone; beyond, phasors come from the raw codes
_CYCLES_PER_POINT = 0.08  # at most, where samples are averaged: costs 1 % of the signal, keeps five harmonics


@dataclass(frozen=True, slots=True)
class Reduced:
    """What the fit works on.

    Attributes
    ----------
    channels : list of arrays of shape (n,)
        Averaged samples about `means`, or the raw codes.
    means : array of shape (n_channels,)
        Taken off the averaged samples; zero where the raw codes are used.
    decimation : int
        Raw samples averaged to one.
    raw : bool
        The raw codes are used, too long to be copied.
    angle : float
        First guess, radian per sample of `channels`.
    prominence : float
        Power of the line over the median of the spectrum it was found in.
    sure : bool
        The tone can't be an alias of a faster one.
    """

    channels: list[RawArray]
    means: FloatArray
    decimation: int
    raw: bool
    angle: float
    prominence: float
    sure: bool


def reduce_record(channels: Sequence[RawArray]) -> Reduced:
    """Choose the averaging and find the tone, looking at raw stretches so that no alias passes for it."""
    n = len(channels[0])
    if n <= _SHORT:
        return _averaged(channels, 1)
    block = -(-n // _SHORT)
    fast = fast_tone(channels, _CYCLES_PER_POINT / block)
    if not fast.dominant:
        slow = _averaged(channels, block)
        if not _larger(fast, slow, channels):
            return slow
    block = max(1, int(_CYCLES_PER_POINT / fast.cycles_per_sample))
    if n // block <= _LONGEST:
        return _averaged(channels, block, fast)
    return _demodulated(channels, fast)


def _averaged(channels: Sequence[RawArray], block: int, fast: FastTone | None = None) -> Reduced:
    short = [block_means(codes, block) for codes in channels]
    means = np.array([y.mean() for y in short])
    for y, mean in zip(short, means, strict=True):
        y -= mean
    n = len(short[0])
    band = None
    if fast is not None:
        centre, half = fast.cycles_per_sample * block * n, 2 * fast.resolution * block * n
        band = (centre - half, centre + half)
    tone = coarse_cycles(short, band)
    # A faster tone would have shown in the raw stretches unless it is weak; how weak depends on what averaging
    # leaves of it: at most a tenth of its power below a quarter of the averaged rate.
    needed = 0.0 if block == 1 or fast is not None else (200.0 if tone.cycles < 0.25 * n else 1000.0)
    return Reduced(
        channels=list(short),
        means=means,
        decimation=block,
        raw=False,
        angle=2 * np.pi * tone.cycles / n,
        prominence=tone.prominence,
        sure=tone.prominence >= needed,
    )


def _larger(fast: FastTone, slow: Reduced, channels: Sequence[RawArray]) -> bool:
    """Tell whether the fast tone carries more than the slow one, summed over channels of any size."""
    if not fast.cycles_per_sample:
        return False
    # Every line in the averaged record holds at most its whole variation.
    tops = np.array([_line_amplitude(y, slow.angle) for y in slow.channels])
    scale = np.maximum(np.maximum(tops, fast.amplitudes), 1e-300)
    return bool(np.sum((fast.amplitudes / scale) ** 2) > np.sum((tops / scale) ** 2))


def _line_amplitude(y: FloatArray, angle: float) -> float:
    window = hann(len(y))
    turn = np.exp(-1j * angle * np.arange(len(y)))
    return float(2 * abs(np.sum(window * y * turn)) / window.sum())


def _demodulated(channels: Sequence[RawArray], fast: FastTone) -> Reduced:
    """Mix the raw codes down with the surveyed frequency and find the small difference left."""
    n = len(channels[0])
    guess = 2 * np.pi * fast.cycles_per_sample
    block = max(16, int(0.25 / fast.resolution))
    power: FloatArray | None = None
    for codes in channels:
        moments = BlockMoments(codes, guess, 1, block)
        mean = float(moments.zeroth[:, 0].real.sum()) / n
        tau = np.arange(block) - (block - 1) / 2
        local = moments.zeroth[:, 1] - mean * np.sum(np.exp(-1j * guess * tau))
        rows = len(local)
        local = local * np.exp(-1j * guess * moments.centres) * hann(rows)
        spectrum = np.abs(np.fft.fft(local, smooth_length(2 * rows))) ** 2
        spectrum /= max(float(spectrum.sum()), 1e-300)
        power = spectrum if power is None else power + spectrum
    assert power is not None
    size = len(power)
    peak = int(np.argmax(power))
    a, b, c = np.log(np.maximum(power[[peak - 1, peak, (peak + 1) % size]], 1e-300))
    bend = a - 2 * b + c
    line = peak + (0.5 * (a - c) / bend if bend < 0 else 0.0)
    line = line - size if line > size / 2 else line
    return Reduced(
        channels=list(channels),
        means=np.zeros(len(channels)),
        decimation=1,
        raw=True,
        angle=guess + 2 * np.pi * line / (size * block),
        prominence=float(power[peak]) / max(float(np.median(power)), 1e-300),
        sure=True,
    )
