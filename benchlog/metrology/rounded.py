"""Type A evaluation of readings rounded by a display."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.errors import AnalysisError

__all__ = ["RoundedMean", "mean_of_rounded"]


@dataclass(frozen=True, slots=True)
class RoundedMean:
    """Mean of rounded readings.

    Attributes
    ----------
    mean : float
        Arithmetic mean.
    standard_uncertainty : float
        Of the mean, scatter and rounding together.
    degrees_of_freedom : float
        n - 1 for the scatter, infinite where rounding alone is left.
    n : int
        Readings used.
    """

    mean: float
    standard_uncertainty: float
    degrees_of_freedom: float
    n: int


def mean_of_rounded(values: Sequence[float], resolution: float) -> RoundedMean:
    """Mean and its standard uncertainty of repeated readings of one display.

    Repeated equal readings do not have zero spread: the display hides anything below one count. Where the
    scatter is less than about half a count, averaging does not remove the rounding, so the uniform part of
    one count stays whole (Willink 2007, Metrologia 44, 73-81 gives this as the careful bound; from memory);
    above that the rounding acts as noise and averages with it.

    Parameters
    ----------
    values : sequence of float, shape (n_readings,)
        At least one.
    resolution : float
        One count, same unit; 0 when not rounded.
    """
    data = np.asarray(values, dtype=float)
    if data.size == 0:
        raise AnalysisError("no readings to average")
    rounding = resolution / math.sqrt(12)
    mean = float(data.mean())
    if data.size == 1:
        return RoundedMean(mean, rounding, math.inf, 1)
    scatter = float(data.std(ddof=1))
    of_mean = scatter / math.sqrt(data.size)
    if scatter < resolution / 2:
        dominated_by_rounding = scatter == 0
        u = math.hypot(of_mean, rounding)
        return RoundedMean(
            mean, u, math.inf if dominated_by_rounding else _welch(u, of_mean, data.size - 1), data.size
        )
    # The observed scatter already holds the rounding noise, whose variance is that of one uniform count.
    return RoundedMean(mean, of_mean, data.size - 1, data.size)


def _welch(u_total: float, u_a: float, df_a: int) -> float:
    """Welch-Satterthwaite for one part with finite degrees of freedom (GUM G.4.1)."""
    return (u_total / u_a) ** 4 * df_a
