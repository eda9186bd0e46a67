"""Physical parts on the bench: each has terminals (nodes named ``TAG.x``) and adds itself to a netlist.

Faults of a part are its fields: they change only what is added to the netlist.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np

from benchlog_drivers.simbench.circuit import EARTH, Circuit, Spectrum


class Part(Protocol):
    """Anything that can be added to a netlist."""

    tag: str

    def stamp(self, circuit: Circuit) -> None:
        """Add this part's elements to a netlist."""
        ...


@dataclass
class Mains:
    """House wiring and one outlet; the neutral is earthed at the board.

    `third` and `fifth` are harmonics relative to the fundamental; they flatten the top slightly, as rectifiers in a house do.
    """

    tag: str = "MAINS"
    voltage_v: float = 230.0
    frequency_hz: float = 50.0
    third: float = 0.003
    fifth: float = -0.002
    outlet_live: bool = True
    ohm: float = 0.3

    def stamp(self, circuit: Circuit) -> None:
        """House live node, outlet live (through switch and plug fuse) and neutral."""
        peak = math.sqrt(2) * self.voltage_v / math.sqrt(1 + self.third**2 + self.fifth**2)
        # The sine phase puts the zero crossing at t = 0, so the harmonics flatten or sharpen the top.
        emf = {k * self.frequency_hz: -1j * peak * a for k, a in ((1, 1.0), (3, self.third), (5, self.fifth))}
        circuit.voltage_source(self.tag, "HOUSE.L", EARTH, emf, self.ohm)
        circuit.resistor("OUTLET.N", EARTH, 0.1)
        if self.outlet_live:
            circuit.resistor("HOUSE.L", "OUTLET.L", 0.02)
        else:
            circuit.capacitor("HOUSE.L", "OUTLET.L", 2e-12)  # open switch contacts

    @property
    def harmonics_hz(self) -> tuple[float, ...]:
        """Frequencies that follow the mains voltage."""
        return tuple(k * self.frequency_hz for k in range(1, 14))


@dataclass
class Transformer:
    """Wall transformer, closed case: plug pins ``p1``, ``p2``, output leads ``s1``, ``s2``."""

    tag: str
    #: primary_ohm, secondary_ohm: Winding resistances.
    primary_ohm: float = 63.4
    secondary_ohm: float = 1.0
    #: magnetising_h, core_loss_ohm: No-load branch, on the primary.
    magnetising_h: float = 24.0
    core_loss_ohm: float = 21e3
    ratio: float = 8.46  #: Turns of primary over secondary.
    coupling: float = 0.9995  #: Coefficient of coupling; 1 - k^2 is the leakage.
    #: leakage_ohm, interwinding_f: Between primary and secondary.
    leakage_ohm: float = 25e9
    interwinding_f: float = 60e-12
    #: open_output, open_primary: Faults: broken output lead, blown thermal fuse.
    open_output: bool = False
    open_primary: bool = False
    #: Fault: output turns relative to the healthy part (half winding, wrong tap, other model).
    turns_factor: float = 1.0
    dc_output: bool = False  #: Fault of expectation: the case holds a rectifier too.
    intermittent: bool = False  #: Fault: `open_output` comes and goes by itself.
    #: offset_v, series_ohm: Direct voltage (while `energised`) and resistance in series with the output.
    offset_v: float = 0.0
    series_ohm: float = 0.0
    energised: bool = True

    def stamp(self, circuit: Circuit) -> None:
        """Primary with thermal fuse, coupled windings, insulation."""
        t = self.tag
        if self.open_primary:
            circuit.capacitor(f"{t}.p1", f"{t}.fuse", 1e-12)
        else:
            circuit.resistor(f"{t}.p1", f"{t}.fuse", 0.05)
        ratio = self.ratio / self.turns_factor
        secondary_h = self.magnetising_h / ratio**2
        mutual_h = self.coupling * self.magnetising_h / ratio
        circuit.resistor(f"{t}.fuse", f"{t}.core", self.primary_ohm - 0.05)
        circuit.resistor(f"{t}.core", f"{t}.p2", self.core_loss_ohm)
        added = self.open_output or self.dc_output or self.offset_v or self.series_ohm
        inner = f"{t}.tap" if added else f"{t}.s1"
        circuit.windings(
            [f"{t}.primary", f"{t}.secondary"],
            [(f"{t}.core", f"{t}.p2"), (inner, self._low)],
            np.array([[self.magnetising_h, mutual_h], [mutual_h, secondary_h]]),
            [1e-3, self.secondary_ohm * self.turns_factor],
        )
        if self.open_output:
            circuit.capacitor(inner, f"{t}.s1", 10e-12)
        elif added and not self.dc_output:
            emf = {0.0: complex(self.offset_v if self.energised else 0.0)}
            circuit.voltage_source(f"{t}.added", f"{t}.s1", inner, emf, self.series_ohm)
        circuit.resistor(f"{t}.p2", self._low, self.leakage_ohm)
        circuit.capacitor(f"{t}.p2", self._low, self.interwinding_f)

    @property
    def _low(self) -> str:
        return f"{self.tag}.tap2" if self.dc_output else f"{self.tag}.s2"

    @property
    def internal_rectifier(self) -> RectifierPart | None:
        """The rectifier in the case, when `dc_output` is set."""
        if not self.dc_output:
            return None
        return RectifierPart(
            f"{self.tag}.rectifier",
            ac=(f"{self.tag}.tap", self._low),
            dc=(f"{self.tag}.s1", f"{self.tag}.s2"),
            farad=470e-6,
        )


