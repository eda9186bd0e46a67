"""Statistics of a series of readings: mean, spread, autocorrelation, trend."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Summary:
    """Summary of a series."""

    n: int  #: Readings.
    #: mean, sd, median, minimum, maximum: In the unit of the readings; `sd` with n - 1.
    mean: float
    sd: float
    median: float
    minimum: float
    maximum: float
    lag1: float  #: Lag-1 autocorrelation coefficient.
    n_effective: float  #: Number of independent readings that would give the mean equally well.
    u_mean: float  #: Standard uncertainty of the mean, with that number.


@dataclass(frozen=True, slots=True)
class Line:
    """Least-squares straight line y = intercept + slope x."""

    slope: float
    intercept: float
    #: u_slope, u_intercept: Standard uncertainties for independent residuals; 0 with two points.
    u_slope: float
    u_intercept: float
    correlation: float  #: Pearson's r; 0 where y does not vary.


def _series(values: npt.ArrayLike, least: int) -> FloatArray:
    data = np.asarray(values, dtype=np.float64).ravel()
    if data.size < least:
        raise AnalysisError(
            f"{data.size} readings are too few, {least} are needed", hint="take more readings"
        )
    if not np.isfinite(data).all():
        raise AnalysisError("readings without a number among the data", hint="leave out overloads and gaps")
    return data


def mean_and_sd(values: npt.ArrayLike) -> tuple[float, float]:
    """Mean and standard deviation (n - 1) of at least two finite numbers."""
    data = _series(values, 2)
    return float(data.mean()), float(data.std(ddof=1))


def lag1_autocorrelation(values: npt.ArrayLike) -> float:
    """Lag-1 autocorrelation: products of neighbouring deviations over the sum of squares.

    Definition of the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.12. 0 for a constant series.
    """
    data = _series(values, 2)
    off = data - mean_and_sd(data)[0]
    total = float(off @ off)
    return float(off[:-1] @ off[1:]) / total if total > 0 else 0.0


def effective_number(n: int, lag1: float) -> float:
    """Number of independent readings equivalent to `n` readings of a first-order autoregressive process.

    n (1 - r) / (1 + r), at least 1; at most n, also for readings that alternate (r < 0).
    Bayley and Hammersley 1946, J. R. Statist. Soc. Suppl. 8, 184-197 (from memory).
    """
    r = min(max(lag1, 0.0), 1.0)
    return min(float(n), max(1.0, n * (1 - r) / (1 + r)))


def summarize(values: npt.ArrayLike) -> Summary:
    """Summarize a series of at least two finite numbers."""
    data = _series(values, 2)
    mean, sd = mean_and_sd(data)
    lag1 = lag1_autocorrelation(data)
    n_effective = effective_number(data.size, lag1)
    return Summary(
        n=data.size,
        mean=mean,
        sd=sd,
        median=float(np.median(data)),
        minimum=float(data.min()),
        maximum=float(data.max()),
        lag1=lag1,
        n_effective=n_effective,
        u_mean=sd / math.sqrt(n_effective),
    )


def robust_sd(values: npt.ArrayLike) -> float:
    """Standard deviation from the median absolute deviation, times 1.4826 (its value for a normal)."""
    data = _series(values, 1)
    return 1.482602218505602 * float(np.median(np.abs(data - np.median(data))))


def least_squares_line(x: npt.ArrayLike, y: npt.ArrayLike) -> Line:
    """Fit y = intercept + slope x by least squares.

    Raises
    ------
    AnalysisError
        If there are fewer than two points, or all x are equal.
    """
    xs, ys = _series(x, 2), _series(y, 2)
    if xs.size != ys.size:
        raise AnalysisError(f"{xs.size} and {ys.size} values can't be paired")
    mean_x, mean_y = mean_and_sd(xs)[0], mean_and_sd(ys)[0]
    dx, dy = xs - mean_x, ys - mean_y
    sxx, sxy, syy = float(dx @ dx), float(dx @ dy), float(dy @ dy)
    if not sxx > 0:
        raise AnalysisError("all values on the horizontal axis are equal: no line fits")
    slope = sxy / sxx
    residual = dy - slope * dx
    sd = math.sqrt(float(residual @ residual) / (xs.size - 2)) if xs.size > 2 else 0.0
    u_slope = sd / math.sqrt(sxx)
    return Line(
        slope=slope,
        intercept=mean_y - slope * mean_x,
        u_slope=u_slope,
        u_intercept=math.hypot(sd / math.sqrt(xs.size), u_slope * mean_x),
        correlation=sxy / math.sqrt(sxx * syy) if syy > 0 else 0.0,
    )
