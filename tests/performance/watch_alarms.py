"""False alarms of `watch`, and how soon it names a faulty meter: ``python tests/performance/watch_alarms.py [--seeds 5]``.

First four healthy meters on one node for 24 hours, for each seed on the wandering mains, on a steady cell and on a
bench where somebody works (levels changed and switched off every few minutes); every doubt raised is counted and
printed. Then faults on the simulated bench itself, four meters on T1's output with its circuit solved each second:
a display that freezes, a gain that drifts by 1 % in an hour, a meter set to another function, a lead that opens,
hold. Exit code 1 if there is more than one false alarm in any 24 hours, or a fault is not named.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.meters_on_node import FOUR, START_NS, Node, accuracy, busy, mains_wander, steady

from benchlog.clock import ManualClock
from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.suspicion import Watchdog
from benchlog.project.suspect import Kind, Suspect
from benchlog.reading import Function, Reading, State
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.faults import inject
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.meter_spec import Display

GROUP = NodeGroup("node", tuple(FOUR))
NODES: dict[str, dict[str, object]] = {
    "mains wander, 27.75 V ac": {"wander": mains_wander},
    "steady cell, 5 V dc": {"wander": steady, "function": Function.DC_VOLTS, "volt": 5.0},
    "somebody works, 27.75 V ac": {"wander": busy},
}


def doubts(readings: Iterable[Reading], dog: Watchdog) -> Iterator[tuple[float, Suspect]]:
    """Every doubt as it is raised, looked at once a second: time in seconds and doubt."""
    raised: set[tuple[object, ...]] = set()
    next_s = 1.0
    for reading in readings:
        dog.take(reading)
        if reading.mono_ns >= next_s * 1e9:
            next_s += 1.0
            now = {(s.kind, *s.tags): s for s in dog.suspects(reading.mono_ns, reading.utc_ns)}
            for key in now.keys() - raised:
                yield reading.mono_ns / 1e9, now[key]
            raised = set(now)


def healthy(seed: int, span_s: float, **node: object) -> list[tuple[float, Suspect]]:
    """Doubts raised about four healthy meters."""
    dog = Watchdog(accuracy, [GROUP])
    for tag in FOUR:
        dog.expect(tag, 0)
    return list(doubts(Node(seed, **node).readings(span_s), dog))  # type: ignore[arg-type]


class FourOnBench:
    """Four meters on T1's output of the simulated bench, on a clock moved by hand."""

    def __init__(self, seed: int) -> None:
        self.clock = ManualClock(START_NS)
        self.bench = SimulatedBench(seed, self.clock)
        self.meters = {tag: HandheldMeter(tag, spec, seed) for tag, spec in FOUR.items()}
        with self.bench.scene.change():
            self.bench.scene.ports = dict(self.meters)
            self.bench.meters = self.meters
        for tag, leads in zip(FOUR, ("LA", "LB", "LC", "LD"), strict=True):
            self.bench.connect(tag, at="T1.output", leads=leads)

    def readings(
        self, span_s: float, each_second: Callable[[float], None] = lambda t: None
    ) -> Iterator[Reading]:
        """Readings at one a second from each meter; `each_second` may change the bench."""
        scene = self.bench.scene
        end = self.clock.monotonic_ns() / 1e9 + span_s
        while (now := self.clock.monotonic_ns() / 1e9) < end:
            each_second(now)
            for tag, meter in self.meters.items():
                yield self._reading(tag, meter.display(scene, scene.now_s(), 0))
            self.clock.advance(1.0)

    def _reading(self, tag: str, shown: Display) -> Reading:
        return Reading(
            shown.function,
            None if shown.counts is None else shown.counts * shown.resolution,
            shown.resolution,
            shown.text,
            State.OK if shown.counts is not None else State.OVERLOAD,
            shown.flags,
            instrument=tag,
            utc_ns=self.clock.utc_ns(),
            mono_ns=self.clock.monotonic_ns(),
        )


