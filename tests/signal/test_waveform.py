"""Averages over whole cycles, factors and distortion, against closed forms and the published table."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from helpers.waveforms import ideal_waveform
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.capture import Capture, ChannelRecord
from benchlog.checks.average_responding import SINE_FORM_FACTOR
from benchlog.errors import AnalysisError
from benchlog.result import Uncertain
from benchlog.signal.cycle_average import CycleWindows
from benchlog.signal.waveform import measure_channel, measure_waveform

TABLE = Path(__file__).parents[1] / "golden" / "waveform_factors.csv"
ROWS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))
NAME = "waveform (scaled to true rms 1)"


def covers(quantity: Uncertain, truth: float, digits: float = 0.0) -> bool:
    """Whether truth, known to `digits`, is within the expanded uncertainty."""
    return abs(quantity.value - truth) <= quantity.expanded_uncertainty + digits


@pytest.mark.parametrize("row", ROWS, ids=[r[NAME] for r in ROWS])
@pytest.mark.parametrize("cycles", [20.0, 17.3, 7.77])
def test_every_row_of_the_published_table_comes_out(row: dict[str, str], cycles: float) -> None:
    """All averages and factors lie within their own stated uncertainty of the table, whole cycles or not.

    60 000 samples; pulses of 1 % duty are the coarsest, their edges fall between samples.
    """
    n, name = 60_000, row[NAME]
    wave = float(row["peak"]) * ideal_waveform(name, np.arange(n) * cycles / n + 0.0013)
    got = measure_waveform(wave, 1e-5)
    table = {
        "dc_mean": got.mean,
        "rms_ac_plus_dc": got.rms,
        "rms_ac_coupled": got.ac_rms,
        "mean_abs_ac_plus_dc": got.mean_abs,
        "mean_abs_ac_coupled": got.ac_mean_abs,
        "crest_factor": got.crest_factor,
        "form_factor": got.form_factor,
    }
    for column, quantity in table.items():
        assert covers(quantity, float(row[column]), digits=1.5e-5), column
        assert quantity.expanded_uncertainty < 0.05 * max(1.0, abs(quantity.value)) ** 2, column
    assert got.whole_cycles == math.floor(cycles * (2 if name.startswith("full-wave") else 1))
    shown = SINE_FORM_FACTOR * got.ac_mean_abs.value
    truth, margin = float(row["average_responding_reading_ac_coupled"]), got.ac_mean_abs.expanded_uncertainty
    assert shown == pytest.approx(truth, abs=SINE_FORM_FACTOR * margin + 1.5e-5)
    error = 100 * (shown / got.ac_rms.value - 1)
    assert error == pytest.approx(float(row["average_responding_error_percent_of_ac_rms"]), abs=0.15)


def square_distortion(highest: int) -> float:
    """THD of a square wave with odd harmonics 1/h up to the highest."""
    return math.sqrt(sum(1 / h**2 for h in range(3, highest + 1, 2)))


def triangle_distortion(highest: int) -> float:
    """THD of a triangle with odd harmonics 1/h^2 up to the highest."""
    return math.sqrt(sum(1 / h**4 for h in range(3, highest + 1, 2)))


@pytest.mark.parametrize(
    ("name", "highest", "percent"),
    [
        ("square 50% bipolar", 9, 42.88),
        ("square 50% bipolar", 40, 47.03),
        ("square 50% bipolar", 50, 47.30),
        ("triangle", 9, 12.05),
    ],
)
def test_distortion_counts_the_harmonics_it_says(name: str, highest: int, percent: float) -> None:
    """Square and triangle up to the 9th, 40th and 50th; infinite harmonics would give 48.34 and 12.12 %.

    The percentages are recomputed from the Fourier series, as is the closed form here.
    """
    n = 120_000
    got = measure_waveform(
        ideal_waveform(name, np.arange(n) * 31.3 / n + 0.1), 1e-5, highest_harmonic=highest
    )
    closed = square_distortion(highest) if name.startswith("square") else triangle_distortion(highest)
    assert got.thd is not None
    assert got.harmonics_counted == highest
    assert 100 * closed == pytest.approx(percent, abs=0.006)
    assert got.thd.value == pytest.approx(closed, abs=4e-4)
    assert covers(got.thd, closed, digits=2e-4)


def test_fewer_harmonics_are_counted_where_sampling_allows_no_more() -> None:
    """Twenty samples a cycle: nine harmonics, and that is said."""
    got = measure_waveform(ideal_waveform("triangle", np.arange(2000) / 20.02), 1e-3)
    assert got.harmonics_counted == 9
    assert got.thd is not None
    assert got.thd.value == pytest.approx(triangle_distortion(9), rel=0.02)


def test_noise_is_not_distortion_yet_makes_it_uncertain() -> None:
    """A pure sine at 40 dB: the stated interval reaches down to zero."""
    n = 20_000
    noise = 0.01 * np.random.default_rng(1).normal(size=n)
    got = measure_waveform(np.sin(2 * np.pi * 31.7 * np.arange(n) / n) + noise, 1e-5)
    assert got.thd is not None
    assert got.thd.value < 2e-3
    assert covers(got.thd, 0.0)


def test_stated_uncertainties_hold_the_truth_under_noise() -> None:
    """60 noisy records with 10 % third harmonic and an offset: 57 of them on average, 53 at least."""
    rng = np.random.default_rng(14)
    n, runs = 4000, 60
    held = dict.fromkeys(("rms", "ac_rms", "mean", "frequency", "thd"), 0)
    for _ in range(runs):
        cycles, phase, sigma = rng.uniform(3, 60), rng.uniform(0, 6), 0.02
        turn = 2 * np.pi * cycles * np.arange(n) / n + phase
        wave = 2 * np.sin(turn) + 0.2 * np.sin(3 * turn) + 0.5
        got = measure_waveform(wave + sigma * rng.normal(size=n), 1e-4, highest_harmonic=5)
        # The noise is part of what a meter would read.
        ac_power = 2.0 + 0.02 + sigma**2
        truth = {
            "rms": math.sqrt(ac_power + 0.25),
            "ac_rms": math.sqrt(ac_power),
            "mean": 0.5,
            "frequency": cycles / (n * 1e-4),
            "thd": 0.1,
        }
        for name, value in truth.items():
            held[name] += covers(getattr(got, name), value)
    assert min(held.values()) >= 53, held


def test_one_exact_cycle_is_measured_when_its_frequency_is_stated() -> None:
    """128 samples of one period; the same record without the statement is doubted."""
    wave = ideal_waveform("triangle", np.arange(128) / 128)
    got = measure_waveform(wave, 1 / 128, frequency_hz=1.0, highest_harmonic=20)
    assert got.whole_cycles == 1
    assert got.rms.value == pytest.approx(1 / math.sqrt(3), rel=1e-3)
    assert got.frequency is not None
    assert got.frequency.value == 1.0
    assert "too few cycles" not in {f.kind for f in got.findings}
    assert "too few cycles" in {f.kind for f in measure_waveform(wave, 1 / 128).findings}


def test_direct_voltage_with_noise_has_averages_and_no_frequency() -> None:
    """All samples are taken; no tone is made up."""
    supply = 5.0 + 0.01 * np.random.default_rng(3).normal(size=3000)
    got = measure_waveform(supply, 1e-5)
    assert got.frequency is None
    assert got.thd is None
    assert got.whole_cycles == 0
    assert covers(got.mean, 5.0)
    assert covers(got.ac_rms, 0.01)
    assert "no signal" in {f.kind for f in got.findings}


def test_a_coarse_converter_makes_the_mean_and_rms_less_sure() -> None:
    """20 steps peak without noise: the budget names the converter."""
    codes = np.round(20 * np.sin(np.arange(5000) * 0.0377)).astype(np.int8)
    got = measure_waveform(codes, 1e-5, scale=0.1)
    assert covers(got.ac_rms, 2 / math.sqrt(2))
    assert "converter steps" in {line.label for line in got.ac_rms.budget}


def test_a_channel_is_measured_with_scale_offset_and_probe() -> None:
    """Codes of 0.05 V behind a ten to one probe."""
    codes = np.round(100 * np.sin(np.arange(8000) * 0.05)).astype(np.int8)
    record = ChannelRecord("CH2", codes, scale=0.05, offset=0.1, probe=10.0, code_limits=(-128, 127))
    got = measure_channel(Capture((record,), 1e-5), "CH2")
    assert got.mean.value == pytest.approx(1.0, abs=0.01)
    assert got.ac_rms.value == pytest.approx(50 / math.sqrt(2), rel=1e-3)
    assert got.rms.unit == "V"


def test_a_flat_record_is_refused() -> None:
    """No form or crest factor of nothing."""
    with pytest.raises(AnalysisError, match="all samples are 3 V"):
        measure_waveform(np.full(1000, 3.0), 1e-3)


def test_less_than_a_stated_cycle_is_refused() -> None:
    """Half a mains cycle can't be averaged over whole cycles."""
    with pytest.raises(AnalysisError, match=r"holds 0.5 cycles of 50 Hz"):
        measure_waveform(np.sin(np.arange(1000) * 1e-3 * np.pi), 1e-5, frequency_hz=50.0)