@dataclass(frozen=True)
class Winding:
    """Some turns on a core; `start` is the dotted end."""

    name: str
    turns: int
    ohm: float
    start: str
    end: str
    leakage_h: float = 0.0


@dataclass
class Toroid:
    """A core with windings and passes; every winding sees the whole flux of the core plus its own leakage.

    The permeability is linear: no saturation, no loss.
    """

    tag: str
    al_h: float
    windings: dict[str, Winding] = field(default_factory=dict)
    shorted_turn_ohm: float | None = None

    def put(self, winding: Winding) -> None:
        """Wind, or replace the winding of that name."""
        self.windings[winding.name] = winding

    def stamp(self, circuit: Circuit) -> None:
        """All windings as one group of coupled inductors."""
        items = list(self.windings.values())
        if self.shorted_turn_ohm is not None:
            node = f"{self.tag}.shorted"
            items.append(Winding(node, 1, self.shorted_turn_ohm, node, node, 40e-9))
        if not items:
            return
        turns = np.array([w.turns for w in items], dtype=float)
        henry = self.al_h * np.outer(turns, turns) + np.diag([w.leakage_h for w in items])
        circuit.windings(
            [f"{self.tag}:{w.name}" for w in items],
            [(w.start, w.end) for w in items],
            henry,
            [max(w.ohm, 1e-6) for w in items],
        )


@dataclass
class Resistor:
    """A resistor from ``a`` to ``b``; `actual_ohm` is its true value."""

    tag: str
    actual_ohm: float

    def stamp(self, circuit: Circuit) -> None:
        """One element."""
        circuit.resistor(f"{self.tag}.a", f"{self.tag}.b", self.actual_ohm)


@dataclass
class Insulation:
    """Insulation of a finished apparatus from ``mains`` to ``earth``."""

    tag: str
    ohm: float = 4e9
    farad: float = 2e-9

    def stamp(self, circuit: Circuit) -> None:
        """Leakage and capacitance."""
        circuit.resistor(f"{self.tag}.mains", f"{self.tag}.earth", self.ohm)
        circuit.capacitor(f"{self.tag}.mains", f"{self.tag}.earth", self.farad)


@dataclass
class Divider:
    """Known divider: ``in`` over `upper_ohm` to ``out`` over `lower_ohm` to ``common``."""

    tag: str
    upper_ohm: float
    lower_ohm: float

    def stamp(self, circuit: Circuit) -> None:
        """Two elements."""
        circuit.resistor(f"{self.tag}.in", f"{self.tag}.out", self.upper_ohm)
        circuit.resistor(f"{self.tag}.out", f"{self.tag}.common", self.lower_ohm)


@dataclass
class Cell:
    """A direct voltage from ``plus`` to ``minus``: a cell or a reference module."""

    tag: str
    emf_v: float
    ohm: float = 0.15
    volt_per_day: float = 0.0
    day: float = 0.0

    def stamp(self, circuit: Circuit) -> None:
        """Source behind its own resistance, aged by `day`."""
        emf = {0.0: complex(self.emf_v + self.volt_per_day * self.day)}
        circuit.voltage_source(self.tag, f"{self.tag}.plus", f"{self.tag}.minus", emf, self.ohm)


