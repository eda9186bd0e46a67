"""KC-1's bench and what a person can do there: plug in, connect, turn the dial, read. Without links or faults."""

from __future__ import annotations

import math
from dataclasses import replace

from benchlog.clock import Clock, SystemClock
from benchlog.errors import UsageError
from benchlog.reading import Function
from benchlog_drivers.simbench.circuit import Circuit
from benchlog_drivers.simbench.draws import normal
from benchlog_drivers.simbench.generator import SineGenerator
from benchlog_drivers.simbench.kc1 import MB_02_BATTERY, OWN_LEADS, build_scene, wind
from benchlog_drivers.simbench.leads import Hookup
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.meter_spec import FRESH, MA_01, MB_02
from benchlog_drivers.simbench.parts import Lamp, Resistor, SolidStateRelay, Toroid, Transformer
from benchlog_drivers.simbench.scene import day_of
from benchlog_drivers.simbench.scope import Clip, Scope
from benchlog_drivers.simbench.signal import rms

_SINK_K_PER_W = 1.8  # heat sink to still air
_SINK_MIN = 12.0  # its time constant, minutes
_LOOK_AFTER_S = 3.0  # a person lets the display settle before reading it off


class Workbench:
    """Parts, wires and instruments. Initially T1 is in the outlet and MA-01, on V~, is on its output.

    Parameters
    ----------
    seed : int
        Same seed, same digits.
    clock : Clock, optional
        Time of the bench; day 0 is its time now.
    """

    def __init__(self, seed: int = 1, clock: Clock | None = None) -> None:
        self.seed = seed
        self.clock: Clock = clock or SystemClock()
        self.scene = build_scene(seed, self.clock)
        self.meters = {
            "MA-01": HandheldMeter("MA-01", MA_01, seed),
            "MB-02": HandheldMeter("MB-02", MB_02, seed, battery=MB_02_BATTERY),
        }
        self.scope = Scope("SC-03", seed)
        self.generator = SineGenerator("SG-04", seed)
        self.scene.ports |= {**self.meters, "SC-03": self.scope, "SG-04": self.generator}
        self.plug("T1")
        self.connect("MA-01", at="T1.output")

    @property
    def day(self) -> float:
        """Days since the bench was set up."""
        return day_of(self.scene.now_s(), self.scene.start_s)

    def meter(self, tag: str) -> HandheldMeter:
        """Return a meter by tag, or raise `UsageError`."""
        if tag not in self.meters:
            raise UsageError(
                f"the simulated bench has no meter {tag!r}", hint=f"it has: {', '.join(self.meters)}"
            )
        return self.meters[tag]

    def connect(
        self, tag: str, *, at: str | tuple[str, str], leads: str | None = None, jack: str = ""
    ) -> None:
        """Put a meter's tips on a point (or on two nodes).

        Parameters
        ----------
        at : str or tuple of str
            Named point, or the nodes under the high and the low tip.
        leads : str, optional
            Lead set to plug in; by default the present one stays.
        jack : {"", "volts", "current"}
            Jack of the high lead; by default it stays.
        """
        nodes = self.scene.nodes(at)
        meter = self.meter(tag)
        if leads is None:
            leads = meter.hookup.leads if meter.hookup is not None else OWN_LEADS[tag]
        if leads not in self.scene.leads:
            raise UsageError(f"no lead set {leads!r}", hint=f"there are: {', '.join(self.scene.leads)}")
        if jack not in ("", "volts", "current"):
            raise UsageError(f"no jack {jack!r}", hint="volts or current")
        with self.scene.change():
            meter.hookup = Hookup(nodes, leads)
            meter.jack = jack or meter.jack

    def disconnect(self, tag: str) -> None:
        """Take a meter's tips off; the leads stay in the meter and hang free."""
        with self.scene.change():
            meter = self.meter(tag)
            if meter.hookup is not None:
                meter.hookup = replace(meter.hookup, at=(f"{tag}.free", f"{tag}.free2"))

    def short_tips(self, tag: str) -> None:
        """Short a meter's tips, off the circuit."""
        with self.scene.change():
            meter = self.meter(tag)
            if meter.hookup is not None:
                meter.hookup = replace(meter.hookup, at=(f"{tag}.tips", f"{tag}.tips"))

    def set_function(self, tag: str, function: str | Function, *, range_index: int | None = None) -> None:
        """Turn a meter's dial; ``"V~"``, ``"V="``, ``"ohm"``... Turning it clears hold, relative and the like."""
        meter = self.meter(tag)
        wanted = Function(function)
        if wanted not in meter.spec.functions:
            known = ", ".join(meter.spec.functions)
            raise UsageError(f"{tag} has no function {wanted}", hint=f"it has: {known}")
        with self.scene.change():
            meter.turn_dial(wanted, range_index)

    def read_display(self, tag: str) -> str:
        """A meter's display as a person reads it: ``"27.8 V"``, ``"OL"``."""
        with self.scene.lock:
            shown = self.meter(tag).display(self.scene, self.scene.now_s() + _LOOK_AFTER_S, 0)
        return shown.text

    def new_battery(self, tag: str) -> None:
        """Give a meter a new battery."""
        with self.scene.change():
            self.meter(tag).battery = FRESH

    def mains(self, voltage_v: float) -> None:
        """Set the mean mains voltage."""
        with self.scene.change():
            self.scene.mains.voltage_v = voltage_v

    def plug(self, tag: str) -> None:
        """Plug a supply into the outlet."""
        self.wire("OUTLET.L", f"{tag}.p1")
        self.wire("OUTLET.N", f"{tag}.p2")

    def unplug(self, tag: str) -> None:
        """Pull a supply's plug."""
        self.unwire("OUTLET.L", f"{tag}.p1")
        self.unwire("OUTLET.N", f"{tag}.p2")

    def wire(self, a: str, b: str) -> None:
        """Join two nodes by a wire."""
        with self.scene.change():
            self.scene.wires.add(frozenset((a, b)))

    def unwire(self, a: str, b: str) -> None:
        """Remove a wire, if it exists."""
        with self.scene.change():
            self.scene.wires.discard(frozenset((a, b)))

    def load(self, at: str | tuple[str, str], ohm: float | None) -> None:
        """Put a load resistor across a point, or take it away (None)."""
        a, b = self.scene.nodes(at)
        tag = f"load on {a}"
        with self.scene.change():
            self.scene.parts.pop(tag, None)
            self.scene.wires -= {w for w in self.scene.wires if any(n.startswith(f"{tag}.") for n in w)}
            if ohm is not None:
                self.scene.add(Resistor(tag, ohm))
                self.scene.wires |= {frozenset((f"{tag}.a", a)), frozenset((f"{tag}.b", b))}

    def probe(self, channel: str, *, at: str | tuple[str, str], attenuation: float = 1.0) -> None:
        """Put a scope probe on a point, its ground clip on the low node.

        Raises
        ------
        UsageError
            If the low node is joined to the mains.
        """
        tip, ground = self.scene.nodes(at)
        if channel not in self.scope.channels:
            raise UsageError(
                f"no scope channel {channel!r}", hint=f"there are: {', '.join(self.scope.channels)}"
            )
        if self._on_mains(ground):
            raise UsageError(
                f"{ground} is connected to mains: a ground clip would short it to protective earth",
                hint="scope the isolated side only",
            )
        with self.scene.change():
            self.scope.channels[channel].clip = Clip(tip, ground, attenuation)

    def _on_mains(self, node: str) -> bool:
        """Whether a node is connected to mains by less than 1 Mohm, without the scope."""
        with self.scene.lock:
            return self.scene.resistance(node, "OUTLET.N", without=("SC-03",)) < 1e6

    def rewind(self, winding: str, turns: int) -> None:
        """Wind or unwind a winding to another number of turns; its resistance follows."""
        core = self.scene.part({"CT1": "K1", "CT2": "K2"}[winding], Toroid)
        with self.scene.change():
            old = core.windings[winding]
            wind(core, winding, turns, old.ohm * turns / old.turns)

    def relay(self, on: bool) -> None:
        """Switch SR1's control input."""
        with self.scene.change():
            self.scene.part("SR1", SolidStateRelay).on = on

    def screw_lamp(self, into_socket: bool, tag: str = "LAMP") -> None:
        """Screw a lamp in or out."""
        with self.scene.change():
            self.scene.part(tag, Lamp).screwed_in = into_socket

    def lit(self, tag: str = "LAMP") -> bool:
        """Whether a lamp glows visibly, above a twentieth of its rated power."""
        lamp = self.scene.part(tag, Lamp)
        volt = rms(self.scene.spectrum(f"{tag}.a", f"{tag}.b", self.scene.now_s()))
        return lamp.screwed_in and volt**2 / lamp.ohm > lamp.watt / 20

    def heat_sink_degc(self, *, after_min: float = 20.0, ambient_degc: float = 25.0) -> float:
        """Temperature of SR1's heat sink after some time at the present load, degree Celsius."""
        relay = self.scene.part("SR1", SolidStateRelay)
        volt = rms(self.scene.spectrum("SR1.a", "SR1.b", self.scene.now_s())) if relay.on else 0.0
        rise = _SINK_K_PER_W * volt**2 / relay.on_ohm
        return ambient_degc + rise * (1 - math.exp(-after_min / _SINK_MIN))

    def read_mains(self) -> str:
        """What a plug-in mains monitor in the same outlet shows: ``"236.4 V"``."""
        t_s = self.scene.now_s()
        volt = rms(self.scene.spectrum("OUTLET.L", "OUTLET.N", t_s))
        return f"{volt * (1 + 0.005 / 3 * normal(self.seed, 'mains monitor')):.1f} V"

    def insulation(self, a: str, b: str, *, test_v: float = 500.0) -> str:
        """What a borrowed insulation tester shows between two nodes: ``"> 200 Mohm"``, ``"1.3 Mohm"``."""
        with self.scene.lock:
            circuit = Circuit()
            for part in self.scene.parts.values():
                if part.tag in (a.partition(".")[0], b.partition(".")[0]):
                    part.stamp(circuit)
            circuit.voltage_source("tester", a, b, {0.0: complex(test_v)}, 1e3)
            ampere = -circuit.solve(0.0).current("tester").real
        ohm = test_v / ampere if ampere > 0 else math.inf
        return "> 200 Mohm" if ohm > 200e6 else f"{ohm / 1e6:.3g} Mohm"

    @property
    def transformer(self) -> Transformer:
        """T1."""
        return self.scene.part("T1", Transformer)
