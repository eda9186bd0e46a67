"""Detector values from the phasors between two nodes."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

MEAN_TO_RMS_OF_SINE = math.pi / (2 * math.sqrt(2))
"""Form factor of a sine, 1.1107: an average-responding meter multiplies by it."""


def rms(spectrum: Mapping[float, complex]) -> float:
    """Root mean square of a sum of phasors, DC part included."""
    return math.sqrt(sum(abs(x) ** 2 * (0.5 if f else 1.0) for f, x in spectrum.items()))


def ac_only(spectrum: Mapping[float, complex]) -> dict[float, complex]:
    """Remove the DC part, as a coupling capacitor does."""
    return {f: x for f, x in spectrum.items() if f}


def low_pass(spectrum: Mapping[float, complex], corner_hz: float) -> dict[float, complex]:
    """First-order low-pass with its -3 dB point at `corner_hz`."""
    return {f: x / (1 + 1j * f / corner_hz) for f, x in spectrum.items()}


def waveform(spectrum: Mapping[float, complex], times_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Value at each time.

    Parameters
    ----------
    spectrum : mapping of hertz to complex
        Peak phasors.
    times_s : array of shape (n_samples,), second
    """
    total = np.zeros_like(times_s)
    for frequency, x in spectrum.items():
        if frequency:
            total += abs(x) * np.cos(2 * np.pi * frequency * times_s + np.angle(x))
        else:
            total += x.real
    return total


def average_responding(spectrum: Mapping[float, complex]) -> float:
    """Rectified mean of the AC part, scaled so that a sine shows its rms value."""
    parts = {f: x for f, x in spectrum.items() if f and x != 0}
    if not parts:
        return 0.0
    if len(parts) == 1:
        return rms(parts)
    base = min(parts)
    harmonic = all(abs(f / base - round(f / base)) < 1e-6 for f in parts)
    # One period for a harmonic series; else enough periods to average out beats.
    periods = 1 if harmonic else 61.803
    times = (np.arange(4096) + 0.5) / 4096 * periods / base
    return float(np.mean(np.abs(waveform(parts, times)))) * MEAN_TO_RMS_OF_SINE
