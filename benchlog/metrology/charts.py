"""Control charts: Shewhart, EWMA, CUSUM, their exact run lengths, and a meter's chart on its check standard.

All deviations are in units of the standard deviation unless said otherwise. A chart tells that a meter has moved
against its own repeatability, long before it leaves its specification; E_n tells whether it may be used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError

__all__ = [
    "ACT_SIGMA",
    "BASELINE_COUNTS",
    "BASELINE_MOST",
    "BASELINE_READINGS",
    "EWMA_LAMBDA",
    "EWMA_LIMIT",
    "WARN_SIGMA",
    "ChartPoint",
    "ChartSignal",
    "Cusum",
    "cusum",
    "ewma",
    "ewma_limits",
    "ewma_run_length",
    "individuals_limits",
    "repeatability_chart",
    "shewhart_run_length",
]

Floats = npt.NDArray[np.float64]

WARN_SIGMA = 2.0
ACT_SIGMA = 3.0
EWMA_LAMBDA = 0.3
EWMA_LIMIT = 2.7
BASELINE_READINGS = 5
BASELINE_MOST = 20
BASELINE_COUNTS = 0.6
"""Repeatability of a handheld in counts, before five readings tell its own: common practice, no source."""

_SETTLED = 5  # readings without action after which an earlier one joins the base line
_D2_OF_TWO = 2.0 / math.sqrt(math.pi)  # mean range of two standard normal values, 1.1284


def ewma(values: Sequence[float] | Floats, start: float, weight: float = EWMA_LAMBDA) -> Floats:
    """Exponentially weighted moving average, z_i = w x_i + (1 - w) z_(i-1) with z_0 = `start`.

    Parameters
    ----------
    values : array of shape (n,)
    start : float
        Target or mean of the base line, in the unit of the values.
    weight : float
        Of the newest value, in (0, 1].

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    if not 0 < weight <= 1:
        raise AnalysisError(f"weight {weight} is not in (0, 1]")
    found = np.empty(len(values))
    z = start
    for i, value in enumerate(values):
        z = weight * float(value) + (1.0 - weight) * z
        found[i] = z
    return found


def ewma_limits(
    start: float, sigma: float, weight: float = EWMA_LAMBDA, limit: float = 3.0
) -> tuple[float, float]:
    """Asymptotic limits of an EWMA chart, start ± limit·sigma·sqrt(weight / (2 - weight)).

    >>> low, high = ewma_limits(50.0, 2.0539, 0.3)
    >>> round(low, 4), round(high, 4)
    (47.4116, 52.5884)
    """
    width = limit * sigma * math.sqrt(weight / (2.0 - weight))
    return start - width, start + width


@dataclass(frozen=True, slots=True)
class Cusum:
    """Cumulative sums above and below the target, arrays of shape (n,), and where they pass the interval."""

    high: Floats
    low: Floats
    signals: npt.NDArray[np.bool_]


def cusum(values: Sequence[float] | Floats, target: float, slack: float, interval: float) -> Cusum:
    """Tabular cumulative sums, S_hi = max(0, S_hi + x - target - slack), and alike below.

    Parameters
    ----------
    values : array of shape (n,)
    target, slack, interval : float
        In the unit of the values; slack is half the shift to be seen, a signal is a sum above `interval`.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    high, low = np.empty(len(values)), np.empty(len(values))
    up = down = 0.0
    for i, value in enumerate(values):
        up = max(0.0, up + float(value) - target - slack)
        down = max(0.0, down + target - slack - float(value))
        high[i], low[i] = up, down
    return Cusum(high, low, (high > interval) | (low > interval))


def individuals_limits(values: Sequence[float] | Floats) -> tuple[float, float, float]:
    """Low limit, mean and high limit of an individuals chart, from the mean moving range of two.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: mean ± 3 MR / d2 with d2 = 1.128.
    """
    data = np.asarray(values, dtype=float)
    if data.size < 2:
        raise AnalysisError("an individuals chart needs two values or more")
    sigma = float(np.mean(np.abs(np.diff(data)))) / _D2_OF_TWO
    mean = float(data.mean())
    return mean - 3.0 * sigma, mean, mean + 3.0 * sigma


def _upper_tail(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def shewhart_run_length(shift: float, limit: float = ACT_SIGMA) -> float:
    """Average number of readings until one lies outside ± `limit`, after a shift of the mean.

    >>> round(shewhart_run_length(0.0), 1), round(shewhart_run_length(1.0), 1)
    (370.4, 43.9)
    """
    return 1.0 / (_upper_tail(limit - shift) + _upper_tail(limit + shift))


def ewma_run_length(
    shift: float, weight: float = EWMA_LAMBDA, limit: float = EWMA_LIMIT, states: int = 201
) -> float:
    """Average run length of an EWMA chart with constant limits, by a Markov chain.

    The region between the limits is cut into `states` cells; from each a normal value leads to the others, and the
    expected number of steps until the chain leaves solves a linear system.

    References
    ----------
    Brook, Evans, Biometrika 59 (1972), 539; Lucas, Saccucci, Technometrics 32 (1990), 1 (from memory).
    """
    if not 0 < weight <= 1 or states < 3:
        raise AnalysisError(f"weight {weight} or {states} states can't be used")
    edge = limit * math.sqrt(weight / (2.0 - weight))
    step = 2.0 * edge / states
    centres = -edge + step * (np.arange(states) + 0.5)
    # Value that leads from cell i just to the border of cell j: ((border - (1 - w) z_i) / w).
    borders = -edge + step * np.arange(states + 1)
    z = (borders[None, :] - (1.0 - weight) * centres[:, None]) / weight - shift
    below = 0.5 * np.vectorize(math.erfc)(-z / math.sqrt(2.0))
    steps = np.linalg.solve(np.eye(states) - np.diff(below, axis=1), np.ones(states))
    return float(steps[states // 2])


class ChartSignal(StrEnum):
    """What a point on the chart says."""

    QUIET = "quiet"
    WARN = "warn"
    ACT = "act"


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One check-standard reading on the meter's own chart.

    Attributes
    ----------
    deviation : float
        Reading minus centre, in standard deviations.
    smoothed : float
        EWMA of the deviations, in its own standard deviations.
    centre, sigma : float
        Base line before this reading, in the unit of the readings.
    signal : ChartSignal
    why : str
        Which rule spoke; empty when quiet.
    readings : int
        Readings in the base line before this one.
    """

    deviation: float
    smoothed: float
    centre: float
    sigma: float
    signal: ChartSignal
    why: str = ""
    readings: int = 0


