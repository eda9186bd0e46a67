"""Control charts: the EWMA, and a meter's chart on its check standard.

All deviations are in units of the standard deviation unless said otherwise. A chart shows that a meter has moved
against its own repeatability, long before it is out of specification; E_n says whether it may be used.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError
from benchlog.metrology.budget import coverage_factor

Floats = npt.NDArray[np.float64]

WARN_SIGMA = 2.0
ACT_SIGMA = 3.0
EWMA_LAMBDA = 0.3
EWMA_LIMIT = 2.7
BASELINE_READINGS = 5
BASELINE_MOST = 20
BASELINE_COUNTS = 0.6
"""Repeatability of a handheld in counts, before five readings show its own: common practice, no source."""
BASELINE_FIRMNESS = 3
"""Degrees of freedom given to that assumption: few, since meters differ and a noisy one would raise false alarms."""
_ACT_PROBABILITY = 0.9973  # within three standard deviations

_SETTLED = 5  # an earlier reading joins the base line after this many without an alarm


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


class ChartSignal(StrEnum):
    """What a point on the chart says."""

    QUIET = "quiet"
    WARN = "warn"
    ACT = "act"


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """One check-standard reading on the meter's own chart."""

    #: Reading minus centre, in standard deviations; widened while few readings are known, so that 3 is equally
    #: rare.
    deviation: float
    smoothed: float  #: EWMA of the deviations, in its own standard deviations.
    #: centre, sigma: Base line before this reading, in the unit of the readings.
    centre: float
    sigma: float
    signal: ChartSignal
    why: str = ""  #: Which rule raised it; empty when quiet.
    readings: int = 0  #: Readings in the base line before this one.


def repeatability_chart(
    values: Sequence[float] | Floats, resolution: float, *, restarts: Sequence[int] = ()
) -> list[ChartPoint]:
    """Chart a meter against its own repeatability.

    The centre is the mean of the first five readings, refined with later ones up to `BASELINE_MOST`, since with five alone
    false alarms are about twice as frequent. A reading joins once the next five raised no alarm; otherwise the base line
    would follow a shift from its first reading. The standard deviation starts as `BASELINE_COUNTS` counts and is pooled with
    that of the readings. A reading is compared with a mean of n: sigma sqrt(1 + 1/n). From the sixth reading on, deviations
    are scaled by Student t, since the standard deviation is known from few readings; 3 is then as rare as three standard
    deviations of a normal. Warn beyond 2, act beyond 3; from the sixth reading also act when the EWMA (weight 0.3) exceeds
    2.7 of its own standard deviations, sigma sqrt(0.3 / 1.7 + 1/n).

    Parameters
    ----------
    values : array of shape (n,)
        Readings of one standard on one function, in order.
    resolution : float
        One count, in the unit of the values.
    restarts : sequence of int
        Indices at which a new base line begins, e.g. after a new battery or an adjustment.

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
        own = _repeatability(base, centre, resolution)
        sigma = own * math.sqrt(1.0 + 1.0 / n)
        deviation, smoothed = (value - centre) / sigma, 0.0
        if n >= BASELINE_READINGS:
            after.append(value)
            width = own * math.sqrt(EWMA_LAMBDA / (2.0 - EWMA_LAMBDA) + 1.0 / n)
            smoothed = (float(ewma(after, centre)[-1]) - centre) / width
        signal, why = _signal(deviation, smoothed)
        points.append(ChartPoint(deviation, smoothed, centre, sigma, signal, why, n))
        if signal is ChartSignal.ACT and n >= BASELINE_READINGS:
            waiting = []
            continue
        waiting.append(value)
        if n < BASELINE_READINGS or (n < BASELINE_MOST and len(waiting) > _SETTLED):
            base.append(waiting.pop(0))
    return points


def _repeatability(base: Sequence[float], centre: float, resolution: float) -> float:
    """Unit of the deviations: assumed for the first readings, later from the readings by Student t."""
    n = len(base)
    seen = sum((b - centre) ** 2 for b in base)
    assumed = (BASELINE_COUNTS * resolution) ** 2
    if n < BASELINE_READINGS:
        return math.sqrt((BASELINE_READINGS * assumed + seen) / (BASELINE_READINGS + n - 1))
    freedom = BASELINE_FIRMNESS + n - 1
    pooled = math.sqrt((BASELINE_FIRMNESS * assumed + seen) / freedom)
    return pooled * coverage_factor(freedom, _ACT_PROBABILITY) / ACT_SIGMA


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
