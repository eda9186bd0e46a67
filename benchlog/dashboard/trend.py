"""Whether a display rises or falls, or only wanders."""

from __future__ import annotations

import math
from collections.abc import Sequence

LEAST_S = 45.0
_LEAST_VALUES = 20
_LEAST_COUNTS = 3.0  # flicker between neighbouring counts is not a trend, however regular
_PROBABILITY = 0.999  # tested every second, so stricter than a single test


def trend(values: Sequence[tuple[int, float]], count: float) -> float | None:
    """Slope of a series if significant, else 0; None with too few readings.

    The least-squares slope is significant when it is larger than its standard uncertainty times Student's t at
    99.9 % and the line changes by more than three counts. The uncertainty allows for autocorrelation: it uses the
    effective number of residuals, with the lag-1 coefficient corrected for the length of the series. A wandering source
    has few independent readings in three minutes, so it shows no trend.

    Parameters
    ----------
    values : sequence of (int, float)
        Times, nanosecond, and values.
    count : float
        One count of the display, in the unit of the values.

    Returns
    -------
    float or None
        Per second.

    References
    ----------
    Santer et al. 2000, J. Geophys. Res. 105, 7337-7356: a trend's uncertainty with the effective number (from memory).
    Bias of the lag-1 coefficient, (1 + 4 r)/n: Kendall 1954, Biometrika 41, 403-404 (from memory).
    """
    if len(values) < _LEAST_VALUES or values[-1][0] - values[0][0] < LEAST_S * 1e9:
        return None
    import numpy as np

    from benchlog.metrology.statistics import effective_number, lag1_autocorrelation, least_squares_line

    start_ns = values[0][0]
    t = np.array([(at - start_ns) / 1e9 for at, _ in values])
    y = np.array([value for _, value in values])
    line = least_squares_line(t, y)
    if abs(line.slope) * t[-1] <= _LEAST_COUNTS * count:
        return 0.0
    residuals = y - line.intercept - line.slope * t
    memory = lag1_autocorrelation(residuals)
    n = effective_number(t.size, min(1.0, memory + (1 + 4 * memory) / t.size))
    if n <= 3:
        return 0.0
    variance = max(float(residuals @ residuals) / (n - 2), count**2 / 12)
    u_slope = math.sqrt(variance / float(((t - t.mean()) ** 2).sum()))
    if abs(line.slope) < 3 * u_slope:
        return 0.0
    from scipy.special import stdtrit

    return line.slope if abs(line.slope) > stdtrit(n - 2, (1 + _PROBABILITY) / 2) * u_slope else 0.0
