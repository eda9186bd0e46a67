"""One instrument's log prepared for comparison; its clock may have been set meanwhile."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchlog.checks.settled import count_size
from benchlog.metrology.accuracy import Accuracy

FloatArray = npt.NDArray[np.float64]
_FEW_LEVELS = 4
_LEAST_COUNTS = 200.0  # a display on a suitable range shows at least this many (judgement)


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One instrument's log."""

    name: str
    #: time_s, values: Shape (n,). Second and `unit`; NaN where there was no number.
    time_s: FloatArray
    values: FloatArray
    unit: str = ""  #: Empty when unknown.
    accuracy: Accuracy | None = None  #: Its statement, when known.
    resolution: float = 0.0  #: One count; 0: taken from the values.

    def finite(self) -> Series:
        """The same without rows that have no number, in order of time."""
        keep = np.flatnonzero(np.isfinite(self.values) & np.isfinite(self.time_s))
        keep = keep[np.argsort(self.time_s[keep], kind="stable")]
        return Series(
            self.name, self.time_s[keep], self.values[keep], self.unit, self.accuracy, self.resolution
        )

    def with_one_clock(self) -> tuple[Series, str]:
        """Undo steps of the clock; returns the corrected log, and what was found or an empty text.

        Readings are in the order they were taken. If a time stamp lies before the previous one, it and all later ones are
        shifted to follow at the usual interval. Readings with the same stamp are spread over the time to the next one.
        """
        time_s = self.time_s.copy()
        known = np.flatnonzero(np.isfinite(time_s))
        steps = np.diff(time_s[known])
        forward = steps[steps > 0]
        usual = float(np.median(forward)) if forward.size else 1.0
        back = np.flatnonzero(steps < 0)
        for at in back:
            time_s[known[at + 1 :]] += usual - steps[at]
        doubled = int(np.count_nonzero(steps == 0))
        if doubled:
            time_s[known] = _spread(time_s[known], usual)
        found = []
        if back.size:
            times = "once" if back.size == 1 else f"{back.size} times"
            found.append(f"the clock of {self.name} was set back {times}, at most by {-steps.min():.3g} s")
        if doubled:
            found.append(f"{doubled} time stamps of {self.name} are repeated")
        return replace(self, time_s=time_s), "; ".join(found)

    def standard_uncertainty(self, value: float) -> float | None:
        """Standard uncertainty of a reading by the accuracy statement; None when there is none."""
        if self.accuracy is None:
            return None
        return self.accuracy.standard_uncertainty(value, self.resolution or self._count())

    def _count(self) -> float:
        """One count, from the values; with only a few levels a jump between two of them does not count as one."""
        count = count_size(self.values)
        if np.unique(self.values).size < _FEW_LEVELS:
            count = min(count, float(np.abs(self.values).max()) / _LEAST_COUNTS)
        return count


def _spread(time_s: FloatArray, usual: float) -> FloatArray:
    """Increasing times: readings with one stamp are spread over the time to the next, at most the usual interval."""
    stamps, first, count = np.unique(time_s, return_index=True, return_counts=True)
    room = np.minimum(np.diff(stamps, append=stamps[-1] + usual), usual)
    place = np.arange(time_s.size) - np.repeat(first, count)
    return np.asarray(time_s + place * np.repeat(room / count, count), dtype=np.float64)
