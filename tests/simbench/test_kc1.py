"""The kiln controller's checks on the simulated bench, over several seeds: the figures a builder would meet.

The scenario is an invention; tolerances are the checks' own limits, or meter error and part spread.
"""

from __future__ import annotations

import cmath
import math
from pathlib import Path

import pytest

from benchlog.bench import read_bench
from benchlog.clock import ManualClock
from benchlog.errors import UsageError
from benchlog.units import parse_quantity
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.parts import Toroid

START_NS = 1_790_000_000_000_000_000
SEEDS = (1, 2)


@pytest.fixture(params=SEEDS)
def bench(request: pytest.FixtureRequest) -> SimulatedBench:
    return SimulatedBench(request.param, ManualClock(START_NS))


def read(bench: SimulatedBench, at: str, function: str, tag: str = "MA-01") -> float:
    bench.set_function(tag, function)
    bench.connect(tag, at=at)
    return parse_quantity(bench.read_display(tag)).value


def test_t1_windings_and_isolation(bench: SimulatedBench) -> None:
    bench.hookups.clear()
    assert read(bench, "T1.plug", "ohm") == pytest.approx(63.6, abs=1.5)
    bench.hookups.four_wire("T1.output")
    assert read(bench, "T1.output", "V=") == pytest.approx(0.500, abs=0.006)
    bench.hookups.isolation()
    millivolts = read(bench, "T1.isolation", "V=")
    assert 10e6 * (30.0 / millivolts - 1) == pytest.approx(25e9, rel=0.1)
    assert bench.insulation("T1.p1", "T1.s1") == "> 200 Mohm"


def test_t1_load_point(bench: SimulatedBench) -> None:
    bench.mains(236.0)
    bench.hookups.supply()
    no_load = read(bench, "T1.output", "V~")
    bench.hookups.supply(15.0)
    loaded = read(bench, "T1.output", "V~")
    assert no_load == pytest.approx(27.8, rel=0.02)
    assert 15 * (no_load / loaded - 1) == pytest.approx(1.88, abs=0.2)


def test_winding_resistance_and_burden_by_four_wires(bench: SimulatedBench) -> None:
    bench.hookups.four_wire("CT1")
    assert read(bench, "CT1", "V=") / 0.5 == pytest.approx(0.201, rel=0.02)
    bench.hookups.two_resistors()
    assert read(bench, "RB", "V=") / read(bench, "CS-4", "V=") == pytest.approx(1.0, abs=0.005)


def test_cascade_and_amplifier_at_generator_level(bench: SimulatedBench) -> None:
    """5 passes of 1.647 A: 8.23 A turns / 6000 x 10 ohm x 0.9985 x 39 = 0.534 V, a few degrees ahead."""
    bench.rewind("CT2", 100)
    bench.mains(236.0)
    bench.hookups.cascade()
    assert read(bench, "AMP.output", "V~") == pytest.approx(0.534, rel=0.03)
    frequency = bench.scene.mains.frequency_hz
    solved = bench.scene.solution(bench.scene.now_s())[frequency]
    lead = cmath.phase(solved.voltage("RB.a", "RB.b") / solved.voltage("primary.load.a", "T1.s2"))
    assert math.degrees(lead) == pytest.approx(3.0, abs=0.7)
    bench.hookups.cascade(reversed_ct2=True)
    solved = bench.scene.solution(bench.scene.now_s())[frequency]
    turned = cmath.phase(solved.voltage("RB.a", "RB.b") / solved.voltage("primary.load.a", "T1.s2"))
    assert abs(math.degrees(turned)) > 170


def test_element_current_at_full_power(bench: SimulatedBench) -> None:
    bench.rewind("CT2", 100)
    bench.hookups.element()
    assert read(bench, "AMP.output", "V~") == pytest.approx(0.818, rel=0.06)
    # 13 W x 1.8 K/W is 23 K in the end.
    assert bench.heat_sink_degc(after_min=1e3) == pytest.approx(25.0 + 23.0, abs=2.0)
    assert 35.0 < bench.heat_sink_degc() < 48.0
    assert bench.insulation("KC1.mains", "KC1.earth") == "> 200 Mohm"


def test_rectified_no_load_voltage_exceeds_35_v(bench: SimulatedBench) -> None:
    bench.mains(236.0)
    bench.hookups.rectifier()
    assert read(bench, "REC.output", "V=") == pytest.approx(38.6, rel=0.03)


def test_relay_off_reads_mains_without_load_and_next_to_nothing_with_one(bench: SimulatedBench) -> None:
    bench.hookups.lamps(load_in=False)
    assert read(bench, "LAMP", "V~") == pytest.approx(229.0, rel=0.02)
    bench.hookups.lamps()
    assert read(bench, "LAMP", "V~") == pytest.approx(0.3, abs=0.03)
    assert not bench.lit("LAMP")
    bench.relay(True)
    assert read(bench, "LAMP", "V~") > 40.0
    assert bench.lit("LAMP")
    assert bench.lit("SERIES-LAMP")


def test_a_ground_clip_on_the_mains_is_refused(bench: SimulatedBench) -> None:
    bench.hookups.supply()
    bench.probe("CH1", at="T1.output", attenuation=10.0)
    for at in ("outlet", ("OUTLET.N", "OUTLET.L")):
        with pytest.raises(UsageError, match="connected to mains"):
            bench.probe("CH2", at=at)


def test_cores_differ_by_a_fifth(bench: SimulatedBench) -> None:
    k1, k2 = (bench.scene.part(tag, Toroid) for tag in ("K1", "K2"))
    assert k2.al_h / k1.al_h == pytest.approx(1.2, abs=0.06)


def test_mb_02_passes_until_its_battery_is_far_gone(bench: SimulatedBench) -> None:
    """E_n against 5.000 V: below 1 on day 34, above 1 on day 96, as good as new with a fresh battery."""
    clock = bench.clock
    assert isinstance(clock, ManualClock)

    def e_n() -> float:
        shown = read(bench, "CS-3", "V=", "MB-02")
        u_meter = 2 * (0.008 * shown + 2 * 0.01) / 3**0.5
        return abs(shown - 5.0) / (u_meter**2 + (2 * 0.0005 * 5 / 3**0.5) ** 2) ** 0.5

    assert e_n() < 0.4
    clock.advance(34 * 86400.0)
    assert 0.4 < e_n() < 1.0
    clock.advance(62 * 86400.0)
    assert e_n() > 2.0
    bench.new_battery("MB-02")
    assert e_n() < 0.4


def test_bench_file_text_is_a_valid_bench_file(bench: SimulatedBench, tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(bench.bench_toml(), encoding="utf-8")
    read_back = read_bench(path)
    assert read_back.instrument("MA-01").address == "sim:MA-01"
    assert read_back.instrument("MB-02").response == "average"
    assert read_back.instrument("SC-03").kind == "scope"
    assert read_back.standard("CS-3").value == "5.000 V dc"
