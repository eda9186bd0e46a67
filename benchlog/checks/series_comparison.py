"""Statistics of two series of readings taken at the same times: bias, spread, limits of agreement, drift."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.checks.settled import Step, settled_steps
from benchlog.errors import AnalysisError
from benchlog.metrology.statistics import (
    Line,
    Summary,
    effective_number,
    lag1_autocorrelation,
    least_squares_line,
    summarize,
)

FloatArray = npt.NDArray[np.float64]
LEAST_READINGS = 3
_MOST = 2000  # of more readings only every second, third... is used, which limits time and memory


@dataclass(frozen=True, slots=True)
class Agreement:
    """How two instruments agree; differences are first minus second."""

    difference: Summary  #: Mean (the bias), spread, autocorrelation and so on of the differences.
    #: limits_low, limits_high, u_limits: Limits of agreement, mean plus-minus 1.96 sd, and their standard
    #: uncertainty (Bland and Altman 1999, Stat. Methods Med. Res. 8, 135-160; from memory).
    limits_low: float
    limits_high: float
    u_limits: float
    regression: Line  #: first = intercept + slope second.
    #: Of the difference against time, per second; its uncertainties include autocorrelation.
    drift: Line
    u_drift: float
    robust_drift: float  #: Theil-Sen slope of the same, per second.
    largest: float  #: Largest absolute difference.
    steps: tuple[Step, ...]  #: Steady stretches, with the difference at the end of each.

    @property
    def drifts(self) -> bool:
        """Whether the drift is more than twice its standard uncertainty, by either slope."""
        return abs(self.drift.slope) > 2 * self.u_drift and abs(self.robust_drift) > 2 * self.u_drift


def compare_series(time_s: FloatArray, first: FloatArray, second: FloatArray) -> Agreement:
    """Compare readings taken at the same moments.

    Parameters
    ----------
    time_s, first, second : array of shape (n,)
        Finite, in order of time, at least three.

    Raises
    ------
    AnalysisError
        If the lengths differ, or fewer than three readings are given.
    """
    if not time_s.size == first.size == second.size:
        raise AnalysisError(f"{first.size} and {second.size} readings can't be paired")
    if time_s.size < LEAST_READINGS:
        raise AnalysisError(
            f"{time_s.size} common readings are too few", hint=f"at least {LEAST_READINGS} are needed"
        )
    off = first - second
    summary = summarize(off)
    drift = least_squares_line(time_s, off)
    residual = off - drift.intercept - drift.slope * time_s
    memory = off.size / effective_number(off.size, lag1_autocorrelation(residual))
    n = summary.n_effective
    return Agreement(
        difference=summary,
        limits_low=summary.mean - 1.96 * summary.sd,
        limits_high=summary.mean + 1.96 * summary.sd,
        u_limits=summary.sd * math.sqrt(1 / n + 1.96**2 / (2 * max(n - 1, 1.0))),
        regression=_regression(second, first),
        drift=drift,
        u_drift=drift.u_slope * math.sqrt(memory),
        robust_drift=_median_slope(time_s, off),
        largest=float(np.abs(off).max()),
        steps=settled_steps(time_s, first, second),
    )


def _median_slope(x: FloatArray, y: FloatArray) -> float:
    """Median of the slopes between all pairs of points: outliers up to 29 % do not move it."""
    from scipy.stats import theilslopes

    step = -(-x.size // _MOST)
    return float(theilslopes(y[::step], x[::step])[0])


def _regression(x: FloatArray, y: FloatArray) -> Line:
    """Fit y on x; a constant x has no slope."""
    if np.ptp(x) == 0:
        return Line(math.nan, math.nan, math.nan, math.nan, 0.0)
    return least_squares_line(x, y)
