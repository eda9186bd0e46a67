"""Frequency, level and sweep chosen from the core."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest

from benchlog.errors import UsageError
from benchlog.magnetics.drive_choice import HIGH_HZ, Drive, choose_drive, sweep_frequencies
from benchlog.magnetics.flux import peak_flux_density_t


def test_a_tape_core_is_measured_at_a_few_kilohertz_bound_by_flux() -> None:
    drive = choose_drive(62e-6, 60, area_m2=37.5e-6, saturation_t=1.0)
    assert drive.window.bound == "flux"
    assert 1e3 <= drive.frequency_hz <= 5e3
    low_hz, high_hz = drive.proof_hz
    assert drive.window.low_hz <= low_hz
    assert high_hz / low_hz == pytest.approx(3)
    assert drive.flux_t == pytest.approx(peak_flux_density_t(5, low_hz, 60, 37.5e-6))
    assert drive.findings() == ()


def test_a_ferrite_core_of_few_turns_is_bound_by_signal() -> None:
    # 20 Rs / (2 pi AL N^2) = 25.5 kHz at 2.5 uH and 50 turns.
    drive = choose_drive(2.5e-6, 50, area_m2=50e-6, saturation_t=0.35)
    assert drive.window.bound == "signal"
    assert drive.frequency_hz == pytest.approx(51e3)


def test_a_small_core_gets_a_lower_level_rather_than_too_high_a_frequency() -> None:
    drive = choose_drive(2.5e-6, 16, area_m2=1e-6, saturation_t=0.3)
    assert drive.amplitude_vpp < 10
    assert drive.window.is_open
    assert drive.flux_t is not None
    assert drive.flux_t <= 0.2 * 0.3 * 1.05  # the frequency is rounded to two digits


def test_a_powder_core_has_no_window_at_50_ohm() -> None:
    with pytest.raises(UsageError, match="no frequency fits"):
        choose_drive(40e-9, 60)


def test_a_pinned_frequency_outside_the_window_is_reported() -> None:
    drive = choose_drive(62e-6, 60, frequency_hz=100.0)
    assert drive.frequency_hz == 100.0
    assert "outside the usable range" in drive.findings()[0]


def test_nonsense_is_refused() -> None:
    with pytest.raises(UsageError, match="above zero"):
        choose_drive(61e-6, 60, amplitude_vpp=0)
    with pytest.raises(UsageError, match="not a frequency"):
        choose_drive(61e-6, 60, frequency_hz=-1)
    with pytest.raises(UsageError, match="both core area and saturation"):
        choose_drive(61e-6, 60, area_m2=1e-5)


@pytest.fixture
def tape() -> Drive:
    return choose_drive(61e-6, 60, area_m2=37.5e-6, saturation_t=1.0)


def test_a_sweep_is_even_on_a_log_scale_and_reaches_the_corner(tape: Drive) -> None:
    sweep = sweep_frequencies(tape, 61e-6, 60, generator_ohm=50, points=13)
    assert len(sweep) == 13
    steps = [b / a for a, b in pairwise(sweep)]
    assert steps == pytest.approx([steps[0]] * 12)
    corner = 50 / (2 * math.pi * 61e-6 * 3600)
    assert corner <= sweep[0] < 2 * corner
    assert sweep[-1] <= HIGH_HZ


def test_a_sweep_keeps_the_sense_voltage_above_a_millivolt(tape: Drive) -> None:
    low = choose_drive(61e-6, 60, amplitude_vpp=1.0, area_m2=37.5e-6, saturation_t=1.0, frequency_hz=3500)
    first = sweep_frequencies(low, 61e-6, 60, generator_ohm=50, points=9)[0]
    sense_v = low.amplitude_vpp / 2 * first / low.frequency_hz / 60
    assert sense_v == pytest.approx(1e-3)


def test_too_few_points_do_not_make_a_sweep(tape: Drive) -> None:
    with pytest.raises(UsageError, match="too few for a sweep"):
        sweep_frequencies(tape, 61e-6, 60, generator_ohm=50, points=4)