@settings(max_examples=20)
@given(st.floats(0.01, 100), st.floats(-5, 5), st.floats(2.1, 40))
def test_gain_scales_and_offset_shifts(gain: float, offset: float, cycles: float) -> None:
    """Scale and offset of the channel act as on every sample."""
    wave = ideal_waveform("half-wave rectified sine", np.arange(3000) * cycles / 3000 + 0.2)
    plain = measure_waveform(wave, 1e-4)
    moved = measure_waveform(wave, 1e-4, scale=gain, offset=offset)
    assert moved.ac_rms.value == pytest.approx(gain * plain.ac_rms.value, rel=1e-9)
    assert moved.mean.value == pytest.approx(
        gain * plain.mean.value + offset, abs=1e-9 * (gain + abs(offset))
    )
    assert moved.ac_crest_factor.value == pytest.approx(plain.ac_crest_factor.value, rel=1e-6)


def test_parts_of_samples_at_the_ends_count_in_proportion() -> None:
    """Two and a half samples a cycle: each cycle sums to the same."""
    codes = np.array([1.0, 1.0, 0.0, 0.0, 0.0] * 10)
    assert CycleWindows(codes, 5.0, 1.0, 0.0).average(lambda x: x).value == pytest.approx(0.4, rel=1e-12)
    assert CycleWindows(np.ones(50), 2.5, 2.0, 1.0).average(lambda x: x).value == pytest.approx(
        3.0, rel=1e-12
    )
