"""First guess of the frequency: spectrum peak, exact grid for few cycles, and a look at the raw samples.

Averaging blocks of samples makes the search fast but folds fast tones down. `fast_tone` therefore first looks at a few
raw stretches for fast tones, so that an alias is never taken for the tone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.fft import next_fast_len

from benchlog.signal.samples import (
    FloatArray,
    RawArray,
    block_means,
    irregular,
    scattered,
    stretch_starts,
)

_FEW_CYCLES = 8.0
_GRID_POINTS = 256
_GUESS_OFF = 2.0  # cycles by which the spectrum's peak may be off in a record of few cycles
_STRETCHES = 2
_SCATTERED = 2048  # scattered samples used for the total variance of a record
_BLOCKS_LOOKED_AT, _SAMPLES_OF_BLOCK = 32, 48
_SLOW_SHARE = 0.03  # a tone of 0.08 cycles in a block varies by 2 % of its power within the block
_FEWEST_FAST_CYCLES = 3.0  # cycles per stretch of the slowest tone that counts as fast


@lru_cache(maxsize=16)
def hann(n: int) -> FloatArray:
    """Hann window of length `n`, periodic form."""
    window: FloatArray = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    window.flags.writeable = False
    return window


@dataclass(frozen=True, slots=True)
class CoarseTone:
    """Result of the coarse search."""

    cycles: float  #: Of the fundamental, in all the samples searched.
    prominence: float  #: Power of the line over the median power of the spectrum.


def coarse_cycles(channels: Sequence[FloatArray]) -> CoarseTone:
    """Cycles of the fundamental in a short record, to a few hundredths of a cycle.

    Parameters
    ----------
    channels : sequence of arrays of shape (n,)
        Samples minus their means, at most some ten thousand.
    """
    n = len(channels[0])
    size = next_fast_len(n, real=True)
    power = _normalised_sum([power_spectrum(y * hann(n), size) for y in channels])
    noise = float(np.median(power))
    power[0] = 0.0
    peak = _fundamental(power, int(np.argmax(power)), 2 * size // n)
    cycles = interpolated_peak(power, peak) * n / size
    prominence = float(power[peak]) / noise if noise > 0 else float("inf")
    if cycles < _FEW_CYCLES:
        cycles = _few_cycles(channels, cycles)
    return CoarseTone(float(cycles), prominence)


def power_spectrum(samples: FloatArray, size: int | None = None) -> FloatArray:
    """Squared magnitudes of the one-sided transform along the last axis."""
    spectrum = np.fft.rfft(samples, size)
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _fundamental(power: FloatArray, peak: int, lowest: int) -> int:
    """Spectral line of the fundamental; a pulse train's strongest line may be a harmonic of a slightly weaker one."""
    line = interpolated_peak(power, peak)
    for divisor in range(8, 1, -1):
        low = round(line / divisor)
        if low < lowest:
            continue
        near = max(low - 2, 0) + int(np.argmax(power[max(low - 2, 0) : low + 3]))
        strong = abs(near - low) < 2 and power[near] >= 0.3 * power[peak]
        if (
            strong and power[near : peak + 1].min() < 0.3 * power[near]
        ):  # a separate line, not leakage of the other
            return near
    return peak


def _normalised_sum(spectra: Sequence[FloatArray]) -> FloatArray:
    total = np.zeros_like(spectra[0])
    for s in spectra:
        energy = s.sum()
        if energy > 0:
            total += s / energy
    return total


def interpolated_peak(power: FloatArray, peak: int | None = None) -> float:
    """Position of a maximum between the lines, by a parabola through the logarithms."""
    peak = int(np.argmax(power)) if peak is None else peak
    if not 0 < peak < len(power) - 1 or min(power[peak - 1 : peak + 2]) <= 0:
        return float(peak)
    a, b, c = np.log(power[peak - 1 : peak + 2])
    bend = a - 2 * b + c
    return float(peak + (0.5 * (a - c) / bend if bend < 0 else 0.0))


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


