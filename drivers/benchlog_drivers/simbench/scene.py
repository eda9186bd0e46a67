"""The bench as one netlist: parts, wires between them, instruments hooked to it, and the time of day.

Everything that changes the scene goes through `Scene.change`, so that solved networks can be kept until then.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog_drivers.simbench.circuit import Circuit, Solution
from benchlog_drivers.simbench.draws import uniform
from benchlog_drivers.simbench.leads import LeadSet
from benchlog_drivers.simbench.parts import Cell, Lamp, Mains, Part, RectifierPart, Transformer
from benchlog_drivers.simbench.rectifier import rectify

_DAY_S = 86400.0
_WIRE_OHM = 2e-3
_PartT = TypeVar("_PartT", bound=Part)


class Port(Protocol):
    """An instrument's place in the netlist."""

    def stamp(self, circuit: Circuit, scene: Scene, t_s: float) -> None:
        """Add leads and input network."""
        ...

    def state_key(self, scene: Scene, t_s: float) -> object:
        """State of this instrument's circuit that changes by itself with time."""
        ...


def day_of(t_s: float, start_s: float) -> float:
    """Days since the bench was set up."""
    return (t_s - start_s) / _DAY_S


@dataclass
class Scene:
    """Parts, wires, leads, instruments."""

    seed: int
    clock: Clock
    #: parts, leads, ports: By tag.
    parts: dict[str, Part] = field(default_factory=dict)
    leads: dict[str, LeadSet] = field(default_factory=dict)
    ports: dict[str, Port] = field(default_factory=dict)
    #: Named places to probe: the nodes under the high and the low tip.
    points: dict[str, tuple[str, str]] = field(default_factory=dict)
    wires: set[frozenset[str]] = field(default_factory=set)  #: Pairs of joined nodes.
    #: Contact resistance of nodes with bad contact; None for no contact (enamel, oxide).
    contacts: dict[str, float | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.lock = threading.RLock()
        self.start_s = self.now_s()
        self.version = 0
        self.changed_s = self.start_s
        self._solved: dict[object, dict[float, Solution]] = {}

    def now_s(self) -> float:
        """Wall time, seconds."""
        return self.clock.utc_ns() / 1e9

    @contextmanager
    def change(self) -> Iterator[None]:
        """Hold the lock during a change, then drop solved networks."""
        with self.lock:
            yield
            self.version += 1
            self.changed_s = self.now_s()
            self._solved.clear()

    def add(self, part: _PartT) -> _PartT:
        """Put a part on the bench."""
        self.parts[part.tag] = part
        return part

    def part(self, tag: str, kind: type[_PartT]) -> _PartT:
        """Return the part of that tag and kind; `UsageError` if there is none."""
        found = self.parts.get(tag)
        if not isinstance(found, kind):
            raise UsageError(
                f"the simulated bench has no {kind.__name__} {tag!r}",
                hint=f"there are: {', '.join(self.parts)}",
            )
        return found

    def nodes(self, at: str | tuple[str, str]) -> tuple[str, str]:
        """Return the two nodes of a named point, or the pair itself.

        Raises
        ------
        UsageError
            If no point has that name.
        """
        if isinstance(at, tuple):
            return at
        if at not in self.points:
            raise UsageError(
                f"the simulated bench has no point {at!r}",
                hint=f"there are: {', '.join(sorted(self.points))}",
            )
        return self.points[at]

    @property
    def mains(self) -> Mains:
        """The house wiring."""
        return self.part("MAINS", Mains)

    def mains_factor(self, t_s: float) -> float:
        """Slow wander of the mains voltage about its setting: six sines, standard deviation 0.3 %."""
        total = 0.0
        for k, period in enumerate((47.0, 113.0, 290.0, 610.0, 1450.0, 3700.0)):
            phase = uniform(0, 2 * math.pi, self.seed, "mains wander", k)
            total += math.sin(2 * math.pi * (t_s - self.start_s) / period + phase)
        return 1 + 0.003 * total / math.sqrt(3.0)

    def solution(self, t_s: float) -> dict[float, Solution]:
        """Solved network at a time (whole second), by frequency."""
        with self.lock:
            second = float(math.floor(t_s))
            key = (self.version, second, *(p.state_key(self, t_s) for p in self.ports.values()))
            if key not in self._solved:
                if len(self._solved) > 64:
                    self._solved.clear()
                self._solved[key] = self._solve(t_s, second)
            return self._solved[key]

    def spectrum(self, a: str, b: str, t_s: float) -> dict[float, complex]:
        """Phasors of the voltage of node `a` against `b`, volt peak by hertz."""
        return {f: s.voltage(a, b) for f, s in self.solution(t_s).items()}

    def current(self, branch: str, t_s: float) -> dict[float, complex]:
        """Phasors of a named branch's current, ampere peak by hertz."""
        return {f: s.current(branch) for f, s in self.solution(t_s).items()}

    def resistance(self, a: str, b: str, *, without: tuple[str, ...] = ()) -> float:
        """Direct-current resistance between two nodes as wired now, ohm; infinite when apart.

        Parameters
        ----------
        without : tuple of str
            Instruments to leave out.
        """
        circuit, probe = (self._netlist(self.now_s(), without) for _ in range(2))
        probe.current_source(a, b, {0.0: 1e-6 + 0j})
        # A huge resistor connects two islands into one solvable network.
        for netlist in (circuit, probe):
            netlist.resistor(a, b, 1e12)
        ohm = (probe.solve(0.0).voltage(a, b) - circuit.solve(0.0).voltage(a, b)).real / 1e-6
        return math.inf if ohm > 0.5e12 else ohm

    def _solve(self, t_s: float, second: float) -> dict[float, Solution]:
        for part in self.parts.values():
            if isinstance(part, Cell):
                part.day = day_of(second, self.start_s)
            elif isinstance(part, Transformer):
                plugged = frozenset(("OUTLET.L", f"{part.tag}.p1")) in self.wires
                part.energised = plugged and self.mains.outlet_live
                if part.intermittent:
                    part.open_output = uniform(0, 1, self.seed, part.tag, int(second / 4.0)) > 0.45
        mains, nominal = self.mains, self.mains.voltage_v
        mains.voltage_v = nominal * self.mains_factor(second)
        try:
            self._settle_lamps(t_s)
            rectifiers = [self._rectified(r, t_s) for r in self._rectifiers()]
            circuit = self._netlist(t_s)
            for rectifier in rectifiers:
                rectifier.stamp(circuit)
            return {f: circuit.solve(f) for f in circuit.frequencies()}
        finally:
            mains.voltage_v = nominal

    def _netlist(self, t_s: float, without: tuple[str, ...] = ()) -> Circuit:
        circuit = Circuit()
        for part in self.parts.values():
            if not isinstance(part, RectifierPart):
                part.stamp(circuit)
        for wire in self.wires:
            a, b = sorted(wire)
            circuit.resistor(a, b, _WIRE_OHM)
        for tag, port in self.ports.items():
            if tag not in without:
                port.stamp(circuit, self, t_s)
        return circuit

    def _settle_lamps(self, t_s: float) -> None:
        """Find the filament resistances that match their voltages."""
        lamps = [
            p for p in self.parts.values() if isinstance(p, Lamp) and p.screwed_in and self._wired(p.tag)
        ]
        for _ in range(40 if lamps else 0):
            solved = self._netlist(t_s).solve(self.mains.frequency_hz)
            worst = 0.0
            for lamp in lamps:
                volt = abs(solved.voltage(f"{lamp.tag}.a", f"{lamp.tag}.b")) / math.sqrt(2)
                new = math.sqrt(
                    lamp.ohm * lamp.ohm_at(volt)
                )  # half a step in log resistance, to avoid oscillation
                worst = max(worst, abs(new / lamp.ohm - 1))
                lamp.ohm = new
            if worst < 1e-4:
                break

    def _wired(self, tag: str) -> bool:
        return any(node.startswith(f"{tag}.") for wire in self.wires for node in wire)

    def _rectifiers(self) -> list[RectifierPart]:
        found = [p for p in self.parts.values() if isinstance(p, RectifierPart) and self._wired(p.tag)]
        for part in self.parts.values():
            if isinstance(part, Transformer) and part.internal_rectifier is not None:
                found.append(part.internal_rectifier)
        return found

    def _rectified(self, part: RectifierPart, t_s: float) -> RectifierPart:
        """Thevenin source and load of a rectifier from the linear network, then its time-stepped output."""
        base = self.mains.frequency_hz
        circuit = self._netlist(t_s)
        open_circuit = {
            f: circuit.solve(f).voltage(*part.ac)
            for f in circuit.frequencies()
            if f in self.mains.harmonics_hz
        }
        probe = self._netlist(t_s)
        probe.current_source(*part.ac, {base: 1.0 + 0j})
        probe.current_source(*part.dc, {0.0: 1e-6 + 0j})
        source = (probe.solve(base).voltage(*part.ac) - open_circuit.get(base, 0j)).real
        load = (probe.solve(0.0).voltage(*part.dc) - circuit.solve(0.0).voltage(*part.dc)).real / 1e-6
        result = rectify(open_circuit, max(source, 1e-2), part.farad, max(load, 1e-2), base_hz=base)
        return part.with_output(result.spectrum)
