"""First guess of the frequency: spectrum peak, exact grid for few cycles, and a look at the raw samples.

Averaging blocks of samples before the search makes it fast but folds fast tones down. `fast_tone` therefore looks
at a few raw stretches first and says whether anything fast is there, so that no alias is ever taken for the tone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from benchlog.signal.samples import FloatArray, RawArray, block_means, smooth_length, stretch_starts

__all__ = ["CoarseTone", "FastTone", "coarse_cycles", "fast_tone", "hann"]

_FEW_CYCLES = 8.0
_GRID_POINTS = 256
_STRETCHES = 3


@lru_cache(maxsize=16)
def hann(n: int) -> FloatArray:
    """Hann window of length `n`, periodic form."""
    window: FloatArray = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    window.flags.writeable = False
    return window


@dataclass(frozen=True, slots=True)
class CoarseTone:
    """Result of the coarse search.

    Attributes
    ----------
    cycles : float
        Of the fundamental, in the whole of the samples looked at.
    amplitudes : array of shape (n_channels,)
        Rough amplitude of the strongest line, in the samples' units.
    prominence : float
        Power of the line over the median power of the spectrum.
    """

    cycles: float
    amplitudes: FloatArray
    prominence: float


def coarse_cycles(channels: Sequence[FloatArray], band: tuple[float, float] | None = None) -> CoarseTone:
    """Cycles of the fundamental in a short record, good to a few hundredths of a cycle.

    Parameters
    ----------
    channels : sequence of arrays of shape (n,)
        Samples, at most some ten thousand.
    band : tuple of float or None
        Cycles in the record between which the tone is known to be.
    """
    n = len(channels[0])
    size = smooth_length(n)
    window = hann(n)
    spectra = [np.abs(np.fft.rfft((y - y.mean()) * window, size)) ** 2 for y in channels]
    power = _normalised_sum(spectra)
    power[0] = 0.0
    if band is not None:
        low, high = (round(edge * size / n) for edge in band)
        power[: max(low, 1)] = 0.0
        power[high + 1 :] = 0.0
    peak = int(np.argmax(power))
    line = _peak_position(power, peak)
    for divisor in (4, 3, 2):  # a pulse train's strongest line may be a harmonic
        low = round(line / divisor)
        if low * n >= 2 * size * (1 if n == size else 2) and _stands_out(power, low, 0.3 * power[peak]):
            peak, line = low, _peak_position(power, low)
            break
    cycles = line * n / size
    amplitudes = np.array([4 * np.sqrt(s[max(peak - 1, 0) : peak + 2].max()) / n for s in spectra])
    noise = float(np.median(_normalised_sum(spectra)))
    prominence = float(power[peak]) / noise if noise > 0 else float("inf")
    if cycles < _FEW_CYCLES and band is None:
        cycles = _few_cycles(channels)
    return CoarseTone(float(cycles), amplitudes, prominence)


def _normalised_sum(spectra: Sequence[FloatArray]) -> FloatArray:
    total = np.zeros_like(spectra[0])
    for s in spectra:
        energy = s.sum()
        if energy > 0:
            total += s / energy
    return total


def _peak_position(power: FloatArray, peak: int) -> float:
    """Place of a maximum between the lines: parabola through the logarithms."""
    if not 0 < peak < len(power) - 1 or min(power[peak - 1 : peak + 2]) <= 0:
        return float(peak)
    a, b, c = np.log(power[peak - 1 : peak + 2])
    bend = a - 2 * b + c
    return float(peak + (0.5 * (a - c) / bend if bend < 0 else 0.0))


def _stands_out(power: FloatArray, at: int, level: float) -> bool:
    near = power[max(at - 1, 0) : at + 2]
    around = power[max(at - 4, 0) : at + 5]
    return bool(near.size and near.max() >= level and near.max() == around.max())


@lru_cache(maxsize=8)
def _grid(n: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cycles tried, and unit-length mean-free cosines and sines on `n` centred points."""
    cycles: FloatArray = np.arange(0.3, _FEW_CYCLES + 3, 0.05)
    time = (np.arange(n) - (n - 1) / 2) / n
    phase = 2 * np.pi * np.multiply.outer(time, cycles)
    cosine, sine = np.cos(phase), np.sin(phase)
    cosine -= cosine.mean(axis=0)
    cosine /= np.linalg.norm(cosine, axis=0)
    sine /= np.linalg.norm(sine, axis=0)
    return cycles, cosine, sine


