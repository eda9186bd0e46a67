"""Whether a column of sample times is a uniform time base, and its interval."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_DIGITS = re.compile(r"[+-]?(\d*)[.,]?(\d*)(?:[eE]([+-]?\d+))?")
# Times kept in single precision on the way are rounded to 2**-24 of their size; both ends of a step are.
_SINGLE_PRECISION = 2.0**-23


@dataclass(frozen=True, slots=True)
class TimeBase:
    """Result for the sample times."""

    interval_s: float  #: Mean interval when uniform, else the usual one.
    #: Whether all samples are where a constant interval puts them, within the rounding of the times.
    uniform: bool
    backward_at: int  #: First sample whose time is before that of the sample above it; -1 when there is none.


def last_digit_step(cells: Sequence[str]) -> float:
    """Return the largest step of the last digit written among cells with all their digits.

    Writers that drop trailing zeros make some cells look coarser than they are; those are left out.

    >>> last_digit_step(["0", "1e-06", "1.23456e-05", "0.0123456"])
    1e-07
    """
    steps: list[tuple[int, float]] = []
    for cell in cells:
        match = _DIGITS.fullmatch(cell)
        if match is None or not (match[1] or match[2]):
            continue
        significant = len((match[1] + match[2]).lstrip("0"))
        steps.append((significant, float(f"1e{int(match[3] or 0) - len(match[2])}")))
    if not steps:
        return 0.0
    most = max(n for n, _ in steps)
    return max(step for n, step in steps if n == most)


def time_base(time_s: npt.NDArray[np.float64], step_s: float, *, whole: bool = True) -> TimeBase:
    """Judge sample times.

    Parameters
    ----------
    time_s : array of shape (n_samples,), second
        At least two.
    step_s : float
        Step of the last digit the times were written with, second.
    whole : bool
        False when samples are known to be missing.
    """
    steps = np.diff(time_s)
    backward = np.flatnonzero(steps < 0)
    if backward.size:
        return TimeBase(float(np.median(np.abs(steps))), False, int(backward[0]) + 1)
    usual = float(np.median(steps))
    largest = float(np.abs(time_s).max())
    grain = 4 * np.finfo(np.float64).eps * largest
    same = np.abs(steps - usual) <= max(grain, 1e-9 * usual)
    if whole and same.all():
        return TimeBase(float((time_s[-1] - time_s[0]) / steps.size), True, -1)
    longer = int((steps >= 1.5 * usual).sum())
    if not whole or (usual > 0 and same.mean() >= 0.5 and 0 < longer <= 2):
        # Rounding makes many long steps, evenly spread; one or two are missing samples.
        return TimeBase(usual, False, -1)
    # Least squares, since both ends are rounded too: an end-to-end line can be off by a whole step.
    index = np.arange(time_s.size) - (time_s.size - 1) / 2
    mean = float(index @ (time_s - time_s[0]) / (index @ index))
    if not mean > 0:
        return TimeBase(mean, False, -1)
    off = time_s - time_s[0] - mean * index
    # Rounding moves each time by up to half a step either way; the line itself is off by a little more.
    rounding = (1.6 if time_s.size >= 20 else 2.0) * step_s
    band = max(rounding, min(_SINGLE_PRECISION * largest, 0.4 * mean), 1e-3 * mean)
    if float(off.max() - off.min()) <= band:
        return TimeBase(mean, True, -1)
    return TimeBase(usual if usual > 0 else mean, False, -1)
