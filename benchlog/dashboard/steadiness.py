"""Detect a display whose noise has grown: second differences compared with their earlier size.

Second differences leave ramps out (somebody turning a knob) and make of a step only two of them. The test is a
random walk: up by two for a second difference far beyond the earlier ones, down by one for any other, so that
it can only climb while more than a third of them are beyond.
"""

from __future__ import annotations

from dataclasses import dataclass

LEARN = 60  # readings before anything is judged
FAR = 6.0  # times the mean absolute second difference; of a normal one 0.8 sigma, so about 5 sigma
FULL = 20
CAP = 30


@dataclass(slots=True)
class Steadiness:
    """Noise of one display, in counts."""

    seen: int = 0
    usual: float = 0.0
    now: float = 0.0
    walk: int = 0
    _last: float = 0.0
    _before: float = 0.0

    def take(self, counts: float) -> None:
        """Take one display, in counts."""
        self.seen += 1
        second = abs(counts - 2.0 * self._last + self._before)
        self._before, self._last = self._last, counts
        if self.seen <= 2:
            return
        if self.seen <= LEARN:
            self.usual += (second - self.usual) / (self.seen - 2)
            return
        self.now += (second - self.now) / 20.0
        if second > self.far:
            self.walk = min(CAP, self.walk + 2)
        else:
            self.walk = max(0, self.walk - 1)
            self.usual += (second - self.usual) / 500.0

    @property
    def far(self) -> float:
        """Second difference that counts as far beyond the usual, counts; at least three."""
        return FAR * max(self.usual, 0.5)

    @property
    def grown(self) -> bool:
        """Whether the display has become unsteady."""
        return self.walk >= FULL

    @property
    def growing(self) -> bool:
        """Whether it may be about to: as evidence that a neighbour's unsteadiness comes from the source."""
        return self.walk >= FULL // 2

    def forget(self) -> None:
        """Start again: other function, range or level."""
        self.seen = self.walk = 0
        self.usual = self.now = 0.0