@dataclass
class BenchSupply:
    """Laboratory supply: a set voltage, or with `ampere` a set current (constant-current mode)."""

    tag: str
    volt: float = 0.0
    ampere: float | None = None
    on: bool = False

    def stamp(self, circuit: Circuit) -> None:
        """Floating output ``plus``, ``minus``."""
        plus, minus = f"{self.tag}.plus", f"{self.tag}.minus"
        if self.ampere is not None:
            circuit.current_source(plus, minus, {0.0: complex(self.ampere if self.on else 0.0)})
            circuit.resistor(plus, minus, 1e6)
        else:
            circuit.voltage_source(self.tag, plus, minus, {0.0: complex(self.volt if self.on else 0.0)}, 0.02)


@dataclass
class Amplifier:
    """Gain block: ``in`` and ``out`` against ``common``."""

    tag: str
    gain: float
    output_ohm: float = 100.0

    def stamp(self, circuit: Circuit) -> None:
        """Ideal amplifier behind an output resistance."""
        t = self.tag
        circuit.amplifier(t, (f"{t}.ideal", f"{t}.common"), (f"{t}.in", f"{t}.common"), self.gain)
        circuit.resistor(f"{t}.ideal", f"{t}.out", self.output_ohm)


@dataclass
class SolidStateRelay:
    """Switch between ``a`` and ``b`` with a snubber across it: off is never isolation."""

    tag: str
    on: bool = False
    snubber_f: float = 0.1e-6
    snubber_ohm: float = 47.0
    on_ohm: float = 0.08

    def stamp(self, circuit: Circuit) -> None:
        """Snubber always; the switch when on."""
        t = self.tag
        circuit.resistor(f"{t}.a", f"{t}.snubber", self.snubber_ohm)
        circuit.capacitor(f"{t}.snubber", f"{t}.b", self.snubber_f)
        circuit.resistor(f"{t}.a", f"{t}.b", self.on_ohm if self.on else 50e6)


@dataclass
class Lamp:
    """Filament lamp: resistance rises from cold to hot with the voltage across it.

    The ratio of about 13 between hot and cold, and resistance growing with about the 0.6th power of voltage once it
    glows, are typical of tungsten (common practice, no source). Below a few volts the filament only warms with
    the power in it, so there it stays cold. Cold value: 40 ohm for a 100 W lamp.
    """

    tag: str
    watt: float
    rated_v: float = 230.0
    ohm: float = 40.0
    screwed_in: bool = True

    @property
    def cold_ohm(self) -> float:
        """Resistance with no current."""
        return 4000.0 / self.watt

    def ohm_at(self, volt: float) -> float:
        """Resistance in thermal balance at an rms voltage."""
        hot = self.rated_v**2 / self.watt
        share = min(abs(volt) / self.rated_v, 1.2)
        glow = math.pow(share, 0.6) * math.pow(1.02 * share / (share + 0.02), 1.4)
        return self.cold_ohm + (hot - self.cold_ohm) * glow

    def stamp(self, circuit: Circuit) -> None:
        """The filament at its present resistance."""
        if self.screwed_in:
            circuit.resistor(f"{self.tag}.a", f"{self.tag}.b", self.ohm)


@dataclass
class RectifierPart:
    """Bridge and reservoir capacitor; `output` is filled in by the time-stepping sub-model."""

    tag: str
    ac: tuple[str, str]
    dc: tuple[str, str]
    farad: float = 1000e-6
    output: Spectrum = field(default_factory=dict)

    def stamp(self, circuit: Circuit) -> None:
        """The output as a stiff source, or without drive as a leaking capacitor behind blocking diodes.

        The bridge itself draws nothing in the linear netlist.
        """
        if abs(self.output.get(0.0, 0j)) > 0.1:
            circuit.voltage_source(self.tag, *self.dc, self.output, 0.05)
        else:
            circuit.resistor(*self.dc, 2e6)
            circuit.capacitor(*self.dc, self.farad)

    def with_output(self, output: Mapping[float, complex]) -> RectifierPart:
        """Same part with its solved output."""
        return RectifierPart(self.tag, self.ac, self.dc, self.farad, dict(output))
