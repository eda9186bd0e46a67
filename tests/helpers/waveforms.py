"""Ideal waveforms of unit peak, by name, for tests of averages and distortion."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def ideal_waveform(name: str, turns: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Values at `turns` cycles; names as in the table of waveform factors, its scaling left out.

    Raises
    ------
    KeyError
        If there is no such waveform.
    """
    place = np.mod(turns, 1)
    sine = np.sin(2 * np.pi * turns)
    if name.startswith("unipolar pulse duty "):
        return (place < float(name.split()[-1])).astype(float)
    return {
        "sine": sine,
        "square 50% bipolar": np.where(place < 0.5, 1.0, -1.0),
        "triangle": 2 / np.pi * np.arcsin(sine),
        "sawtooth": 2 * place - 1,
        "full-wave rectified sine": np.abs(sine),
        "half-wave rectified sine": np.maximum(sine, 0.0),
    }[name]
