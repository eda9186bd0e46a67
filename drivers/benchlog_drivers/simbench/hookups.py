"""Hook-ups of KC-1's checks. Each starts from a bench without the wires of the previous one."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from benchlog_drivers.simbench.parts import BenchSupply, SolidStateRelay, Toroid, Winding
from benchlog_drivers.simbench.scope import Clip

if TYPE_CHECKING:
    from benchlog_drivers.simbench.workbench import Workbench

_CORES = {"CT1": "K1", "CT2": "K2"}
_LOOP_OHM = 5e-3
_LOOP_LEAKAGE_H = 150e-9  # a hand's breadth of loop


class Hookups:
    """Wiring of the checks on one bench."""

    def __init__(self, bench: Workbench) -> None:
        self._bench = bench

    def _wires(self, pairs: Iterable[tuple[str, str]]) -> None:
        with self._bench.scene.change():
            self._bench.scene.wires |= {frozenset(pair) for pair in pairs}

    def clear(self) -> None:
        """Remove all wires, loads, probes and temporary windings, switch the sources off, unplug T1."""
        bench = self._bench
        scene = bench.scene
        with scene.change():
            scene.wires.clear()
            for tag in [tag for tag in scene.parts if tag.startswith("load on ")]:
                del scene.parts[tag]
            for core in ("K1", "K2"):
                toroid = scene.part(core, Toroid)
                toroid.windings = {n: w for n, w in toroid.windings.items() if n in _CORES}
            supply = scene.part("PS", BenchSupply)
            supply.on, supply.ampere = False, None
            scene.part("SR1", SolidStateRelay).on = False
            bench.generator.on = False
            for channel in bench.scope.channels.values():
                channel.clip = None

    def supply(self, load_ohm: float | None = None) -> None:
        """T1 in the outlet, with or without a load across its output."""
        self.clear()
        self._bench.plug("T1")
        self._bench.load("T1.output", load_ohm)

    def isolation(self, volt: float = 30.0) -> None:
        """Bench supply in series with a meter between T1's windings; the meter goes to ``T1.isolation``."""
        self.clear()
        self._supply(volt=volt)
        self._wires([("PS.plus", "T1.p1")])

    def four_wire(self, point: str, ampere: float = 0.5) -> None:
        """Bench supply in constant current through a winding or resistor; a meter reads across it."""
        self.clear()
        a, b = self._bench.scene.nodes(point)
        self._supply(ampere=ampere)
        self._wires([("PS.plus", a), ("PS.minus", b)])

    def two_resistors(self, first: str = "RB", second: str = "CS-4", ampere: float = 0.1) -> None:
        """Two resistors in series with one current, to compare their voltages."""
        self.clear()
        self._supply(ampere=ampere)
        self._wires([("PS.plus", f"{first}.a"), (f"{first}.b", f"{second}.a"), (f"{second}.b", "PS.minus")])

    def ratio(
        self, winding: str, *, loop_turns: int = 1, divided: bool = False, swapped: bool = False
    ) -> None:
        """Generator on the winding, a separate sense loop, both scope grounds on one point.

        Channel 1 sees the loop and channel 2 the winding (through its divider when `divided`); swapping exchanges
        probes and channels.
        """
        self.clear()
        bench, core = self._bench, _CORES[winding]
        loop = (f"{core}.loop.a", f"{core}.loop.b")
        with bench.scene.change():
            toroid = bench.scene.part(core, Toroid)
            toroid.put(Winding("loop", loop_turns, _LOOP_OHM, *loop, _LOOP_LEAKAGE_H))
        common = f"{winding}.b"
        self._wires([("SG-04.out", f"{winding}.a"), ("SG-04.common", common), (loop[1], common)])
        tip = f"{winding}.a"
        if divided:
            divider = self.divider(winding)
            self._wires([(f"{divider}.in", tip), (f"{divider}.common", common)])
            tip = f"{divider}.out"
        seen = [Clip(loop[0], common), Clip(tip, common)]
        self._probes(*(reversed(seen) if swapped else seen))

    def divider(self, winding: str) -> str:
        """Tag of the known divider that goes with a winding."""
        return "DIV-60" if winding == "CT1" else "DIV-100"

    def inductance(self, winding: str, resistor: str = "R1K") -> None:
        """Generator over winding and resistor in series; channel 1 across the winding, channel 2 across the resistor.

        The generator floats and both grounds sit on the joint, so channel 2 sees the resistor upside down.
        """
        self.clear()
        a, b = self._bench.scene.nodes(winding)
        self._wires([("SG-04.out", a), (b, f"{resistor}.a"), ("SG-04.common", f"{resistor}.b")])
        self._probes(Clip(a, b), Clip(f"{resistor}.b", b))

    def test_winding(self, core: str, turns: int = 10, resistor: str = "R47") -> None:
        """A temporary winding on a bare core, hooked up as for `inductance`."""
        self.clear()
        name = f"{core}.test"
        with self._bench.scene.change():
            toroid = self._bench.scene.part(core, Toroid)
            # The bare core is measured before its winding is on; left open, the winding has no effect.
            toroid.put(Winding("test", turns, 2e-3 * turns, f"{name}.a", f"{name}.b"))
        a, b = f"{name}.a", f"{name}.b"
        self._wires([("SG-04.out", a), (b, f"{resistor}.a"), ("SG-04.common", f"{resistor}.b")])
        self._probes(Clip(a, b), Clip(f"{resistor}.b", b))

    def cascade(self, *, passes: int = 5, load_ohm: float = 15.0, reversed_ct2: bool = False) -> None:
        """T1 drives a load through some passes of K1; CT1's secondary passes K2 once; CT2 ends in RB, then AMP.

        Channel 1 sees the voltage across a part of the load current's path (the load itself), channel 2 the burden.
        """
        self.clear()
        bench = self._bench
        bench.plug("T1")
        self._chain(("T1.s1", "T1.s2"), passes, load_ohm, reversed_ct2)
        self._probes(Clip("primary.load.a", "T1.s2"), Clip("RB.a", "RB.b"))
        self._wires([("RB.b", "T1.s2")])

    def element(self, *, on: bool = True) -> None:
        """The kiln's element on the outlet through SR1, its wire passing K1 once."""
        self.clear()
        self._wires([("OUTLET.L", "SR1.a")])
        with self._bench.scene.change():
            self._bench.scene.part("SR1", SolidStateRelay).on = on
        self._chain(("SR1.b", "OUTLET.N"), 1, 18.3, False)

    def lamps(self, *, on: bool = False, load_in: bool = True) -> None:
        """Series lamp, SR1 and a lamp as load on the outlet; the load lamp may be unscrewed."""
        self.clear()
        bench = self._bench
        self._wires(
            [
                ("OUTLET.L", "SERIES-LAMP.a"),
                ("SERIES-LAMP.b", "SR1.a"),
                ("SR1.b", "LAMP.a"),
                ("LAMP.b", "OUTLET.N"),
            ]
        )
        with bench.scene.change():
            bench.scene.part("SR1", SolidStateRelay).on = on
        bench.screw_lamp(load_in)

    def rectifier(self) -> None:
        """Bridge and reservoir capacitor on T1's output, T1 in the outlet."""
        self.clear()
        self._bench.plug("T1")
        self._wires([("T1.s1", "REC.ac1"), ("T1.s2", "REC.ac2")])

    def _supply(self, *, volt: float = 0.0, ampere: float | None = None) -> None:
        with self._bench.scene.change():
            supply = self._bench.scene.part("PS", BenchSupply)
            supply.volt, supply.ampere, supply.on = volt, ampere, True

    def _probes(self, first: Clip, second: Clip) -> None:
        with self._bench.scene.change():
            for channel, clip in zip(self._bench.scope.channels.values(), (first, second), strict=True):
                channel.clip = clip

    def _chain(self, source: tuple[str, str], passes: int, load_ohm: float, reversed_ct2: bool) -> None:
        bench = self._bench
        with bench.scene.change():
            k1, k2 = (bench.scene.part(core, Toroid) for core in ("K1", "K2"))
            k1.put(Winding("passes", passes, _LOOP_OHM, source[0], "primary.load.a"))
            k2.put(Winding("through", 1, 0.06, "K2.through.a", "K2.through.b"))
        bench.load(("primary.load.a", source[1]), load_ohm)
        ends = ("CT2.b", "CT2.a") if reversed_ct2 else ("CT2.a", "CT2.b")
        self._wires(
            [
                ("CT1.a", "K2.through.a"),
                ("CT1.b", "K2.through.b"),
                (ends[0], "RB.a"),
                (ends[1], "RB.b"),
                ("AMP.in", "RB.a"),
                ("AMP.common", "RB.b"),
            ]
        )
