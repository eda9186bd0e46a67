"""Saturation, droop and open secondary against worked figures."""

from __future__ import annotations

import math

import pytest

from benchlog.errors import UsageError
from benchlog.magnetics.core import MU_0
from benchlog.magnetics.flux import (
    droop,
    open_secondary_peak_v,
    peak_flux_density_t,
    saturating_direct_current_a,
)


@pytest.mark.parametrize(
    ("frequency", "turns", "area_mm2", "tesla", "digits"),
    [(1e3, 60, 37.5, 0.35, 2), (5e3, 60, 37.5, 0.071, 3), (25e3, 50, 50.0, 0.013, 3)],
)
def test_generator_level_of_5_v_peak(
    frequency: float, turns: int, area_mm2: float, tesla: float, digits: int
) -> None:
    assert round(peak_flux_density_t(5.0, frequency, turns, area_mm2 * 1e-6), digits) == tesla


def test_droop_vector() -> None:
    assert droop(10e-6, 6.25e-3, 50.5) == pytest.approx(0.07762, abs=5e-6)
    time_constant = 123.8e-6
    assert droop(time_constant, 6.25e-3, 50.5) == pytest.approx(1 - math.exp(-1), abs=1e-3)


def test_direct_current_saturates_a_tape_core_below_one_ampere() -> None:
    """u = 80 000, le = 61.5 mm, 1.2 T: 0.73 A in one turn."""
    by_field = 1.2 * 61.5e-3 / (MU_0 * 80_000)
    al = MU_0 * 80_000 * 37.5e-6 / 61.5e-3
    assert by_field == pytest.approx(0.73, abs=0.005)
    assert saturating_direct_current_a(1.2, 37.5e-6, al) == pytest.approx(by_field)
    # A relay conducting one half-cycle of 12.6 A rms carries a mean of 5.7 A and blinds such a core.
    assert 12.6 * math.sqrt(2) / math.pi == pytest.approx(5.7, abs=0.05)


@pytest.mark.parametrize(
    ("peak_a", "frequency", "turns", "al", "volts"),
    [
        (12.6 * math.sqrt(2), 50, 60, 62e-6, 21),
        (100 * math.sqrt(2), 50, 1000, 62e-6, 2.7e3),
        (200, 100e3, 50, 2.5e-6, 15.7e3),
    ],
)
def test_open_secondary(peak_a: float, frequency: float, turns: int, al: float, volts: float) -> None:
    found = open_secondary_peak_v(al, turns, 2 * math.pi * frequency * peak_a)
    assert found == pytest.approx(volts, rel=0.03)


@pytest.mark.parametrize(
    "call",
    [
        lambda: peak_flux_density_t(1.0, 0.0, 60, 37.5e-6),
        lambda: peak_flux_density_t(1.0, 50.0, 0, 37.5e-6),
        lambda: droop(1e-3, 0.0, 1.0),
        lambda: saturating_direct_current_a(1.0, 1e-6, 0.0),
    ],
)
def test_zero_where_it_makes_no_sense_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(UsageError, match="above zero"):
        call()


def test_current_transformer_examples_in_print() -> None:
    """READ (maker's tutorial): 1 A, 100 turns, 10 ohm gives 100 mV; 8 A peak, 1000 turns, 3.5 V needs 438 ohm.

    READ formula, number recomputed: 100 A to 50 mA has 2000 turns, 3.3 V of converter range takes 23.3 ohm.
    """
    from benchlog.magnetics.transformer import Transformer

    # A large AL makes the ideal transformer of the tutorial.
    assert abs(Transformer(100, 1.0).injection_transfer(50.0, 10.0)) * 1.0 == pytest.approx(0.1)
    assert abs(Transformer(1000, 1.0).injection_transfer(50.0, 438.0)) * 8 == pytest.approx(3.5, abs=5e-3)
    burden = 3.3 * 2000 / (2 * math.sqrt(2) * 100)
    assert burden == pytest.approx(23.3, abs=0.05)
    assert abs(Transformer(2000, 1.0).injection_transfer(50.0, burden)) * 100 * 2 * math.sqrt(
        2
    ) == pytest.approx(3.3)
