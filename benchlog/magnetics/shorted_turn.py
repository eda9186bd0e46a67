"""Find a shorted turn from a winding's impedance.

A shorted turn removes most of the inductance and makes the rest resistive; DC resistance changes by only one part in N,
within its temperature error.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

#: Below this part of the expected impedance it can't be lot tolerance or a miscount,
IMPEDANCE_PART = 0.5
#: and with the phase this far below 90 degrees it can't be a crack or another core.
PHASE_SHORTFALL_DEG = 20.0


@dataclass(frozen=True, slots=True)
class ShortedTurn:
    """A shorted turn, found from an impedance far too low and too resistive."""

    impedance_part: float  #: |Z| over the expected one.
    phase_deg: float  #: Of Z; a healthy winding shows nearly 90.
    turn_ohm: float  #: Impedance of one shorted turn that explains it (its magnitude).

    @property
    def words(self) -> str:
        """Description in one line."""
        return (
            f"shorted turn: the impedance is {self.impedance_part * 100:.2g} % of the expected and its phase "
            f"{self.phase_deg:.0f}° instead of 90°, as from one turn of {self.turn_ohm * 1e3:.2g} mΩ shorted on itself; "
            "a DC resistance would not show it"
        )


def find_shorted_turn(
    impedance_ohm: complex, frequency_hz: float, turns: float, al_h: float
) -> ShortedTurn | None:
    """Compare a measured impedance with the expected inductance; None when it does not look shorted.

    Parameters
    ----------
    impedance_ohm : complex
        Between the winding's ends.
    frequency_hz, turns, al_h : float
        Frequency, turns, expected inductance of one turn.
    """
    healthy = 2j * math.pi * frequency_hz * al_h * turns**2
    part, phase = abs(impedance_ohm) / abs(healthy), math.degrees(cmath.phase(impedance_ohm))
    if part >= IMPEDANCE_PART or 90 - phase < PHASE_SHORTFALL_DEG or impedance_ohm == 0:
        return None
    branch = 1 / (1 / impedance_ohm - 1 / healthy)
    return ShortedTurn(part, phase, abs(branch) / turns**2)
