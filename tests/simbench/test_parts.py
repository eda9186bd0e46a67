"""Transformer, toroids, lamp and rectifier against published-style figures and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog_drivers.simbench.circuit import EARTH, Circuit
from benchlog_drivers.simbench.parts import Lamp, SolidStateRelay, Toroid, Transformer, Winding
from benchlog_drivers.simbench.rectifier import diode_drop, rectify

ROOT2 = math.sqrt(2.0)


def t1(load_ohm: float | None = None) -> float:
    """Output of the nominal transformer at 236 V, volt rms."""
    c = Circuit()
    c.voltage_source("mains", "T1.p1", "T1.p2", {50.0: 236.0 * ROOT2 + 0j})
    Transformer("T1").stamp(c)
    if load_ohm is not None:
        c.resistor("T1.s1", "T1.s2", load_ohm)
    return abs(c.solve(50.0).voltage("T1.s1", "T1.s2")) / ROOT2


def test_transformer_of_24_v_40_va_by_its_nameplate_and_windings() -> None:
    """24 V x 1.13 x 236 / 230 = 27.8 V; R = Rs + Rp (Voc / Vp)^2 = 1.88 ohm; 27.8 x 15 / 16.88 = 24.7 V."""
    no_load, loaded = t1(), t1(15.0)
    assert no_load == pytest.approx(24 * 1.13 * 236 / 230, rel=2e-3)
    assert loaded == pytest.approx(24.70, abs=0.02)
    by_resistances = 1.0 + 63.4 * (no_load / 236.0) ** 2
    assert 15 * (no_load / loaded - 1) == pytest.approx(by_resistances, rel=0.01)
    assert 15 * (no_load / loaded - 1) == pytest.approx(1.85, abs=0.12)


def cascade(l1_ohm: float = 0.201, lead_ohm: float = 0.06, l2_ohm: float = 0.499) -> tuple[complex, Circuit]:
    c = Circuit()
    c.current_source("p", EARTH, {50.0: 12.6 * ROOT2 + 0j})
    k1 = Toroid("K1", 62e-6)
    k1.put(Winding("p", 1, 0.0, "p", EARTH))
    k1.put(Winding("s", 60, l1_ohm, "s1", EARTH))
    k2 = Toroid("K2", 62e-6)
    k2.put(Winding("p", 1, lead_ohm, "s1", EARTH))
    k2.put(Winding("s", 100, l2_ohm, "b", EARTH))
    k1.stamp(c)
    k2.stamp(c)
    c.resistor("b", EARTH, 10.0)
    return c.solve(50.0).voltage("b"), c


def test_two_stage_current_transformer_cascade() -> None:
    """12.6 A through 60 x 100 turns into 10 ohm: 20.969 mV, 3.300 degrees ahead (worked from the circuit equations)."""
    burden, c = cascade()
    assert abs(burden) / ROOT2 == pytest.approx(20.969e-3, abs=1e-6)
    assert math.degrees(np.angle(burden)) == pytest.approx(3.300, abs=2e-3)
    assert abs(c.solve(50.0).current("K1:s")) / ROOT2 == pytest.approx(0.210, rel=2e-4)
    assert 12.6 / (abs(burden) / ROOT2 / 10.0) == pytest.approx(6008.76, abs=0.2)


@pytest.mark.parametrize(
    ("frequency", "ratio"), [(100.0, 50.41), (1e3, 50.01), (10e3, 50.01), (30e3, 50.01), (100e3, 50.01)]
)
def test_ratio_with_the_generator_on_the_many_turns(frequency: float, ratio: float) -> None:
    """(N/k) |1 + (Rw + jw Ls) / jwL| with N 50, AL 2.5 uH, Rw 0.5 ohm, leakage 2e-4 of L, 50 ohm source."""
    c = Circuit()
    c.voltage_source("g", "g", EARTH, {frequency: 10.0 + 0j}, 50.0)
    core = Toroid("K", 2.5e-6)
    core.put(Winding("n", 50, 0.5, "g", EARTH, 2e-4 * 2.5e-6 * 2500))
    core.put(Winding("loop", 1, 0.0, "loop", EARTH))
    core.stamp(c)
    solved = c.solve(frequency)
    measured = abs(solved.voltage("g")) / abs(solved.voltage("loop"))
    henry = 2.5e-6 * 2500
    closed = 50 * abs(
        1 + (0.5 + 2j * math.pi * frequency * 2e-4 * henry) / (2j * math.pi * frequency * henry)
    )
    assert measured == pytest.approx(closed, rel=1e-6)
    assert measured == pytest.approx(ratio, abs=0.011)


def test_generator_on_the_single_turn_reads_its_own_lead() -> None:
    """150 nH and 10 mohm in the driven loop: N 50 reads 47.1 at 10 kHz."""
    c = Circuit()
    c.voltage_source("g", "x", EARTH, {10e3: 1.0 + 0j}, 50.0)
    c.inductor("lead", "x", "y", 150e-9, 0.010)
    core = Toroid("K", 2.5e-6)
    core.put(Winding("one", 1, 0.0, "y", EARTH))
    core.put(Winding("n", 50, 0.5, "n", EARTH))
    core.stamp(c)
    c.capacitor("n", EARTH, 120e-12)
    solved = c.solve(10e3)
    assert abs(solved.voltage("n")) / abs(solved.voltage("x")) == pytest.approx(47.1, abs=0.1)


def test_a_shorted_turn_swallows_the_inductance() -> None:
    """2.8 mohm and 40 nH in one turn, AL 62 uH, 1 kHz: |Z| falls to 0.00721 of the whole."""

    def impedance(shorted: bool) -> float:
        c = Circuit()
        c.current_source("a", EARTH, {1e3: 1.0 + 0j})
        core = Toroid("K", 62e-6, shorted_turn_ohm=2.8e-3 if shorted else None)
        core.put(Winding("n", 60, 0.0, "a", EARTH))
        core.stamp(c)
        return abs(c.solve(1e3).voltage("a"))

    assert impedance(True) / impedance(False) == pytest.approx(0.00721, rel=0.01)


def test_off_state_leakage_of_a_solid_state_relay() -> None:
    """0.1 uF snubber at 230 V: 7.2 mA; nearly full mains on 10 Mohm, 0.29 V on a cold 100 W lamp."""

    def across(load_ohm: float) -> float:
        c = Circuit()
        c.voltage_source("mains", "SR1.a", EARTH, {50.0: 230.0 * ROOT2 + 0j})
        SolidStateRelay("SR1").stamp(c)
        c.resistor("SR1.b", EARTH, load_ohm)
        return abs(c.solve(50.0).voltage("SR1.b")) / ROOT2

    lamp = Lamp("LAMP", 100.0)
    assert across(10e6) == pytest.approx(230.0, rel=0.005)
    assert lamp.ohm_at(0.3) == pytest.approx(40.0, rel=0.01)
    assert across(lamp.ohm_at(0.3)) == pytest.approx(0.29, abs=0.005)
    assert lamp.ohm_at(230.0) == pytest.approx(529.0, rel=0.01)


@pytest.mark.parametrize(
    ("ampere", "farad", "ripple"), [(0.25, 1000e-6, 1.90), (0.8, 2200e-6, 2.39), (1.0, 4700e-6, 1.35)]
)
def test_rectifier_ripple_and_secondary_current(ampere: float, farad: float, ripple: float) -> None:
    """24 V 40 VA class source; the ripple figures come from a separate time-domain solution."""
    source = {50.0: complex(27.1 * ROOT2)}
    mean = 27.1 * ROOT2 - 4.5
    for _ in range(3):
        result = rectify(source, 1.87, farad, mean / ampere)
        mean = result.mean_v
    assert result.ripple_vpp == pytest.approx(ripple, rel=0.05)
    assert 1.7 < result.source_rms_a / result.load_mean_a < 2.2


def test_rectified_no_load_peak_is_the_sine_peak_less_two_small_drops() -> None:
    result = rectify({50.0: complex(27.8 * ROOT2)}, 1.88, 1000e-6, 10e6)
    assert result.mean_v == pytest.approx(27.8 * ROOT2 - 2 * 0.35, abs=0.4)
    assert result.ripple_vpp < 0.02
    assert diode_drop(0.0) == 0.0
    assert diode_drop(3e-4) == pytest.approx(0.35, abs=0.01)
    assert diode_drop(1.5) == pytest.approx(0.8, abs=0.1)