def _few_cycles(channels: Sequence[FloatArray], guess: float) -> float:
    """Best of a grid of exact fits of constant and one sine about the guess, on a few hundred points."""
    step = max(1, len(channels[0]) // _GRID_POINTS)
    short = block_means(channels, step)
    n = len(short[0])
    cycles, cosine, sine = _grid(n)
    explained = np.zeros(len(cycles))
    for y in short:
        z = y - y.mean()
        energy = float(z @ z)
        if energy > 0:
            explained += ((z @ cosine) ** 2 + (z @ sine) ** 2) / energy
    explained[np.abs(cycles - guess) > _GUESS_OFF] = 0.0
    best = int(np.argmax(explained))
    if 0 < best < len(cycles) - 1:
        a, b, c = explained[best - 1 : best + 2]
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
    else:
        shift = 0.0
    # The grid counts cycles over n points; the record may be slightly longer.
    return float((cycles[best] + shift * 0.05) * len(channels[0]) / (n * step))


@dataclass(frozen=True, slots=True)
class FastTone:
    """Strongest fast tone in the raw samples."""

    cycles_per_sample: float  #: Zero where nothing fast is significant.
    amplitudes: FloatArray  #: Shape (n_channels,). Rough, in codes.
    #: The tone has more than half of the total variance, so nothing slower can be larger.
    dominant: bool
    start: int  #: First sample of one of the stretches.
    #: Spacing of spectral lines in cycles per sample: one over the length of a stretch.
    resolution: float


def varies_slowly(channels: Sequence[RawArray], block: int) -> bool:
    """Return whether samples vary much less within scattered blocks than over the whole record.

    If so, no fast tone is as large as the slow one, and averaging the blocks loses nothing.
    """
    starts = stretch_starts(len(channels[0]), block, _BLOCKS_LOOKED_AT)
    index = np.add.outer(starts, (irregular(_SAMPLES_OF_BLOCK) * block).astype(np.intp))
    for codes in channels:
        parts = np.asarray(codes[index], np.float64)
        means = parts.mean(axis=1, keepdims=True)
        total = float(np.mean((parts - means.mean()) ** 2))
        if float(np.mean((parts - means) ** 2)) > _SLOW_SHARE * total:
            return False
    return True


def fast_tone(channels: Sequence[RawArray], lowest: float) -> FastTone:
    """Look at a few raw stretches for a tone above `lowest` cycles per sample."""
    length = min(len(channels[0]), next_fast_len(int(_FEWEST_FAST_CYCLES / lowest) + 1, real=True))
    starts = stretch_starts(len(channels[0]), length, _STRETCHES)
    window = hann(length)
    spectra, variances = [], []
    for codes in channels:
        parts = np.array([codes[s : s + length] for s in starts], np.float64)
        means = parts.mean(axis=1, keepdims=True)
        parts -= means
        variances.append(float(scattered(codes, _SCATTERED).var()))
        parts *= window
        spectra.append(power_spectrum(parts).sum(axis=0))
    power = _normalised_sum(spectra)
    first = int(lowest * length)
    peak = first + int(np.argmax(power[first:]))
    nothing = FastTone(0.0, np.zeros(len(channels)), False, starts[0], 1 / length)
    if power[peak] <= 20 * float(np.median(power[first:])) or power[peak] < power[peak - 1]:
        return nothing
    peak = _fundamental(power, peak, first)
    scale = 4 / (length * np.sqrt(len(starts)))
    amplitudes = np.array([scale * np.sqrt(s[peak - 1 : peak + 2].max()) for s in spectra])
    held = [a * a / 2 / v for a, v in zip(amplitudes, variances, strict=True) if v > 0]
    return FastTone(
        cycles_per_sample=interpolated_peak(power, peak) / length,
        amplitudes=amplitudes,
        dominant=bool(held) and min(held) > 0.5,
        start=starts[0],
        resolution=1 / length,
    )
