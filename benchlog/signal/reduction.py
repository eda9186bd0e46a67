"""From raw codes to a short record and a reliable first guess that is never an alias of the tone.

Averaging blocks of samples makes the fit fast but folds fast tones down. So a few raw stretches are searched first: for
a tone too fast for the usual blocks shorter ones are used, or it is mixed down from the raw codes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len

from benchlog.signal.coarse import FastTone, coarse_cycles, fast_tone, hann, interpolated_peak, varies_slowly
from benchlog.signal.joint import JointFit, harmonics_apart
from benchlog.signal.samples import FloatArray, RawArray, block_means, refuse_non_finite

_FEW = 4096  # averaged samples that are enough for a slow tone
_SHORT = 16_384  # up to this many samples, no averaging
_LONGEST = 524_288  # most averaged samples kept for a fast tone; with more, the raw codes are used
_COPIED = 131_072  # most raw samples that are copied
_CYCLES_PER_POINT = 0.08  # at most, where samples are averaged: costs 1 % of the signal, keeps five harmonics


@dataclass(frozen=True, slots=True)
class Reduced:
    """Input of the fit, and its starting point."""

    channels: list[RawArray]  #: Shape (n,). Averaged samples minus `means`, or the raw codes.
    #: Shape (n_channels,). Subtracted from the averaged samples; zero if the raw codes are used.
    means: FloatArray
    decimation: int  #: Raw samples averaged to one.
    raw: bool  #: Whether the raw codes are used, which are too long to copy.
    fit: JointFit  #: Ready to refine.
    angle: float  #: First guess, radian per sample of `channels`.
    prominence: float  #: Power of the line over the median of the spectrum it was found in.
    sure: bool  #: The tone can't be an alias of a faster one.


def reduce_record(channels: Sequence[RawArray], harmonics: int | None, most: int) -> Reduced:
    """Choose the averaging and find the tone.

    Parameters
    ----------
    channels : sequence of arrays of shape (n_samples,)
    harmonics : int or None
        Number of multiples, None for as many as the record can resolve, up to `most`.
    """
    n = len(channels[0])
    if n <= _SHORT:
        return _slow(channels, 1, harmonics, most, calm=True)
    slow = None
    for points in (_FEW, _SHORT):
        block = -(-n // points)
        if varies_slowly(channels, block):
            slow = _slow(channels, block, harmonics, most, calm=True)
            if slow.angle <= 2 * np.pi * _CYCLES_PER_POINT:
                return slow
    fast = fast_tone(channels, _CYCLES_PER_POINT / block)
    if not fast.dominant:
        slow = slow or _slow(channels, block, harmonics, most, calm=False)
        if not _larger(fast, slow):
            return slow
    return _fast(channels, fast, harmonics, most)


def _harmonic_count(angle: float, n: int, harmonics: int | None, most: int) -> int:
    cycles = angle * n / (2 * np.pi)
    count = most if harmonics is None else harmonics
    if cycles < 0.95 and harmonics is None:
        count = 1  # harmonics of less than one cycle can't be separated from the offset
    return harmonics_apart(angle / (2 * np.pi), n, max(1, min(count, (n - 4) // 6)))


def _averaged(channels: Sequence[RawArray], block: int) -> tuple[list[FloatArray], FloatArray, FloatArray]:
    """Block means minus their mean, the means, and the remaining energies."""
    short = block_means(channels, block)
    means = np.array([y.mean() for y in short])
    if not np.isfinite(means).all():
        refuse_non_finite(channels)
    for y, mean in zip(short, means, strict=True):
        y -= mean
    return short, means, np.array([float(y @ y) for y in short])


def _slow(
    channels: Sequence[RawArray], block: int, harmonics: int | None, most: int, *, calm: bool
) -> Reduced:
    """Average blocks and find the tone in the means; `calm` means that no fast tone can be larger."""
    short, means, energy = _averaged(channels, block)
    n = len(short[0])
    tone = coarse_cycles(short)
    angle = 2 * np.pi * tone.cycles / n
    fit = JointFit(
        short,
        _harmonic_count(angle, n, harmonics, most),
        block=1 << max(3, round(np.log2(np.sqrt(n)))),
        tolerance=3e-6,
        energy=energy,
    )
    # Only a weak faster tone can have been missed in the raw stretches, and averaging leaves at most a tenth of its
    # power below a quarter of the averaged rate.
    needed = 0.0 if block == 1 or calm else (200.0 if tone.cycles < 0.25 * n else 1000.0)
    return Reduced(list(short), means, block, False, fit, angle, tone.prominence, tone.prominence >= needed)


def _larger(fast: FastTone, slow: Reduced) -> bool:
    """Return whether the fast tone has more power than the slow one, summed over normalised channels."""
    if not fast.cycles_per_sample:
        return False
    window = hann(slow.fit.n)
    turn = window * np.exp(-1j * slow.angle * np.arange(slow.fit.n))
    tops = np.array([2 * abs(y @ turn) / window.sum() for y in slow.channels])
    scale = np.maximum(np.maximum(tops, fast.amplitudes), 1e-300)
    return bool(np.sum((fast.amplitudes / scale) ** 2) > np.sum((tops / scale) ** 2))


def _fast(channels: Sequence[RawArray], fast: FastTone, harmonics: int | None, most: int) -> Reduced:
    """Average less or not at all, and mix down with the frequency found to get the small difference that remains."""
    guess = 2 * np.pi * _within_stretch(channels, fast)
    n = len(channels[0])
    decimation = max(1, int(_CYCLES_PER_POINT / fast.cycles_per_sample))
    raw = n // decimation > (_LONGEST if decimation > 1 else _COPIED)
    if raw:
        decimation, work = 1, list(channels)
        means: FloatArray = np.zeros(len(channels))
        # It only weights the channels; the noise comes from the residuals.
        energy = np.array([_stretch_energy(codes) for codes in channels]) * n
    else:
        short, means, energy = _averaged(channels, decimation)
        work = list(short)
    angle, points = guess * decimation, len(work[0])
    span = int(0.25 / (fast.resolution * decimation))
    root = 1 << max(3, round(np.log2(np.sqrt(points))))
    block = int(np.clip(span, 8, 4096 if raw else root))
    count = _harmonic_count(angle, points, harmonics, most)
    fit = JointFit(work, count, block=block, tolerance=1e-4 if raw else 3e-6, energy=energy)
    moments = fit.moments(angle)
    local = moments.zeroth[:, :, 1]
    if raw and not np.isfinite(local).all():
        refuse_non_finite(channels)
    if raw:  # the constant is not removed yet and would look like a tone in each block's phasor
        tau = np.arange(block) - (block - 1) / 2
        level = moments.zeroth[:, :, 0].real.sum(axis=1) / points
        local = local - level[:, None] * np.sum(np.exp(-1j * angle * tau))
    rows = local.shape[1]
    local = local * (np.exp(-1j * angle * moments.centres) * hann(rows))
    spectrum = np.fft.fft(local, next_fast_len(rows + rows // 2), axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    total = np.sum(power / np.maximum(power.sum(axis=1, keepdims=True), 1e-300), axis=0)
    size = len(total)
    line = interpolated_peak(np.roll(total, size // 2)) - size // 2
    angle += 2 * np.pi * line / (size * block)
    prominence = float(total.max()) / max(float(np.median(total)), 1e-300)
    return Reduced(work, means, decimation, raw, fit, angle, prominence, True)


def _within_stretch(channels: Sequence[RawArray], fast: FastTone) -> float:
    """Cycles per sample by a fit of the first stretch, to a small fraction of a spectral line."""
    part = slice(fast.start, fast.start + round(1 / fast.resolution))
    short, _, energy = _averaged([codes[part] for codes in channels], 1)
    block = 1 << max(3, round(np.log2(np.sqrt(len(short[0])))))
    fit = JointFit(short, 1, block=block, tolerance=1e-4, energy=energy)
    return fit.refine(2 * np.pi * fast.cycles_per_sample).angle / (2 * np.pi)


def _stretch_energy(codes: RawArray) -> float:
    some = codes[:: max(1, len(codes) // 4096)][:4096].astype(np.float64)
    return float(some @ some) / len(some)
