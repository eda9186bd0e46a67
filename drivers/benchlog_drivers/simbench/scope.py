"""A two-channel 8-bit scope: probes in the circuit, gain errors, noise, jitter, quantisation, clipping."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from benchlog_drivers.simbench.circuit import EARTH, Circuit
from benchlog_drivers.simbench.draws import generator, normal, uniform
from benchlog_drivers.simbench.scene import Scene
from benchlog_drivers.simbench.signal import waveform

CODES_PER_DIVISION = 25
ZERO_CODE = 128
DIVISIONS_X = 10
_GROUND_OHM = 5e-3
_AC_CORNER_HZ = 5.0


@dataclass(frozen=True, slots=True)
class Clip:
    """A probe: tip and ground clip on two nodes, with the attenuation switched on the probe."""

    tip: str
    ground: str
    attenuation: float = 1.0


@dataclass
class ScopeChannel:
    """Settings of one channel."""

    clip: Clip | None = None
    on: bool = True
    volts_per_division: float = 1.0  #: At the probe tip, as the scope is set.
    probe: float = 1.0  #: Attenuation set on the scope; may differ from the probe's.
    coupling: str = "DC"
    gain_fault: float = 0.0
    offset_fault_v: float = 0.0


@dataclass
class Scope:
    """The scope on the bench; both ground clips and protective earth are one node."""

    tag: str
    seed: int
    channels: dict[str, ScopeChannel] = field(
        default_factory=lambda: {"CH1": ScopeChannel(), "CH2": ScopeChannel()}
    )
    #: gain_spread, range_spread: Standard deviation of each channel's gain error and of each range's own
    #: error; one draw each per seed.
    gain_spread: float = 0.01
    range_spread: float = 0.0017
    #: noise_codes, jitter_s, timebase_spread: Noise (standard deviation, codes), sampling jitter, and
    #: relative spread of the time base.
    noise_codes: float = 0.4
    jitter_s: float = 0.3e-9
    timebase_spread: float = 10e-6
    seconds_per_division: float = 1e-3
    samples: int = 1000
    trigger_channel: str = "CH1"
    trigger_level_v: float = 0.0
    records_taken: int = 0
    codes: dict[str, npt.NDArray[np.uint8]] = field(default_factory=dict)

    @property
    def interval_s(self) -> float:
        """Nominal time between samples."""
        return self.seconds_per_division * DIVISIONS_X / self.samples

    # ---- place in the netlist ----

    def stamp(self, circuit: Circuit, scene: Scene, t_s: float) -> None:
        """Probes and ground clips."""
        for name, channel in self.channels.items():
            if channel.clip is None:
                continue
            ohm, farad = (10e6, 15e-12) if channel.clip.attenuation >= 10 else (1e6, 100e-12)
            circuit.resistor(channel.clip.tip, EARTH, ohm)
            circuit.capacitor(channel.clip.tip, EARTH, farad)
            if channel.clip.ground != EARTH:
                circuit.voltage_source(
                    f"{self.tag}.{name}.ground", channel.clip.ground, EARTH, {}, _GROUND_OHM
                )

    def state_key(self, scene: Scene, t_s: float) -> object:
        """Nothing changes by itself."""
        return None

    # ---- acquisition ----

    def acquire(self, scene: Scene) -> None:
        """Take one record of every channel that is on."""
        self.records_taken += 1
        t_s = scene.now_s()
        step = self.interval_s * (1 + self.timebase_spread * normal(self.seed, "time base", self.tag))
        start = self._trigger_time(scene, t_s) - step * (self.samples // 2)
        # The sampling clock is not locked to the signal.
        start += step * uniform(-0.5, 0.5, self.seed, "sampling", self.tag, self.records_taken)
        times: npt.NDArray[np.float64] = start + step * np.arange(self.samples, dtype=np.float64)
        if self.jitter_s:
            g = generator(self.seed, "jitter", self.tag, self.records_taken)
            times += self.jitter_s * g.standard_normal(self.samples)
        self.codes = {
            name: self._digitised(scene, name, times, t_s) for name, c in self.channels.items() if c.on
        }

    def _at_input(self, scene: Scene, name: str, t_s: float) -> dict[float, complex]:
        """Phasors the channel's amplifier sees, in volts at the tip as the scope is set."""
        channel = self.channels[name]
        if channel.clip is None:
            return {}
        factor = channel.probe / channel.clip.attenuation
        seen = {f: x * factor for f, x in scene.spectrum(channel.clip.tip, EARTH, t_s).items()}
        if channel.coupling == "AC":
            seen = {f: x * (1j * f / _AC_CORNER_HZ) / (1 + 1j * f / _AC_CORNER_HZ) for f, x in seen.items()}
        return {f: x for f, x in seen.items() if abs(x) > 1e-9}

    def _trigger_time(self, scene: Scene, t_s: float) -> float:
        """First rise of the trigger channel through its level; without one the record starts at once."""
        seen = self._at_input(scene, self.trigger_channel, t_s)
        alternating = {f: x for f, x in seen.items() if f}
        if not alternating:
            return 0.0
        base = max(alternating, key=lambda f: abs(alternating[f]))
        times = np.linspace(0.0, 2.0 / base, 2001)
        above = waveform(seen, times) - self.trigger_level_v
        rises = np.flatnonzero((above[:-1] < 0) & (above[1:] >= 0))
        if not rises.size:
            return 0.0
        k = int(rises[0])
        part = above[k] / (above[k] - above[k + 1])
        return float(times[k] + part * (times[k + 1] - times[k]))

    def gain(self, name: str) -> float:
        """Relative gain error of a channel on its present range."""
        channel = self.channels[name]
        at_input = channel.volts_per_division / channel.probe
        own = self.gain_spread * normal(self.seed, "scope gain", self.tag, name)
        of_range = self.range_spread * normal(self.seed, "scope range", self.tag, name, f"{at_input:.3g}")
        return own + of_range + channel.gain_fault

    def _digitised(
        self, scene: Scene, name: str, times: npt.NDArray[np.float64], t_s: float
    ) -> npt.NDArray[np.uint8]:
        channel = self.channels[name]
        volt = waveform(self._at_input(scene, name, t_s), times) * (1 + self.gain(name))
        offset = 0.05 * normal(self.seed, "scope offset", self.tag, name) * channel.volts_per_division
        volt += offset + channel.offset_fault_v
        noise = generator(self.seed, "scope noise", self.tag, name, self.records_taken)
        codes = volt / (channel.volts_per_division / CODES_PER_DIVISION) + ZERO_CODE
        codes += self.noise_codes * noise.standard_normal(self.samples)
        return np.clip(np.round(codes), 0, 255).astype(np.uint8)
