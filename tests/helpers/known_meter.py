"""A meter whose errors are known: drawn once from its accuracy statement, shared by all of its readings."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeAlias

from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.known_error import DAY_TO_DAY
from benchlog.metrology.meter_reading import MeterReading
from benchlog.number_format import format_quantity
from benchlog.reading import Function, Reading

_Parts: TypeAlias = tuple[float, float]  # errors of gain and of zero


class ErrorStyle(StrEnum):
    """How a meter uses up what its statement allows; no data sheet says which."""

    BOUND = "bound"  # one fraction of the whole bound, at every value
    PARTS = "parts"  # a gain error and a zero error apart


class Drift(StrEnum):
    """How a meter's errors move with time."""

    NONE = "no drift"
    ASSUMED = "drift as assumed"  # by `benchlog.metrology.known_error`: of the whole bound, a random walk, and from day to day
    STRAIGHT = "straight drift"  # within a year, to anywhere else in its statement


@dataclass
class KnownMeter:
    """A meter with drawn errors.

    `accuracy` is the statement, `resolution` one count, `u_counts` the scatter of a reading in counts before it is
    rounded. Every range (known by its resolution) and function has errors of its own. `beyond` is how far the errors go
    beyond the statement. The errors are first those of today; `go_back` takes the meter to an earlier day.
    """

    tag: str
    accuracy: Accuracy
    resolution: float
    style: ErrorStyle
    rng: random.Random
    u_counts: float = 0.0
    beyond: float = 1.0
    drift: Drift = Drift.NONE
    years_ago: float = 0.0
    _errors: dict[tuple[Function, float], _Errors] = field(default_factory=dict)

    def read(self, function: Function, true: float, resolution: float | None = None) -> MeterReading:
        """What the meter shows of a true value, with its statement."""
        step = self.resolution if resolution is None else resolution
        if (function, step) not in self._errors:
            self._errors[function, step] = self._drawn()
        gain, zero = (self.beyond * part for part in self._errors[function, step].today)
        # The digits of a statement contain the rounding of the display, half a count.
        counts = max(self.accuracy.counts - 0.5, 0.0)
        error = gain * self.accuracy.fraction * abs(true) + zero * counts * step
        value = step * round((true + error) / step + self.rng.gauss(0.0, self.u_counts))
        shown = Reading(function, value, step, format_quantity(value, function.unit), instrument=self.tag)
        return MeterReading(shown, self.accuracy)

    def go_back(self, years_ago: float) -> None:
        """Go to an earlier day."""
        for errors in self._errors.values():
            self._age(errors, years_ago - self.years_ago)
        self.years_ago = years_ago

    def _drawn(self) -> _Errors:
        now, year_ago = (self._parts(lambda: self.rng.uniform(-1, 1)) for _ in range(2))
        errors = _Errors(now, (year_ago[0] - now[0], year_ago[1] - now[1]), now)
        self._age(errors, self.years_ago)
        return errors

    def _age(self, errors: _Errors, years: float) -> None:
        if self.drift is Drift.STRAIGHT:
            errors.slow = _sum(errors.slow, (years * errors.a_year[0], years * errors.a_year[1]))
        if self.drift is not Drift.ASSUMED:
            errors.today = errors.slow
            return
        walk = self.rng.gauss(0, math.sqrt(years / 3))  # of a half-width
        day = self.rng.gauss(0, DAY_TO_DAY / math.sqrt(3))
        errors.slow = _sum(errors.slow, (walk, walk))
        errors.today = _sum(errors.slow, (day, day))

    def _parts(self, draw: Callable[[], float]) -> _Parts:
        gain = draw()
        return gain, gain if self.style is ErrorStyle.BOUND else draw()


@dataclass
class _Errors:
    """Of one range, in half-widths: without the day's own move, the move in a year where it is straight, and with it."""

    slow: _Parts
    a_year: _Parts
    today: _Parts


def _sum(first: _Parts, second: _Parts) -> _Parts:
    return first[0] + second[0], first[1] + second[1]