def _few_cycles(channels: Sequence[FloatArray]) -> float:
    """Best of a grid of exact fits of constant and one sine, on a few hundred points."""
    step = max(1, len(channels[0]) // _GRID_POINTS)
    short = [block_means(y, step) for y in channels]
    n = len(short[0])
    cycles, cosine, sine = _grid(n)
    explained = np.zeros(len(cycles))
    for y in short:
        z = y - y.mean()
        energy = float(z @ z)
        if energy > 0:
            explained += ((z @ cosine) ** 2 + (z @ sine) ** 2) / energy
    best = int(np.argmax(explained))
    if 0 < best < len(cycles) - 1:
        a, b, c = explained[best - 1 : best + 2]
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    else:
        shift = 0.0
    # The grid is in cycles over n points; the record may be a little longer than n whole steps.
    return float((cycles[best] + shift * 0.05) * len(channels[0]) / (n * step))


@dataclass(frozen=True, slots=True)
class FastTone:
    """Strongest fast tone in the raw samples.

    Attributes
    ----------
    cycles_per_sample : float
        Zero when nothing fast stands out.
    amplitudes : array of shape (n_channels,)
        Rough, in codes.
    resolution : float
        Cycles per sample from one line of the spectrum to the next.
    dominant : bool
        The tone holds more than half of all the variation seen, so nothing slower can be larger.
    """

    cycles_per_sample: float
    amplitudes: FloatArray
    resolution: float
    dominant: bool


def fast_tone(channels: Sequence[RawArray], lowest: float) -> FastTone:
    """Look at a few raw stretches for a tone above `lowest` cycles per sample.

    The stretches hold at least four cycles of it, so a fast tone can't hide between two lines.
    """
    n = len(channels[0])
    length = smooth_length(min(n, int(4 / lowest) + 1))
    length = min(length, n)
    starts = stretch_starts(n, length, _STRETCHES)
    window = hann(length)
    spectra, variances = [], []
    for codes in channels:
        parts = [codes[s : s + length].astype(np.float64) for s in starts]
        means = [p.mean() for p in parts]
        spectra.append(
            np.sum(
                [np.abs(np.fft.rfft((p - m) * window)) ** 2 for p, m in zip(parts, means, strict=True)],
                axis=0,
            )
        )
        variances.append(float(np.mean([p.var() for p in parts]) + np.var(means)))
    power = _normalised_sum(spectra)
    first = max(2, int(lowest * length))
    if first + 2 >= len(power):
        return FastTone(0.0, np.zeros(len(channels)), 1 / length, False)
    peak = first + int(np.argmax(power[first:]))
    prominent = power[peak] > 20 * float(np.median(power[first:])) and power[peak] >= power[peak - 1]
    if not prominent:
        return FastTone(0.0, np.zeros(len(channels)), 1 / length, False)
    for divisor in (4, 3, 2):
        low = round(peak / divisor)
        if low >= first and _stands_out(power, low, 0.3 * power[peak]):
            peak = low
            break
    line = _peak_position(power, peak)
    scale = 4 / (length * np.sqrt(len(starts)))
    amplitudes = np.array([scale * np.sqrt(s[peak - 1 : peak + 2].max()) for s in spectra])
    held = [a * a / 2 / v for a, v in zip(amplitudes, variances, strict=True) if v > 0]
    return FastTone(float(line / length), amplitudes, 1 / length, bool(held) and min(held) > 0.5)
