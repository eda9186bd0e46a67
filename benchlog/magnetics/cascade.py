"""Two current-transformer stages: the first one's secondary threads the second core.

The second stage, its burden and winding resistance reflected through N2², is what the first one drives, in
parallel with one turn of the second core. It is nearly a short, so the first stage's corner is very low.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

from benchlog.magnetics.flux import peak_flux_density_t
from benchlog.magnetics.transformer import Transformer, corner_frequency_hz, parallel


@dataclass(frozen=True, slots=True)
class CascadeResponse:
    """Output at one frequency and primary current (rms); see `Cascade.respond`.

    `apparent_ratio` is primary current over burden current. `magnitude` and `lead_deg` compare the burden
    voltage with the ideal one.
    """

    ideal_first_a: float
    ideal_second_a: float
    reflected_ohm: float
    first_corner_hz: float
    second_corner_hz: float
    magnitude: float
    lead_deg: float
    burden_v: float
    ideal_burden_v: float
    apparent_ratio: float


@dataclass(frozen=True, slots=True)
class Cascade:
    """Two stages, a lead between them and the burden on the second.

    >>> stage = Cascade(Transformer(60, 62e-6, .201), Transformer(100, 62e-6, .499), lead_ohm=.06, burden_ohm=10)
    >>> answer = stage.respond(50.0, 12.6)
    >>> round(answer.apparent_ratio, 2), round(answer.burden_v * 1e3, 3)
    (6008.76, 20.969)
    """

    first: Transformer
    second: Transformer
    burden_ohm: float
    lead_ohm: float = 0.0

    @property
    def ratio(self) -> float:
        """Nominal ratio of primary to burden current, N1 N2."""
        return self.first.turns * self.second.turns

    @property
    def reflected_ohm(self) -> float:
        """Burden and second winding as one turn of the second core shows them."""
        return (self.burden_ohm + self.second.winding_ohm) / self.second.turns**2

    def respond(self, frequency_hz: float, primary_a: float) -> CascadeResponse:
        """Solve the circuit at one frequency for a primary current in ampere rms."""
        first_gain, second_gain = self._gains(frequency_hz)
        gain = first_gain * second_gain
        ideal_v = primary_a / self.ratio * self.burden_ohm
        return CascadeResponse(
            ideal_first_a=primary_a / self.first.turns,
            ideal_second_a=primary_a / self.ratio,
            reflected_ohm=self.reflected_ohm,
            first_corner_hz=corner_frequency_hz(self.first.inductance_h, self._first_ohm),
            second_corner_hz=corner_frequency_hz(self.second.inductance_h, self._second_ohm),
            magnitude=abs(gain),
            lead_deg=math.degrees(cmath.phase(gain)),
            burden_v=ideal_v * abs(gain),
            ideal_burden_v=ideal_v,
            apparent_ratio=self.ratio / abs(gain),
        )

    def flux_densities_t(
        self, frequency_hz: float, primary_a: float, first_area_m2: float, second_area_m2: float
    ) -> tuple[float, float]:
        """Peak flux densities in both cores for a sine current in ampere rms."""
        first_gain, second_gain = self._gains(frequency_hz)
        first_a = math.sqrt(2) * primary_a / self.first.turns * abs(first_gain)
        second_a = first_a / self.second.turns * abs(second_gain)
        first_v = first_a * abs(self._branch(frequency_hz))
        second_v = second_a * abs(self._secondary_load(frequency_hz))
        return (
            peak_flux_density_t(first_v, frequency_hz, self.first.turns, first_area_m2),
            peak_flux_density_t(second_v, frequency_hz, self.second.turns, second_area_m2),
        )

    def droop(self, pulse_s: float) -> float:
        """Part of a flat pulse lost by its end; the two stages' droops act one after the other."""
        slow = self._first_ohm / self.first.inductance_h
        fast = self._second_ohm / self.second.inductance_h
        if math.isclose(slow, fast, rel_tol=1e-9):
            return 1 - (1 - fast * pulse_s) * math.exp(-fast * pulse_s)
        left = (fast * math.exp(-fast * pulse_s) - slow * math.exp(-slow * pulse_s)) / (fast - slow)
        return 1 - left

    @property
    def _first_ohm(self) -> float:
        return self.first.winding_ohm + self.lead_ohm + self.reflected_ohm

    @property
    def _second_ohm(self) -> float:
        return self.burden_ohm + self.second.winding_ohm

    def _secondary_load(self, frequency_hz: float) -> complex:
        return self.burden_ohm + complex(self.second.series_impedance(frequency_hz))

    def _second_seen(self, frequency_hz: float) -> complex:
        """Impedance of one turn of the loaded second core."""
        one_turn = complex(self.second.one_turn_impedance(frequency_hz))
        return parallel(one_turn, self._secondary_load(frequency_hz) / self.second.turns**2)

    def _branch(self, frequency_hz: float) -> complex:
        """What the first stage's induced voltage drives: its winding, the lead, the second core."""
        return (
            complex(self.first.series_impedance(frequency_hz))
            + self.lead_ohm
            + self._second_seen(frequency_hz)
        )

    def _gains(self, frequency_hz: float) -> tuple[complex, complex]:
        """Current of each stage over its ideal one."""
        magnetising = self.first.turns**2 * complex(self.first.one_turn_impedance(frequency_hz))
        first = magnetising / (magnetising + self._branch(frequency_hz))
        second = self.second.turns**2 * self._second_seen(frequency_hz) / self._secondary_load(frequency_hz)
        return first, second
