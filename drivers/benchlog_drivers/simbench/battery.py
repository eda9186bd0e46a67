"""A meter's battery: terminal voltage over days, and what a sagging supply does to the reference."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise


@dataclass(frozen=True, slots=True)
class Battery:
    """Discharge curve and the meter's response to it.

    Below `knee_v` the regulator drops out, the reference sags with the battery and every reading that leans on
    it goes up by `gain_per_v` a volt. Ohms are ratiometric and stay.

    Attributes
    ----------
    curve : tuple of (float, float)
        Days since the bench was set up and volts, ascending in days; held constant outside.
    symbol_v : float
        The display's battery symbol comes on below this.
    """

    curve: tuple[tuple[float, float], ...]
    knee_v: float = 7.0
    gain_per_v: float = 0.02
    symbol_v: float = 6.8

    def volt(self, day: float) -> float:
        """Terminal voltage on a day."""
        points = self.curve
        if day <= points[0][0]:
            return points[0][1]
        for (d0, v0), (d1, v1) in pairwise(points):
            if day <= d1:
                return v0 + (v1 - v0) * (day - d0) / (d1 - d0)
        return points[-1][1]

    def gain(self, day: float) -> float:
        """Relative gain error on a day."""
        return self.gain_per_v * max(0.0, self.knee_v - self.volt(day))

    def symbol(self, day: float) -> bool:
        """Whether the battery symbol is lit."""
        return self.volt(day) < self.symbol_v


FRESH = Battery(((0.0, 9.3),))
"""A new battery; its decline is slower than any story here."""
