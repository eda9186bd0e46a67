"""T1 on the simulated bench, read through the adapters that read hardware."""

from __future__ import annotations

import statistics
import threading

import pytest

from benchlog.adapter import Reader
from benchlog.clock import ManualClock, SystemClock
from benchlog.errors import OpenError, UsageError
from benchlog.reading import Flag, Function, Reading, agree
from benchlog.registry import make_adapter
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.meter_spec import MA_01
from benchlog_drivers.simulated import using

START_NS = 1_790_000_000_000_000_000


def settled(reader: Reader) -> Reading:
    """Read until three frames agree."""
    last: list[Reading] = []
    for _ in range(40):
        reading = reader.read()
        assert reading is not None
        last = [*last, reading][-3:]
        if len(last) == 3 and agree(last):
            return reading
    raise AssertionError("the display never settled")


def meter(address: str, clock: ManualClock) -> Reader:
    adapter = make_adapter(address, "MA-01", clock=clock)
    assert isinstance(adapter, Reader)
    return adapter


def test_no_load_and_load_point_of_t1_over_the_loopback_link() -> None:
    """At 236 V: 27.8 V open, 24.7 V into 15 ohm, within meter error, mains wander and part spread."""
    clock = ManualClock(START_NS)
    with SimulatedBench(1, clock) as bench, meter(bench.address("MA-01"), clock) as reader:
        bench.mains(236.0)
        open_circuit = settled(reader)
        bench.load("T1.output", 15.0)
        loaded = settled(reader)
        bench.load("T1.output", None)
        again = settled(reader)
    assert open_circuit.function is Function.AC_VOLTS
    assert Flag.AUTO in open_circuit.flags
    assert open_circuit.resolution == pytest.approx(0.01)
    assert open_circuit.value == pytest.approx(27.8, abs=0.4)
    assert loaded.value == pytest.approx(24.7, abs=0.4)
    assert again.value == pytest.approx(open_circuit.value, abs=0.03)
    assert loaded.value is not None
    assert open_circuit.value is not None
    assert 15 * (open_circuit.value / loaded.value - 1) == pytest.approx(1.88, abs=0.15)


def test_same_seed_same_digits_other_seed_other_digits() -> None:
    def story(seed: int) -> list[str]:
        clock = ManualClock(START_NS)
        with SimulatedBench(seed, clock).start() as bench, using(bench):
            with meter("sim:MA-01", clock) as reader:
                shown = [reader.read() for _ in range(6)]
            return [r.displayed for r in shown if r is not None]

    assert story(3) == story(3)
    assert story(3) != story(4)


def test_digits_do_not_depend_on_what_was_read_before() -> None:
    """Draws are named, not taken in turn: reading another meter first changes nothing."""

    def shown(first: str) -> str:
        bench = SimulatedBench(3, ManualClock(START_NS))
        bench.read_display(first)
        return bench.read_display("MA-01")

    assert shown("MB-02") == shown("MA-01")


def test_systematic_errors_are_normal_with_a_third_of_the_accuracy_bound() -> None:
    """Over 400 seeds: standard deviation within 10 % of a third, few beyond the bound, none far beyond."""
    bound = 0.005 * 5.0 + 2 * 0.01  # 0.5 % + 2 digits of the 40 V range
    errors = []
    for seed in range(400):
        meter = HandheldMeter("MA-01", MA_01, seed, function=Function.DC_VOLTS)
        errors.append(meter.with_systematic_error(5.0, 0.01) - 5.0)
    assert statistics.mean(errors) == pytest.approx(0.0, abs=3 * bound / 3 / 20)
    assert statistics.stdev(errors) == pytest.approx(bound / 3, rel=0.1)
    assert sum(abs(e) > bound for e in errors) <= 6


def test_a_frame_after_a_change_is_never_stale_when_read_through_sim() -> None:
    clock = ManualClock(START_NS)
    with SimulatedBench(1, clock) as bench, using(bench), meter("sim:MA-01", clock) as reader:
        settled(reader)
        bench.set_function("MA-01", "V=")
        reading = reader.read()
        assert reading is not None
        assert reading.function is Function.DC_VOLTS


