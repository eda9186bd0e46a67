"""Error of an amplitude by the converter's steps if no noise smooths them.

A sine of amplitude A, read in steps q without noise, has an error of its fundamental that is a sum of terms. The first is
q/pi J1(2 pi A/q) 2, about 0.2 (q/A)^1.5 of the amplitude. It changes sign with small changes of A, and averaging does not
remove it. Noise of standard deviation s multiplies it by exp(-2 pi^2 s^2/q^2).

References
----------
B. Widrow, I. Kollar: Quantization Noise, Cambridge 2008, ch. 8 on sinusoidal input (from memory); the size is
checked in the tests against quantised sines.
"""

from __future__ import annotations

import numpy as np

from benchlog.signal.samples import FloatArray, RawArray, stretch_starts

_FEWEST_LEVELS = 5
_MOST_PLACES = 512  # beyond this, repetition adds less than the leading term
_LEADING_TERM = 2 / np.pi**2  # of |2 J1(x)/x| times pi, x = 2 pi A/q large: 0.2026 (q/A)^1.5


def code_step(codes: RawArray) -> float:
    """Smallest step between the values of a record, zero if they look continuous.

    Integers may use only every 256th code (8 bits stored in 16); decimal values may have steps too.
    """
    length = min(256, len(codes))
    some = np.concatenate([codes[s : s + length] for s in stretch_starts(len(codes), length, 4)])
    gaps = np.diff(np.sort(some))
    gaps = gaps[gaps > 0]
    whole = codes.dtype.kind in "iu"
    if len(gaps) + 1 < _FEWEST_LEVELS:  # a rectangular wave, or no signal: its levels don't show the steps
        return 1.0 if whole else 0.0
    if whole:
        return float(np.gcd.reduce(gaps.astype(np.int64)))
    if len(gaps) >= len(some) // 2:
        return 0.0
    step = float(gaps.min())
    multiples = gaps / step
    return (
        step if np.all(np.abs(multiples - np.round(multiples)) < 0.01 * np.maximum(multiples, 1.0)) else 0.0
    )


def phase_places(cycles_per_sample: float, n: int) -> int:
    """Number of different phases of the cycle that are sampled; `n` unless sampling is locked to the tone.

    Sampling locked to the tone uses the same few steps of the converter over and over.
    """
    period = np.arange(1, min(n // 4, _MOST_PLACES) + 1)
    turns = period * cycles_per_sample
    # Over the whole record each phase drifts by this fraction of the distance to the next.
    drift = np.abs(turns - np.round(turns)) * n
    in_step = period[drift < 0.5]
    return int(in_step[0]) if len(in_step) else n


def quantisation_floor(
    amplitude: FloatArray, step: FloatArray, noise_rms: FloatArray, places: int
) -> tuple[FloatArray, FloatArray]:
    """Standard uncertainty of each log amplitude and phase (radian) from the converter's steps.

    Parameters
    ----------
    amplitude, step, noise_rms : arrays of shape (n_channels,)
        In one unit; `noise_rms` is that of the residual, which includes the steps' own q^2/12.
    places : int
        Different phases of the cycle that are sampled.

    Returns
    -------
    log_amplitude, phase : arrays of shape (n_channels,)
        For the log ratio of two channels of 100 steps each 3e-4; negligible from half a step of noise up.
    """
    log_amplitude, phase = np.zeros(len(amplitude)), np.zeros(len(amplitude))
    stepped = (step > 0) & (amplitude > 0)
    relative = np.minimum(step[stepped] / amplitude[stepped], 1.0)
    dither = np.maximum((noise_rms[stepped] / step[stepped]) ** 2 - 1 / 12, 0.0)
    smoothing = np.exp(-2 * np.pi**2 * dither)
    repeated = relative * np.sqrt(2 / 12 / places) if places <= _MOST_PLACES else 0.0 * relative
    log_amplitude[stepped] = np.hypot(_LEADING_TERM * relative**1.5, repeated) * smoothing
    phase[stepped] = repeated * smoothing
    return log_amplitude, phase
