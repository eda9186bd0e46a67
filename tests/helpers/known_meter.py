"""A meter whose errors are known: drawn once from its accuracy statement, shared by all of its readings."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from enum import StrEnum

from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function, Reading
from benchlog.units import format_quantity


class ErrorStyle(StrEnum):
    """How a meter uses up what its statement allows; no data sheet says which."""

    BOUND = "bound"  # one fraction of the whole bound, at every value
    PARTS = "parts"  # a gain error and a zero error apart


@dataclass
class KnownMeter:
    """A meter with drawn errors.

    `accuracy` is the statement, `resolution` one count, `u_counts` the scatter of a reading in counts before it is
    rounded. Every range (told by its resolution) and function has errors of its own. `beyond` is how far the errors go
    beyond the statement. A meter that `drifts` is elsewhere in its statement a year later, in a straight line; `years` is
    how old it is.
    """

    tag: str
    accuracy: Accuracy
    resolution: float
    style: ErrorStyle
    rng: random.Random
    u_counts: float = 0.0
    beyond: float = 1.0
    drifts: bool = False
    years: float = 0.0
    _errors: dict[tuple[Function, float], tuple[tuple[float, float], ...]] = field(default_factory=dict)

    def read(self, function: Function, true: float, resolution: float | None = None) -> MeterReading:
        """What the meter shows of a true value, with its statement."""
        step = self.resolution if resolution is None else resolution
        first, last = self._errors.setdefault((function, step), self._draw())
        gain, zero = (self.beyond * (a + (b - a) * self.years) for a, b in zip(first, last, strict=True))
        # The digits of a statement contain the rounding of the display, half a count.
        counts = max(self.accuracy.counts - 0.5, 0.0)
        error = gain * self.accuracy.fraction * abs(true) + zero * counts * step
        value = step * round((true + error) / step + self.rng.gauss(0.0, self.u_counts))
        shown = Reading(function, value, step, format_quantity(value, function.unit), instrument=self.tag)
        return MeterReading(shown, self.accuracy)

    def _draw(self) -> tuple[tuple[float, float], ...]:
        first = self._one()
        return first, self._one() if self.drifts else first

    def _one(self) -> tuple[float, float]:
        gain = self.rng.uniform(-1, 1)
        return gain, gain if self.style is ErrorStyle.BOUND else self.rng.uniform(-1, 1)