def test_mb_02_has_no_link_and_is_read_by_eye() -> None:
    clock = ManualClock(START_NS)
    with SimulatedBench(1, clock) as bench:
        bench.mains(236.0)
        bench.connect("MB-02", at="T1.output", leads="LC")
        assert bench.address("MB-02") == "typed:"
        text = bench.read_display("MB-02")
        assert text.endswith(" V")
        assert float(text.split()[0]) == pytest.approx(27.8, abs=0.4)
        with using(bench), meter("sim:MB-02", clock) as reader:
            reading = reader.read()
        assert reading is not None
        assert reading.value == pytest.approx(float(text.split()[0]), abs=0.11)


def test_an_open_lead_reads_a_ghost_and_overload_on_ohms() -> None:
    """Near zero on a live output: the lead, not the transformer."""
    clock = ManualClock(START_NS)
    bench = SimulatedBench(1, clock)
    bench.scene.leads["LB"].open = True
    bench.connect("MB-02", at="T1.output", leads="LB")
    assert 0 <= float(bench.read_display("MB-02").split()[0]) < 1.0
    bench.short_tips("MB-02")
    bench.set_function("MB-02", "ohm")
    assert bench.read_display("MB-02") == "OL"
    bench.connect("MB-02", at=("tips", "tips"), leads="LC")
    assert float(bench.read_display("MB-02").split()[0]) == pytest.approx(0.2, abs=0.15)


def test_mb_02_on_the_reference_drifts_with_its_battery() -> None:
    clock = ManualClock(START_NS)
    bench = SimulatedBench(1, clock)
    bench.set_function("MB-02", "V=")
    bench.connect("MB-02", at="CS-3", leads="LC")
    readings = []
    for days in (0, 34, 62):
        clock.advance(days * 86400.0)
        readings.append(float(bench.read_display("MB-02").split()[0]))
    assert readings == pytest.approx([5.01, 5.05, 5.19], abs=0.015)
    bench.new_battery("MB-02")
    assert float(bench.read_display("MB-02").split()[0]) == pytest.approx(5.01, abs=0.015)
    bench.set_function("MB-02", "ohm")
    bench.connect("MB-02", at="CS-2", leads="LC")
    assert bench.read_display("MB-02").endswith("kohm")


def test_frames_keep_coming_at_the_meters_rate_on_the_computers_clock() -> None:
    clock = SystemClock()
    with SimulatedBench(1, clock) as bench:
        adapter = make_adapter(bench.address("MA-01"), "MA-01", clock=clock)
        assert isinstance(adapter, Reader)
        with adapter:
            times = [r.mono_ns for r in (adapter.read() for _ in range(3)) if r is not None]
    assert len(times) == 3
    assert 0.2 < (times[2] - times[0]) / 2e9 < 0.6


def test_closing_leaves_no_thread_and_no_port() -> None:
    before = threading.active_count()
    bench = SimulatedBench(1, ManualClock(START_NS)).start()
    address = bench.address("MA-01")
    assert threading.active_count() == before + 1
    bench.close()
    bench.close()
    assert threading.active_count() == before
    with pytest.raises(OpenError):
        make_adapter(address, "MA-01").open()
    with pytest.raises(UsageError):
        bench.address("MA-01")


def test_unknown_names_are_listed_with_those_there_are() -> None:
    bench = SimulatedBench(1, ManualClock(START_NS))
    with pytest.raises(UsageError) as caught:
        bench.connect("MA-01", at="T9.output")
    assert "T1.output" in caught.value.hint
    with pytest.raises(UsageError):
        bench.set_function("MA-01", "F")
    with pytest.raises(UsageError):
        bench.meter("MX-01")
    with pytest.raises(OpenError) as refused:
        make_adapter("sim:MX-01", "MX-01")
    assert "sim:MA-01" in refused.value.hint
