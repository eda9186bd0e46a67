"""Bridge rectifier with reservoir capacitor: the one non-linear block, solved by stepping through time.

The source is its Thevenin equivalent (open-circuit phasors behind a resistance), the load a resistance. Each
diode drops ``V_T ln(1 + i / I_S)`` with the two constants chosen for an ordinary 1 A silicon diode: about 0.35 V
at 0.3 mA and 0.77 V at 1.5 A.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog_drivers.simbench.signal import waveform

_SLOPE_V = 0.050
_SATURATION_A = 2.7e-7


def diode_drop(ampere: float) -> float:
    """Forward voltage of one diode, volt."""
    return _SLOPE_V * math.log1p(ampere / _SATURATION_A)


@dataclass(frozen=True, slots=True)
class Rectified:
    """Steady state of one mains period."""

    spectrum: dict[float, complex]  #: Output voltage, peak phasors; DC and even harmonics of the mains.
    #: mean_v, ripple_vpp: Mean and peak-to-peak of the output, volt.
    mean_v: float
    ripple_vpp: float
    #: source_rms_a, load_mean_a: Current drawn from the source (rms) and given to the load (mean), ampere.
    source_rms_a: float
    load_mean_a: float


def rectify(
    open_circuit: Mapping[float, complex],
    source_ohm: float,
    farad: float,
    load_ohm: float,
    *,
    base_hz: float = 50.0,
    leakage_ohm: float = 2e6,
    periods: int = 24,
    steps: int = 600,
) -> Rectified:
    """Step a bridge with reservoir capacitor to its steady state.

    Parameters
    ----------
    open_circuit : mapping of hertz to complex
        Thevenin voltage at the bridge, peak phasors, volt.
    source_ohm, load_ohm, leakage_ohm : float
        Source resistance, load, and the capacitor's own leakage.
    farad : float
        Reservoir capacitor.
    base_hz : float
        Mains frequency.
    """
    times = np.arange(steps) / steps / base_hz
    drive = np.abs(waveform(open_circuit, times))
    dt = 1.0 / base_hz / steps
    total_ohm = 1.0 / (1.0 / load_ohm + 1.0 / leakage_ohm)
    # Start at the light-load peak minus the ohmic drop: a lightly loaded capacitor would take many periods to discharge,
    # but only a few to charge.
    peak = float(np.max(drive))
    reservoir = max(0.0, (peak - 2 * diode_drop(3e-4)) * total_ohm / (total_ohm + 4 * source_ohm) * 0.98)
    decay = math.exp(-dt / (total_ohm * farad))
    output = np.zeros(steps)
    current = np.zeros(steps)
    for _ in range(periods):
        for k in range(steps):
            i = _charging_current(float(drive[k]) - reservoir, source_ohm + dt / farad)
            reservoir = reservoir * decay + i * dt / farad
            output[k] = reservoir
            current[k] = i
    return Rectified(
        spectrum=_phasors(output, base_hz),
        mean_v=float(output.mean()),
        ripple_vpp=float(np.ptp(output)),
        source_rms_a=float(np.sqrt(np.mean(current**2))),
        load_mean_a=float(output.mean()) / load_ohm,
    )


def _charging_current(headroom_v: float, ohm: float) -> float:
    """Current that satisfies ``headroom = i R + 2 diode_drop(i)``, ampere; Newton from above."""
    if headroom_v <= 0:
        return 0.0
    i = headroom_v / ohm
    for _ in range(30):
        slope = ohm + 2 * _SLOPE_V / (i + _SATURATION_A)
        step = (i * ohm + 2 * diode_drop(i) - headroom_v) / slope
        i = max(i - step, 0.1 * i)
        if abs(step) < 1e-9 + 1e-6 * i:
            break
    return i


def _phasors(period: npt.NDArray[np.float64], base_hz: float) -> dict[float, complex]:
    lines = np.fft.rfft(period) / period.size
    spectrum = {0.0: complex(lines[0].real)}
    for k in range(1, 13):
        spectrum[k * base_hz] = complex(2 * lines[k])
    return spectrum