Each = Callable[[float], None]


def freeze(bench: FourOnBench, tag: str) -> Each:
    """The display stops."""
    scene, meter = bench.bench.scene, bench.meters[tag]
    meter.frozen = meter.display(scene, scene.now_s(), 0)
    return lambda t: None


def drift(bench: FourOnBench, tag: str) -> Each:
    """The gain goes up by 1 % an hour."""
    start = bench.clock.monotonic_ns() / 1e9

    def go(t: float) -> None:
        bench.meters[tag].gain = 0.01 * (t - start) / 3600

    return go


def cause(name: str) -> Callable[[FourOnBench, str], Each]:
    """A fault of the diagnosis vocabulary."""

    def start(bench: FourOnBench, tag: str) -> Each:
        inject(bench.bench, name, meter=tag)
        return lambda t: None

    return start


@dataclass(frozen=True)
class Fault:
    """A fault, the meter that gets it, the kind of doubt it must raise, and by when."""

    start: Callable[[FourOnBench, str], Each]
    tag: str
    kind: Kind
    within_s: float


FAULTS = {
    "display frozen, counts of 10 mV": Fault(freeze, "M1", Kind.FROZEN, 300.0),
    "display frozen, counts of 0.1 V": Fault(freeze, "M2", Kind.FROZEN, 1200.0),
    "drift 1 %/h, meter of 0.5 % + 3": Fault(drift, "M3", Kind.DRIFTS, 3600.0),
    "drift 1 %/h, meter of 1.2 % + 5": Fault(drift, "M2", Kind.DRIFTS, 3600.0),
    "wrong function": Fault(cause("wrong_function"), "M2", Kind.FUNCTION, 60.0),
    "open lead": Fault(cause("lead_open"), "M2", Kind.NEAR_ZERO, 60.0),
    "hold engaged": Fault(cause("hold_engaged"), "M2", Kind.SYMBOL, 60.0),
    "battery low, reads high": Fault(cause("meter_battery_low"), "M2", Kind.DISAGREES, 600.0),
}


def time_to_name(name: str, seed: int, quiet_s: float = 400.0) -> tuple[float | None, Suspect | None]:
    """Seconds from a fault to the first doubt of the right kind about that meter alone; None if there is none."""
    fault = FAULTS[name]
    bench = FourOnBench(seed)
    dog = Watchdog(accuracy, [GROUP])
    for _ in doubts(bench.readings(quiet_s), dog):
        pass
    start = bench.clock.monotonic_ns() / 1e9
    for t, suspect in doubts(bench.readings(fault.within_s, fault.start(bench, fault.tag)), dog):
        if suspect.tags == (fault.tag,) and suspect.kind in (fault.kind, Kind.LOW_BATTERY):
            return t - start, suspect
    return None, None


def main() -> int:
    """Print everything; see the module's text."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    bad = False
    for name, node in NODES.items():
        for seed in range(1, args.seeds + 1):
            began = time.perf_counter()
            found = healthy(seed, args.hours * 3600, **node)
            bad = bad or len(found) > 1
            print(
                f"healthy, {name:<28} seed {seed}: {len(found)} false alarms in {args.hours:g} h "
                f"({time.perf_counter() - began:.0f} s)",
                flush=True,
            )
            for t, suspect in found:
                print(f"    {t / 60:8.1f} min  {suspect.who}: {suspect.kind}: {suspect.reason}")
    for fault in FAULTS:
        for seed in range(1, min(args.seeds, 3) + 1):
            seconds, suspect = time_to_name(fault, seed)
            bad = bad or seconds is None
            outcome = "not named" if seconds is None else f"named after {seconds:.0f} s"
            print(f"fault {fault:<32} seed {seed}: {outcome}", flush=True)
            if suspect is not None:
                print(f"    {suspect.who}: {suspect.kind}: {suspect.reason} -> {suspect.next_check}")
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
