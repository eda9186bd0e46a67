"""A transformer on a bench as a linear circuit: what two scope channels see in the three usual hook-ups.

Frequencies may be a number or an array; voltages and ratios are complex, one per frequency. The circuit is
one core with magnetising inductance AL N², winding resistance and leakage in series with the N-turn winding,
capacitance across its ends, and the leads of a driven single turn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from benchlog.errors import UsageError

Complex = complex | npt.NDArray[np.complexfloating[Any, Any]]
Real = float | npt.NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Transformer:
    """An N-turn winding on a core."""

    turns: float  #: N.
    al_h: float  #: Inductance of one turn.
    #: winding_ohm, leakage_h: In series with the winding.
    winding_ohm: float = 0.0
    leakage_h: float = 0.0
    capacitance_f: float = 0.0  #: Across the winding's ends, probe included.
    #: shorted_turn_ohm, shorted_turn_h: Resistance and stray inductance of one turn that is shorted on
    #: itself; None for a healthy winding.
    shorted_turn_ohm: float | None = None
    shorted_turn_h: float = 0.0

    def __post_init__(self) -> None:
        if self.turns <= 0 or self.al_h <= 0:
            raise UsageError(
                f"a transformer needs turns and an inductance per turn above zero, not {self.turns:g} and "
                f"{self.al_h:g} H",
                hint="write the AL value like '61 uH'",
            )

    @property
    def inductance_h(self) -> float:
        """Magnetising inductance seen from the winding, AL N²."""
        return self.al_h * self.turns**2

    def one_turn_impedance(self, frequency_hz: Real) -> Complex:
        """Impedance of one turn round the core, ohm: jw AL, with a shorted turn across it if there is one."""
        w = 2 * math.pi * frequency_hz
        magnetising = 1j * w * self.al_h
        if self.shorted_turn_ohm is None:
            return magnetising
        return parallel(magnetising, self.shorted_turn_ohm + 1j * w * self.shorted_turn_h)

    def series_impedance(self, frequency_hz: Real) -> Complex:
        """Winding resistance and leakage, ohm."""
        w = 2 * math.pi * frequency_hz
        return self.winding_ohm + 1j * w * self.leakage_h

    def impedance(self, frequency_hz: Real) -> Complex:
        """Impedance between the winding's ends, ohm."""
        w = 2 * math.pi * frequency_hz
        inner = self.series_impedance(frequency_hz) + self.turns**2 * self.one_turn_impedance(frequency_hz)
        admittance = 1 / inner + 1j * w * self.capacitance_f
        return 1 / admittance

    def drive_winding_ratio(self, frequency_hz: Real, sense_turns: float = 1) -> Complex:
        """Generator on the N-turn winding: voltage at its ends over that of a separate sense loop.

        (N/k) (1 + (Rw + jw Ls) / (jw L)); the generator's resistance does not enter.
        """
        magnetising = self.turns**2 * self.one_turn_impedance(frequency_hz)
        return self.turns / sense_turns * (1 + self.series_impedance(frequency_hz) / magnetising)

    def drive_winding_level(self, frequency_hz: Real, generator_ohm: float) -> Complex:
        """Voltage at the winding's ends over the generator's open-circuit voltage."""
        impedance = self.impedance(frequency_hz)
        return impedance / (generator_ohm + impedance)

    def injection_transfer(self, frequency_hz: Real, burden_ohm: float, passes: float = 1) -> Complex:
        """Burden voltage over primary current, ohm: (n/N) Rb jwL / (jwL + Rb + Rw + jw Ls)."""
        w = 2 * math.pi * frequency_hz
        magnetising = self.turns**2 * self.one_turn_impedance(frequency_hz)
        load = burden_ohm / (1 + 1j * w * self.capacitance_f * burden_ohm)
        return (
            passes
            / self.turns
            * load
            * magnetising
            / (magnetising + self.series_impedance(frequency_hz) + load)
        )

    def injection_apparent_turns(self, frequency_hz: Real, burden_ohm: float, passes: float = 1) -> Real:
        """Turns as a current injection shows them: passes x burden over |burden voltage per ampere|."""
        transfer = self.injection_transfer(frequency_hz, burden_ohm, passes)
        return passes * burden_ohm / np.abs(transfer)


@overload
def parallel(a: complex, b: complex) -> complex: ...
@overload
def parallel(a: Complex, b: Complex) -> Complex: ...
def parallel(a: Complex, b: Complex) -> Complex:
    """Two impedances side by side."""
    return a * b / (a + b)


def corner_frequency_hz(inductance_h: float, resistance_ohm: float) -> float:
    """Low corner of a current transformer, (Rb + Rw) / (2 pi L).

    >>> round(corner_frequency_hz(6.25e-3, 50.5), 2)
    1285.97
    """
    return resistance_ohm / (2 * math.pi * inductance_h)
