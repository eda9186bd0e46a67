"""Real records: motor currents and core flux, against values computed with scipy beforehand.

Read from the folder named by BENCHLOG_DATASETS; skipped where there is none.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from benchlog.signal.sine_fit import fit_sines
from benchlog.signal.waveform import measure_waveform


def currents(datasets: Path, name: str) -> list[npt.NDArray[np.float64]]:
    """Three phases, 1000 samples of 1 ms each."""
    return list(np.loadtxt(datasets / name, delimiter=",").T)


def test_phases_of_a_healthy_motor(datasets: Path) -> None:
    """Reference: least-squares sine fit at common 59.98283 Hz, B/A 0.9934328 at -120.913 degree, C/A 1.002665 at
    113.831 degree.
    """
    fit = fit_sines(currents(datasets, "motor_3phase_current_60hz_headerless.csv"), 1e-3)
    assert fit.frequency_hz == pytest.approx(59.98283, abs=5e-4)
    second, third = fit.ratio(1, 0), fit.ratio(2, 0)
    assert second.ratio == pytest.approx(0.9934328, abs=2 * second.u_ratio)
    assert second.ratio == pytest.approx(0.9934328, abs=2e-5)
    assert second.phase_deg == pytest.approx(-120.913, abs=2e-3)
    assert third.ratio == pytest.approx(1.002665, abs=2e-5)
    assert third.phase_deg == pytest.approx(113.831, abs=2e-3)
    assert not fit.blocked


def test_phases_of_a_faulty_motor_are_found_and_their_wandering_said(datasets: Path) -> None:
    """Reference at phase A's own 60.01984 Hz: B/A 1.0531 at -142.1 degree, C/A 0.7008 at 110.9 degree.

    The phases' frequencies differ by 0.03 Hz in the reference, so a common frequency gives other numbers by
    0.3 %; the record is said to move.
    """
    fit = fit_sines(currents(datasets, "motor_3phase_current_fault_headerless.csv"), 1e-3)
    assert fit.ratio(1, 0).ratio == pytest.approx(1.053107, rel=4e-3)
    assert fit.ratio(1, 0).phase_deg == pytest.approx(-142.092, abs=0.1)
    assert fit.ratio(2, 0).ratio == pytest.approx(0.700802, rel=4e-3)
    assert fit.ratio(2, 0).phase_deg == pytest.approx(110.908, abs=0.1)
    assert {"amplitude moves", "frequency moves"} <= {f.kind for f in fit.findings}


@pytest.mark.parametrize(
    ("phase", "frequency", "ac_rms", "crest", "distortion"),
    [
        (0, 59.98283, 1.971372, 1.4188, 1.6867e-5),
        (1, 59.98191, 1.958183, 1.4219, 6.0195e-5),
        (2, 59.98247, 1.976097, 1.4221, 1.9226e-5),
    ],
)
def test_waveform_of_motor_currents(
    datasets: Path, phase: int, frequency: float, ac_rms: float, crest: float, distortion: float
) -> None:
    """Reference: four-parameter fit, rms of all samples, least-squares harmonics 2 to 7."""
    current = currents(datasets, "motor_3phase_current_60hz_headerless.csv")[phase]
    got = measure_waveform(current, 1e-3, unit="A", highest_harmonic=7)
    assert got.frequency is not None
    assert got.thd is not None
    assert got.frequency.value == pytest.approx(frequency, abs=1e-4)
    assert got.ac_rms.value == pytest.approx(ac_rms, abs=got.ac_rms.expanded_uncertainty)
    assert got.ac_crest_factor.value == pytest.approx(crest, rel=1e-3)
    assert got.thd.value == pytest.approx(distortion, rel=1e-3)
    assert got.whole_cycles == 59


@pytest.mark.parametrize(
    ("row", "mean", "rms", "crest", "fundamental", "percent"),
    [
        (0, 0.000361629, 0.212495, 1.78507, 0.273228, 45.7864),
        (10, 7.74914e-05, 0.11958, 1.55491, 0.167526, 13.786),
        (50, 0.00013186, 0.130682, 1.43917, 0.183937, 9.76142),
        (100, 0.000232705, 0.137386, 1.71919, 0.190993, 18.6658),
        (150, 0.00045658, 0.435375, 1.11811, 0.585047, 32.7867),
        (200, 0.00018406, 0.108347, 1.71334, 0.13965, 45.1492),
    ],
)
def test_flux_of_a_ferrite_core_over_one_period(
    datasets: Path, row: int, mean: float, rms: float, crest: float, fundamental: float, percent: float
) -> None:
    """Exactly one period of 128 samples, so every number is that of a coherent transform to all digits given."""
    loadmat = pytest.importorskip("scipy.io").loadmat
    flux = loadmat(datasets / "core_flux_one_period_128.mat")["b"][row]
    got = measure_waveform(flux, 1 / 128, unit="T", frequency_hz=1.0, highest_harmonic=20)
    assert got.thd is not None
    assert got.mean.value == pytest.approx(mean, rel=1e-5)
    assert got.rms.value == pytest.approx(rms, rel=5e-6)
    assert got.ac_crest_factor.value == pytest.approx(crest, rel=5e-6)
    assert abs(got.harmonics[0]) == pytest.approx(fundamental, rel=5e-6)
    assert 100 * got.thd.value == pytest.approx(percent, rel=5e-6)
    assert got.harmonics_counted == 20
