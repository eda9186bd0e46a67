"""Where a ratio can be trusted."""

from __future__ import annotations

import math

import pytest

from benchlog.errors import UsageError
from benchlog.magnetics.frequency_window import flatness_finding, voltage_ratio_window


@pytest.mark.parametrize(("al", "turns", "low_khz"), [(2.5e-6, 50, 25), (62e-6, 60, 0.7)])
def test_magnetising_impedance_of_twenty_generator_resistances(al: float, turns: int, low_khz: float) -> None:
    window = voltage_ratio_window(al, turns, generator_ohm=50)
    assert window.low_hz / 1e3 == pytest.approx(low_khz, rel=0.025)
    assert window.bound == "signal"


def test_flux_sets_the_low_end_of_a_high_al_core() -> None:
    """5 V peak on 60 turns, 37.5 mm²: 0.071 T at 5 kHz is well below a fifth of 1.2 T, 0.35 T at 1 kHz is not."""
    window = voltage_ratio_window(62e-6, 60, level_peak_v=5.0, area_m2=37.5e-6, limit_t=1.2)
    assert window.bound == "flux"
    assert 1e3 < window.low_hz < 5e3


def test_resonance_and_roll_off_close_the_window() -> None:
    window = voltage_ratio_window(62e-6, 60, resonance_hz=100e3, roll_off_hz=20e3)
    assert window.high_hz == 5e3
    assert window.low_hz < window.recommended_hz < window.high_hz
    shut = voltage_ratio_window(2.5e-6, 50, roll_off_hz=10e3)
    assert not shut.is_open
    with pytest.raises(UsageError, match="no frequency fits"):
        _ = shut.recommended_hz


def test_flatness_proof() -> None:
    flat = {"2 kHz": 60.02, "6 kHz": 60.05, "6 kHz, 3 V": 60.0}
    assert flatness_finding(flat) is None
    finding = flatness_finding({**flat, "700 Hz": 60.6})
    assert finding is not None
    assert "700 Hz" in finding
    with pytest.raises(UsageError):
        flatness_finding({"2 kHz": 60.0})


def test_half_given_or_senseless_conditions_are_refused() -> None:
    with pytest.raises(UsageError, match="both"):
        voltage_ratio_window(62e-6, 60, area_m2=1e-6)
    with pytest.raises(UsageError):
        voltage_ratio_window(0.0, 60)
    assert math.isinf(voltage_ratio_window(62e-6, 60).high_hz)
