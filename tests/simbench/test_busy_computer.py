"""On a clock moved by hand, what a meter shows depends on who asks when, not on how busy the computer is."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from benchlog.clock import ManualClock
from benchlog.reading import Reading
from benchlog.stable_reading import Settle, Settling
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.serve_meter import MeterEndpoint
from benchlog_drivers.simulated import SimulatedAdapter, using


def slowed(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """Let the thread that serves the links get its turn late."""
    due: Callable[[MeterEndpoint], float] = MeterEndpoint.due

    def late(endpoint: MeterEndpoint) -> float:
        time.sleep(seconds)
        return due(endpoint)

    monkeypatch.setattr(MeterEndpoint, "due", late)


def readings_taken(seed: int = 1) -> list[Reading]:
    """Readings over changes of the scene, as a guided run takes them: drain, then read."""
    readings = []
    clock = ManualClock()
    with SimulatedBench(seed, clock) as bench, using(bench):
        bench.set_function("MA-01", "V=")
        with SimulatedAdapter("MA-01", "MA-01", None, clock=clock) as meter:
            for point in ("CS-3", "CS-1", "CS-3"):
                bench.disconnect("MA-01")
                bench.connect("MA-01", at=point)
                assert meter.read(0.0) is None
                readings += [r for _ in range(6) if (r := meter.read(0.25)) is not None]
    return readings


def test_a_busy_computer_changes_no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """Same frames, one for each question, when the serving thread is late every time."""
    quick = [r.displayed for r in readings_taken()]
    slowed(monkeypatch, 0.02)
    assert [r.displayed for r in readings_taken()] == quick
    assert len(quick) == 18


def test_no_reading_is_older_than_the_change(monkeypatch: pytest.MonkeyPatch) -> None:
    """After the tips moved, nothing of the point before comes in: a settling display never looks dropped out."""
    slowed(monkeypatch, 0.01)
    settling = Settling()
    words = [settling.update(reading) for reading in readings_taken()[:6]]
    assert Settle.DROP_OUT not in words
    assert words[-1] is Settle.STEADY


def test_two_readers_of_one_display_do_not_wait_for_each_other() -> None:
    """What was sent for the other one is thrown away, not read late."""
    clock = ManualClock()
    with SimulatedBench(1, clock) as bench, using(bench):
        bench.set_function("MA-01", "V=")
        bench.connect("MA-01", at="CS-3")
        with (
            SimulatedAdapter("A", "MA-01", None, clock=clock) as first,
            SimulatedAdapter("B", "MA-01", None, clock=clock) as second,
        ):
            for _ in range(8):
                first.read(0.25)
            bench.connect("MA-01", at="CS-1")
            for _ in range(4):
                first.read(0.25)
            shown = [r for _ in range(3) if (r := second.read(0.25)) is not None]
    assert all(r.value is not None and r.value < 3 for r in shown)
