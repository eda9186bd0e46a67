"""Flux density, saturation margin, droop and what an open secondary would do.

>>> round(peak_flux_density_t(5.0, 1e3, 60, 37.5e-6), 2)
0.35
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.errors import UsageError

__all__ = [
    "OPEN_SECONDARY_CAUTION",
    "SATURATION_T",
    "Saturation",
    "droop",
    "open_secondary_peak_v",
    "peak_flux_density_t",
    "pulse_flux_density_t",
    "rms_flux_density_t",
    "saturating_direct_current_a",
    "saturation_margin",
    "shorted_turn_impedance_ratio",
]

# Usual working limits of core materials, tesla: common practice, no source.
SATURATION_T = {
    "ferrite, hot": 0.25,
    "ferrite, cold": 0.35,
    "tape-wound high-permeability": 1.0,
    "silicon steel": 1.5,
}

OPEN_SECONDARY_CAUTION = (
    "Never open a current transformer's secondary while primary current flows: several kilovolts can appear. "
    "Fit the burden and a back-to-back clamp across it before the primary is threaded, no fuse or switch in that "
    "loop; primary power off and secondary shorted before the burden is unplugged. Local rules and licensed practice "
    "come first."
)


@dataclass(frozen=True, slots=True)
class Saturation:
    """Flux density against a limit, tesla; `margin` is limit over density."""

    density_t: float
    limit_t: float

    @property
    def margin(self) -> float:
        """How many times more flux the core would take."""
        return math.inf if self.density_t == 0 else self.limit_t / self.density_t


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise UsageError(f"{name.replace('_', ' ')} must be above zero, not {value:g}")


def peak_flux_density_t(peak_v: float, frequency_hz: float, turns: float, area_m2: float) -> float:
    """Peak flux density of a sine voltage induced in a winding: V / (w N Ae).

    For a loaded current transformer the voltage is secondary current times (burden + winding resistance).
    """
    _positive(frequency_hz=frequency_hz, turns=turns, area_m2=area_m2)
    return peak_v / (2 * math.pi * frequency_hz * turns * area_m2)


def rms_flux_density_t(rms_v: float, frequency_hz: float, turns: float, area_m2: float) -> float:
    """Peak flux density of a sine given its rms voltage: V / (4.44 f N Ae).

    Some lists print the same formula with the peak voltage, which is wrong by the square root of two.
    """
    return peak_flux_density_t(math.sqrt(2) * rms_v, frequency_hz, turns, area_m2)


def pulse_flux_density_t(
    volt_seconds: float, turns: float, area_m2: float, remanence_t: float = 0.0
) -> float:
    """Flux density at the end of a pulse: volt-seconds / (N Ae) on top of what the core remembers."""
    _positive(turns=turns, area_m2=area_m2)
    return remanence_t + volt_seconds / (turns * area_m2)


def saturating_direct_current_a(limit_t: float, area_m2: float, al_h: float, turns: float = 1) -> float:
    """Direct (or mean half-wave) current in `turns` that takes the core to `limit_t`: B Ae / (AL n).

    The same as B le / (u0 u n), since AL = u0 u Ae / le.
    """
    _positive(al_h=al_h, area_m2=area_m2, turns=turns)
    return limit_t * area_m2 / (al_h * turns)


def saturation_margin(density_t: float, limit_t: float) -> Saturation:
    """Compare a flux density with a limit."""
    _positive(limit_t=limit_t)
    return Saturation(density_t, limit_t)


def droop(pulse_s: float, inductance_h: float, resistance_ohm: float) -> float:
    """Part of a flat current pulse lost by its end: 1 - exp(-t (Rb + Rw) / L).

    >>> round(droop(10e-6, 6.25e-3, 50.5), 5)
    0.07762
    """
    _positive(inductance_h=inductance_h)
    return -math.expm1(-pulse_s * resistance_ohm / inductance_h)


def open_secondary_peak_v(
    al_h: float, turns: float, current_slope_a_per_s: float, primary_turns: float = 1
) -> float:
    """Peak voltage of an open secondary: AL N n (dI/dt)max; for a sine the slope is w times the peak current.

    An upper bound: saturation and stray capacitance lower it, and it stays destructive.
    """
    return al_h * turns * primary_turns * current_slope_a_per_s


def shorted_turn_impedance_ratio(
    al_h: float, frequency_hz: float, turn_ohm: float, turn_h: float = 0.0
) -> float:
    """What one shorted turn leaves of a winding's impedance, |Z| over that of the healthy winding.

    The number of turns does not enter: everything scales with N².

    >>> round(shorted_turn_impedance_ratio(62e-6, 1e3, 2.8e-3, 40e-9), 5)
    0.00721
    """
    _positive(al_h=al_h, frequency_hz=frequency_hz)
    w = 2 * math.pi * frequency_hz
    turn = turn_ohm + 1j * w * turn_h
    return abs(turn / (turn + 1j * w * al_h))
