"""Flux density, saturation, droop and the voltage of an open secondary.

>>> round(peak_flux_density_t(5.0, 1e3, 60, 37.5e-6), 2)
0.35
"""

from __future__ import annotations

import math

from benchlog.errors import UsageError

# Usual working limits of core materials, tesla: common practice, no source.
SATURATION_T = {
    "ferrite, hot": 0.25,
    "ferrite, cold": 0.35,
    "tape-wound high-permeability": 1.0,
    "silicon steel": 1.5,
}

OPEN_SECONDARY_CAUTION = (
    "Never open a current transformer's secondary while primary current flows: several kilovolts can appear. "
    "Fit the burden and a back-to-back clamp across it before you thread the primary, without fuse or switch in that "
    "loop. Before you unplug the burden, switch off the primary and short the secondary. Local rules and licensed "
    "practice come first."
)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise UsageError(f"{name.replace('_', ' ')} must be above zero, not {value:g}")


def peak_flux_density_t(peak_v: float, frequency_hz: float, turns: float, area_m2: float) -> float:
    """Peak flux density of a sine voltage induced in a winding: V / (w N Ae).

    For a loaded current transformer the voltage is secondary current times (burden + winding resistance).

    Parameters
    ----------
    peak_v : float
        Peak of the induced voltage, volt.
    frequency_hz : float
        Hertz.
    turns : float
        Of that winding.
    area_m2 : float
        Cross-section of the core, square metre.

    Returns
    -------
    float
        Tesla.
    """
    _positive(frequency_hz=frequency_hz, turns=turns, area_m2=area_m2)
    return peak_v / (2 * math.pi * frequency_hz * turns * area_m2)


def saturating_direct_current_a(limit_t: float, area_m2: float, al_h: float, turns: float = 1) -> float:
    """Direct (or mean half-wave) current in `turns` that takes the core to `limit_t`: B Ae / (AL n).

    The same as B le / (u0 u n), since AL = u0 u Ae / le.

    Parameters
    ----------
    limit_t : float
        Flux density, tesla.
    area_m2 : float
        Cross-section of the core, square metre.
    al_h : float
        Inductance of one turn, henry.
    turns : float
        That carry the current.

    Returns
    -------
    float
        Ampere.
    """
    _positive(al_h=al_h, area_m2=area_m2, turns=turns)
    return limit_t * area_m2 / (al_h * turns)


def droop(pulse_s: float, inductance_h: float, resistance_ohm: float) -> float:
    """Part of a flat current pulse lost by its end: 1 - exp(-t (Rb + Rw) / L).

    Parameters
    ----------
    pulse_s : float
        Length of the pulse, second.
    inductance_h : float
        Of the secondary, henry.
    resistance_ohm : float
        Burden and winding together, ohm.

    Returns
    -------
    float
        Share of the pulse's height.

    Examples
    --------
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

    Parameters
    ----------
    al_h : float
        Inductance of one turn, henry.
    turns : float
        Of the open secondary.
    current_slope_a_per_s : float
        Steepest change of the primary current, ampere per second.
    primary_turns : float
        Passes of the primary conductor.

    Returns
    -------
    float
        Volt.
    """
    return al_h * turns * primary_turns * current_slope_a_per_s
