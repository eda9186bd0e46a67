"""Averages of a waveform over whole cycles, with their uncertainty by noise, sampling grid and changes between cycles."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchlog.signal.samples import CHUNK, FloatArray, RawArray

_STARTS = 16  # start points within one cycle; the mean over them tapers the ends
_GROUPS = 8  # parts of a long record that show changes from cycle to cycle

Integrand = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class CycleAverage:
    """Mean of an integrand over whole cycles."""

    value: float
    #: Standard uncertainty from samples falling beside steps and beside the ends of the cycles.
    u_grid: float
    #: u_repeat, groups: Standard uncertainty of the mean from the scatter of groups of cycles, and their
    #: number; zero and zero for short records.
    u_repeat: float
    groups: int


class CycleWindows:
    """Whole cycles of a record.

    Parameters
    ----------
    codes : array of shape (n_samples,)
    period : float
        Samples a cycle; zero takes the whole record.
    scale, offset : float
        Value = code * scale + offset.
    """

    def __init__(self, codes: RawArray, period: float, scale: float, offset: float) -> None:
        self._codes, self._scale, self._offset = codes, scale, offset
        self.n = len(codes)
        self.period = period
        # A cycle short by a thousandth counts as whole: frequency is not known better.
        self.cycles = math.floor(self.n / period + 1e-3) if period else 0
        if self.cycles == 0:
            self.length, starts = float(self.n), [0.0]
        elif self.cycles < 3:
            self.length = min(self.cycles * period, float(self.n))
            starts = list(np.linspace(0, self.n - self.length, 5 if self.n - self.length > 1 else 1))
        else:
            self.length = (self.cycles - 1) * period
            first = (self.n - self.length - period) / 2
            starts = [max(0.0, first) + period * k / _STARTS for k in range(_STARTS)]
        self.starts = starts

    def values(self, first: int, last: int) -> FloatArray:
        """Samples in the channel's unit."""
        part = np.asarray(self._codes[first:last], np.float64)
        return part * self._scale + self._offset

    def average(self, integrand: Integrand) -> CycleAverage:
        """Average an integrand of the samples over the whole cycles."""
        sums = self._sums_at(integrand, [e for s in self.starts for e in (s, s + self.length)])
        means = np.diff(sums.reshape(-1, 2), axis=1)[:, 0] / self.length
        spread = float(means.std()) / math.sqrt(len(means))
        steps, smooth = self._grid(integrand)
        # Steps may lie at the same place between samples in every cycle, so averaging over cycles does not help.
        u_grid = math.hypot(spread, steps * math.sqrt(max(self.cycles, 1)), smooth)
        u_repeat, groups = 0.0, 0
        if self.cycles >= 2 * _GROUPS:
            size = self.cycles // _GROUPS * self.period
            parts = np.diff(self._sums_at(integrand, [k * size for k in range(_GROUPS + 1)])) / size
            u_repeat, groups = float(parts.std(ddof=1)) / math.sqrt(_GROUPS), _GROUPS
        return CycleAverage(float(means.mean()), u_grid, u_repeat, groups)

    def _grid(self, integrand: Integrand) -> tuple[float, float]:
        """Uncertainty from not knowing where between two samples the waveform steps, and from the rest.

        The part of each difference that its neighbours don't predict is taken as a step at an unknown place, uniform over
        one sample interval. A few large ones are real steps.
        """
        steps = rest = 0.0
        for first in range(0, self.n, CHUNK):
            values = integrand(self.values(first, min(first + CHUNK + 3, self.n)))
            unforeseen = np.abs(np.diff(values, 3)) / 2
            if not len(unforeseen):
                continue
            large = unforeseen > 8 * float(np.median(unforeseen))
            steps += float(np.sum(unforeseen[large] ** 2)) / 12
            rest += float(np.sum(unforeseen[~large] ** 2)) / 12
        return math.sqrt(steps) / self.n, math.sqrt(rest) / self.n

    def _sums_at(self, integrand: Integrand, places: list[float]) -> FloatArray:
        """Running sum of the integrand up to each position, interpolated within a sample."""
        places_in_order = np.clip(np.array(places), 0, self.n)
        out = np.empty(len(places))
        whole = np.minimum(places_in_order.astype(np.int64), self.n - 1)
        running = 0.0
        for first in range(0, self.n, CHUNK):
            last = min(first + CHUNK, self.n)
            values = integrand(self.values(first, last))
            here = np.flatnonzero((whole >= first) & (whole < last))
            if len(here):
                sums = np.concatenate([[0.0], np.cumsum(values)])
                at = whole[here] - first
                out[here] = running + sums[at] + (places_in_order[here] - whole[here]) * values[at]
            running += float(values.sum())
        return out
