"""Values of meters on a drifting node at one moment, from readings taken one after the other."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchlog.metrology.meter_reading import MeterReading


@dataclass(frozen=True, slots=True)
class NodeValues:
    """Values of the meters at one moment, by least squares over readings in order of time."""

    values: Mapping[str, float]  #: By tag, at the middle of the readings.
    scatter: float  #: Standard deviation of one reading about the line; 0 without spare readings.
    degrees_of_freedom: int  #: Of the scatter.
    #: Standard uncertainty of the difference of two meters' values, in units
    #: of the scatter.
    spread: Mapping[tuple[str, str], float]
    #: drift, u_drift: Of the node, with its standard uncertainty; None and infinite if it can't be separated from
    #: a difference.
    drift: float | None
    u_drift: float
    duration: float  #: From the first reading to the last.
    per_second: bool  #: Whether drift and duration are in seconds by the time stamps; else in readings.


def values_at_once(readings: Sequence[MeterReading]) -> NodeValues:
    """Least squares of y = meter's value + drift x time over the readings in order.

    The model includes drift only if some meter was read before and after another; otherwise drift and difference can't be
    separated.
    """
    tags = list(dict.fromkeys(m.reading.instrument for m in readings))
    who = np.array([tags.index(m.reading.instrument) for m in readings])
    y = np.array([m.value for m in readings])
    stamps = np.array([m.reading.utc_ns for m in readings], dtype=np.int64)
    per_second = bool((stamps > 0).all() and (np.diff(stamps) > 0).all())
    when = (stamps - stamps[0]) / 1e9 if per_second else np.arange(len(readings), dtype=np.float64)
    when = when - when.mean()
    bracketed = any(
        np.flatnonzero(who == i).min() < row < np.flatnonzero(who == i).max()
        for i in range(len(tags))
        for row in np.flatnonzero(who != i)
    )
    design = (who[:, np.newaxis] == np.arange(len(tags))).astype(np.float64)
    if bracketed:
        design = np.column_stack((design, when))
    solution, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
    residual = y - design @ solution
    df = len(readings) - int(rank)
    scatter = math.sqrt(float(residual @ residual) / df) if df > 0 else 0.0
    covariance = np.linalg.pinv(design.T @ design)
    spread = {
        (tags[i], tags[j]): math.sqrt(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j])
        for i, j in itertools.combinations(range(len(tags)), 2)
    }
    return NodeValues(
        values={tag: float(solution[i]) for i, tag in enumerate(tags)},
        scatter=scatter,
        degrees_of_freedom=df,
        spread=spread,
        drift=float(solution[-1]) if bracketed else None,
        u_drift=scatter * math.sqrt(covariance[-1, -1]) if bracketed else math.inf,
        duration=float(when[-1] - when[0]),
        per_second=per_second,
    )
