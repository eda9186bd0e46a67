"""The network solver against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog.errors import AnalysisError
from benchlog_drivers.simbench.circuit import EARTH, Circuit


def test_divider_divides() -> None:
    c = Circuit()
    c.voltage_source("v", "in", EARTH, {0.0: 10.0 + 0j, 50.0: 2.0 + 0j})
    c.resistor("in", "out", 3e3)
    c.resistor("out", EARTH, 1e3)
    assert c.frequencies() == [0.0, 50.0]
    assert c.solve(0.0).voltage("out") == pytest.approx(2.5)
    assert c.solve(50.0).voltage("out") == pytest.approx(0.5)
    assert c.solve(0.0).current("v") == pytest.approx(-2.5e-3)


def test_resistor_and_inductor_at_their_corner() -> None:
    """At f = R / 2 pi L the current is down by sqrt 2 and lags 45 degrees."""
    c = Circuit()
    corner = 50.5 / (2 * math.pi * 6.25e-3)
    assert corner == pytest.approx(1285.97, abs=0.01)
    c.voltage_source("v", "in", EARTH, {corner: 1.0 + 0j})
    c.inductor("l", "in", "mid", 6.25e-3)
    c.resistor("mid", EARTH, 50.5)
    x = c.solve(corner).voltage("mid")
    assert abs(x) == pytest.approx(1 / math.sqrt(2))
    assert math.degrees(np.angle(x)) == pytest.approx(-45.0)


def test_capacitor_blocks_direct_voltage() -> None:
    c = Circuit()
    c.voltage_source("v", "in", EARTH, {0.0: 5.0 + 0j, 1e3: 5.0 + 0j})
    c.capacitor("in", "out", 1e-6)
    c.resistor("out", EARTH, 1e3)
    assert c.solve(0.0).voltage("out") == 0
    assert abs(c.solve(1e3).voltage("out")) == pytest.approx(5 / math.hypot(1, 1 / (2 * math.pi)))


def test_coupled_windings_transform_voltage_and_isolate() -> None:
    c = Circuit()
    c.voltage_source("v", "p", EARTH, {50.0: 100.0 + 0j})
    turns = np.array([100.0, 10.0])
    c.windings(["w1", "w2"], [("p", EARTH), ("s", "t")], 1e-3 * np.outer(turns, turns), [0.0, 0.0])
    c.resistor("s", "t", 5.0)
    solved = c.solve(50.0)
    assert solved.voltage("s", "t") == pytest.approx(10.0)
    assert solved.current("w2") == pytest.approx(-2.0)


def test_amplifier_takes_no_current() -> None:
    c = Circuit()
    c.current_source("in", EARTH, {0.0: 1e-3 + 0j})
    c.resistor("in", EARTH, 20.0)
    c.amplifier("amp", ("out", EARTH), ("in", EARTH), 39.0)
    c.resistor("out", EARTH, 1e3)
    assert c.solve(0.0).voltage("out") == pytest.approx(0.78)


@pytest.mark.parametrize(("picofarad", "expected"), [(10, 7), (50, 36), (100, 69)])
def test_ghost_voltage_on_a_floating_conductor(picofarad: float, expected: float) -> None:
    """V R / sqrt(R^2 + Xc^2): stray capacitance to mains against the 10 Mohm of a meter, and against 3 kohm."""
    c = Circuit()
    c.voltage_source("mains", "live", EARTH, {50.0: 230.0 + 0j})
    c.capacitor("live", "wire", picofarad * 1e-12)
    c.resistor("wire", EARTH, 10e6)
    exact = 230 * 10e6 / math.hypot(10e6, 1 / (2 * math.pi * 50 * picofarad * 1e-12))
    ghost = abs(c.solve(50.0).voltage("wire"))
    assert ghost == pytest.approx(exact)
    assert ghost == pytest.approx(expected, abs=0.5)
    c.resistor("wire", EARTH, 3e3)
    assert abs(c.solve(50.0).voltage("wire")) < 0.03


def test_a_floating_island_is_solved_and_its_ground_reference_changes_nothing() -> None:
    c = Circuit()
    c.voltage_source("cell", "plus", "minus", {0.0: 1.5 + 0j}, 0.5)
    c.resistor("plus", "minus", 1.0)
    assert c.solve(0.0).voltage("plus", "minus") == pytest.approx(1.0)


def test_contradicting_sources_end_in_one_clear_error() -> None:
    c = Circuit()
    c.voltage_source("a", "n", EARTH, {0.0: 1.0 + 0j})
    c.voltage_source("b", "n", EARTH, {0.0: 2.0 + 0j})
    with pytest.raises(AnalysisError, match="no single solution"):
        c.solve(0.0)
    with pytest.raises(AnalysisError, match="two elements"):
        c.voltage_source("a", "m", EARTH, {})
    with pytest.raises(AnalysisError, match="positive"):
        c.resistor("n", "m", 0.0)
