"""A function generator: a sine behind 50 ohm, with typical errors."""

from __future__ import annotations

from dataclasses import dataclass

from benchlog_drivers.simbench.circuit import EARTH, Circuit
from benchlog_drivers.simbench.draws import normal
from benchlog_drivers.simbench.scene import Scene


@dataclass
class SineGenerator:
    """Sine source with floating output ``TAG.out``, ``TAG.common``."""

    tag: str
    seed: int
    frequency_hz: float = 1e3
    amplitude_vpp: float = 1.0  #: Open-circuit setting.
    offset_v: float = 0.0
    #: Load the setting is meant for; None is open circuit, else the shown amplitude is into that load.
    load_ohm: float | None = None
    on: bool = False
    output_ohm: float = 50.0
    max_vpp: float = 20.0
    max_hz: float = 10e6
    second: float = 10 ** (-55 / 20)
    third: float = 10 ** (-60 / 20)

    def stamp(self, circuit: Circuit, scene: Scene, t_s: float) -> None:
        """The source and its resistance; switched off it is an open output."""
        out, common = f"{self.tag}.out", f"{self.tag}.common"
        circuit.capacitor(common, EARTH, 100e-12)
        if not self.on:
            circuit.capacitor(out, common, 5e-12)
            return
        circuit.voltage_source(self.tag, out, common, self.emf(), self.output_ohm)

    def emf(self) -> dict[float, complex]:
        """Open-circuit phasors, with frequency, level and offset error and a little distortion."""
        f = self.frequency_hz * (1 + 10e-6 * normal(self.seed, "generator frequency", self.tag))
        peak = self.amplitude_vpp / 2 * (1 + 0.01 / 3 * normal(self.seed, "generator level", self.tag))
        dc = self.offset_v + 1e-3 * normal(self.seed, "generator offset", self.tag)
        return {
            0.0: complex(dc),
            f: complex(peak),
            2 * f: peak * self.second * 1j,
            3 * f: peak * self.third + 0j,
        }

    def state_key(self, scene: Scene, t_s: float) -> object:
        """Nothing changes by itself."""
        return None
