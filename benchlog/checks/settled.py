"""Steady stretches in a log of two instruments, and their difference at the end of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.metrology.statistics import robust_sd

FloatArray = npt.NDArray[np.float64]
DEFAULT_READINGS = 30
_ONE_LEVEL = 10.0  # stretches closer than ten times the spread allowed at rest count as one level; judgement


@dataclass(frozen=True, slots=True)
class Step:
    """The end of one steady stretch."""

    #: first, last: Rows of the readings used, `last` included.
    first: int
    last: int
    #: start_s, end_s: Their times, second.
    start_s: float
    end_s: float
    #: first_value, second_value: Mean of each instrument.
    first_value: float
    second_value: float
    difference: float  #: Mean of first minus second.
    median_difference: float  #: Its median.


def count_size(values: FloatArray) -> float:
    """Return one count of the display: the usual smallest step between its values; 0 if there is none."""
    levels = np.unique(values)
    if levels.size < 2:
        return 0.0
    apart = np.diff(levels)
    # Binary rounding of decimal values gives tiny differences that are not counts.
    apart = apart[apart > 1e-9 * np.abs(levels).max()]
    return float(np.quantile(apart, 0.05)) if apart.size else 0.0


def _calm(values: FloatArray) -> float:
    """Return the largest spread of readings at rest: four counts, or six times the noise from row to row."""
    noise = robust_sd(np.diff(values, 2)) / np.sqrt(6) if values.size > 4 else 0.0
    return max(4.0 * count_size(values), 6.0 * noise)


def settled_steps(
    time_s: FloatArray, first: FloatArray, second: FloatArray, readings: int = DEFAULT_READINGS
) -> tuple[Step, ...]:
    """Find where both instruments are at rest, and their difference over the last readings there.

    At rest means: over `readings` rows neither spreads by more than four of its counts, or six times its
    noise from row to row (judgement, no source). There a lag between the two does not matter.

    Parameters
    ----------
    time_s, first, second : array of shape (n_rows,)
        Finite, in order of time.
    readings : int, default 30
        Rows that must be at rest and are averaged; fewer in logs shorter than twice that.
    """
    n = time_s.size
    width = min(readings, max(5, n // 2))
    if n < width:
        return ()
    steady = np.ones(n - width + 1, dtype=bool)
    limits = []
    for values in (first, second):
        windows = np.lib.stride_tricks.sliding_window_view(values, width)
        limit = _calm(values)
        limits.append(limit)
        steady &= windows.max(axis=1) - windows.min(axis=1) <= limit * (1 + 1e-9)
    steps: list[Step] = []
    begins = np.flatnonzero(np.diff(np.concatenate(([0], steady.view(np.int8), [0]))) == 1)
    ends = np.flatnonzero(np.diff(np.concatenate(([0], steady.view(np.int8), [0]))) == -1) - 1
    for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
        last = _before_leaving(first, second, begin, end + width - 1, limits)
        start = max(begin, last - width + 1)
        used = slice(start, last + 1)
        off = first[used] - second[used]
        step = Step(
            first=start,
            last=last,
            start_s=float(time_s[start]),
            end_s=float(time_s[last]),
            first_value=float(first[used].mean()),
            second_value=float(second[used].mean()),
            difference=float(off.mean()),
            median_difference=float(np.median(off)),
        )
        if steps and _same_level(steps[-1], step, limits):
            steps.pop()  # still settling to the same level: only its end counts
        steps.append(step)
    return tuple(steps)


def _same_level(before: Step, after: Step, limits: list[float]) -> bool:
    moved = (after.first_value - before.first_value, after.second_value - before.second_value)
    return all(abs(m) <= _ONE_LEVEL * limit for m, limit in zip(moved, limits, strict=True))


def _before_leaving(first: FloatArray, second: FloatArray, begin: int, last: int, limits: list[float]) -> int:
    """Leave out readings at the end that already move to the next level."""
    end = last
    for values, limit in zip((first, second), limits, strict=True):
        rest = float(np.median(values[max(begin, last - 2 * DEFAULT_READINGS) : last + 1]))
        row = last
        while row > begin + 4 and abs(values[row] - rest) > limit / 4 * (1 + 1e-9):
            row -= 1
        end = min(end, row)
    return end