def repeatability_chart(
    values: Sequence[float] | Floats, resolution: float, *, restarts: Sequence[int] = ()
) -> list[ChartPoint]:
    """Chart a meter against its own repeatability.

    The centre is the mean of the first five readings, refined up to `BASELINE_MOST`, since a base line of five makes
    false alarms about twice as frequent; a reading joins it when the next five have not acted, or a shift would be
    learnt as it begins. The standard deviation begins as `BASELINE_COUNTS` counts, as
    firm as five readings, and what the readings show is pooled with it. A reading stands against a mean of n:
    sigma sqrt(1 + 1/n). Warn beyond 2, act beyond 3 of these; from the sixth reading also act when the EWMA (0.3)
    leaves 2.7 of its own, sigma sqrt(0.3 / 1.7 + 1/n).

    Parameters
    ----------
    values : array of shape (n,)
        Readings of one standard on one function, in order.
    resolution : float
        One count, in the unit of the values.
    restarts : sequence of int
        Indices at which a new base line begins: the first reading after a new battery or an adjustment.

    Returns
    -------
    list of ChartPoint
        One for each reading; the first of a base line is quiet by definition.
    """
    if not resolution > 0:
        raise AnalysisError("a chart needs the meter's resolution", hint="give the value of one count")
    data = [float(v) for v in values]
    points: list[ChartPoint] = []
    base: list[float] = []
    after: list[float] = []
    waiting: list[float] = []
    for i, value in enumerate(data):
        if i in restarts:
            base, after, waiting = [], [], []
        if not base:
            base = [value]
            points.append(ChartPoint(0.0, 0.0, value, BASELINE_COUNTS * resolution, ChartSignal.QUIET))
            continue
        n, centre = len(base), sum(base) / len(base)
        squares = BASELINE_READINGS * (BASELINE_COUNTS * resolution) ** 2 + sum(
            (b - centre) ** 2 for b in base
        )
        own = math.sqrt(squares / (BASELINE_READINGS + n - 1))
        sigma = own * math.sqrt(1.0 + 1.0 / n)
        deviation, smoothed = (value - centre) / sigma, 0.0
        if n >= BASELINE_READINGS:
            after.append(value)
            width = own * math.sqrt(EWMA_LAMBDA / (2.0 - EWMA_LAMBDA) + 1.0 / n)
            smoothed = (float(ewma(after, centre)[-1]) - centre) / width
        signal, why = _signal(deviation, smoothed)
        points.append(ChartPoint(deviation, smoothed, centre, sigma, signal, why, n))
        if signal is ChartSignal.ACT:
            waiting = []
            continue
        waiting.append(value)
        if n < BASELINE_READINGS or (n < BASELINE_MOST and len(waiting) > _SETTLED):
            base.append(waiting.pop(0))
    return points


def _signal(deviation: float, smoothed: float) -> tuple[ChartSignal, str]:
    if abs(deviation) > ACT_SIGMA:
        return (
            ChartSignal.ACT,
            f"{abs(deviation):.1f} standard deviations from its own base line (alarm above 3)",
        )
    if abs(smoothed) > EWMA_LIMIT:
        return ChartSignal.ACT, "the smoothed chart (EWMA) has left its limits: a small lasting shift"
    if abs(deviation) > WARN_SIGMA:
        return (
            ChartSignal.WARN,
            f"{abs(deviation):.1f} standard deviations from its own base line (warning above 2)",
        )
    return ChartSignal.QUIET, ""
