"""What an average-responding meter shows on a waveform, against true rms."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError

__all__ = ["Waveform", "waveform_of"]

#: Mean of a rectified sine over its rms; meters that respond to the average are scaled by its inverse.
_SINE = 2 * math.sqrt(2) / math.pi
#: An 8-bit scope's form factor on a full-height trace is good to about this (half-width; judgement).
_SCOPE_SHAPE = 0.01


@dataclass(frozen=True, slots=True)
class Waveform:
    """Shape of an alternating quantity, its mean taken off as an AC-coupled meter does.

    Attributes
    ----------
    form_factor : float
        rms over rectified mean; 1.1107 for a sine.
    average_over_rms : float
        Shown by an average-responding meter over true rms; 1 for a sine.
    u_average_over_rms : float
        Its standard uncertainty.
    cycles : int
        Whole cycles used.
    """

    form_factor: float
    average_over_rms: float
    u_average_over_rms: float
    cycles: int


def waveform_of(values: npt.NDArray[np.float64]) -> Waveform:
    """Measure the form factor over whole cycles.

    Parameters
    ----------
    values : array of shape (n_samples,)
        Evenly sampled.

    Raises
    ------
    AnalysisError
        If no whole cycle is there.
    """
    off = values - values.mean()
    height = float(np.abs(off).max())
    if not height > 0:
        raise AnalysisError(
            "the waveform does not alternate", hint="capture the node itself, over some cycles"
        )
    # Hysteresis keeps noise at the crossings from counting as cycles.
    armed, starts = False, []
    below, above = off < -0.1 * height, off > 0.1 * height
    for row in np.flatnonzero(below | above).tolist():
        if below[row]:
            armed = True
        elif armed:
            starts.append(row)
            armed = False
    if len(starts) < 2:
        raise AnalysisError(
            "the capture holds no whole cycle of the waveform", hint="capture at least two cycles"
        )
    each = [_average_over_rms(off[a:b]) for a, b in itertools.pairwise(starts)]
    whole = off[starts[0] : starts[-1]]
    ratio = _average_over_rms(whole)
    scatter = float(np.std(each, ddof=1)) / math.sqrt(len(each)) if len(each) > 1 else 0.0
    u = math.hypot(scatter, _SCOPE_SHAPE * ratio / math.sqrt(3))
    return Waveform(1 / (ratio * _SINE), ratio, u, len(each))


def _average_over_rms(cycle: npt.NDArray[np.float64]) -> float:
    off = cycle - cycle.mean()
    return float(np.abs(off).mean() / np.sqrt((off**2).mean()) / _SINE)
