"""Charts against published data, and their run lengths exactly and by simulation."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from benchlog.errors import AnalysisError
from benchlog.metrology.charts import (
    BASELINE_COUNTS,
    EWMA_LAMBDA,
    EWMA_LIMIT,
    ChartSignal,
    cusum,
    ewma,
    ewma_limits,
    ewma_run_length,
    individuals_limits,
    repeatability_chart,
    shewhart_run_length,
)

GOLDEN = Path(__file__).parents[1] / "golden"


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a golden table."""
    with (GOLDEN / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_ewma_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: lambda 0.3, start 50; limits from s = 2.0539. READ, secondary."""
    table = rows("nist_handbook_ewma.csv")
    found = ewma([float(r["value"]) for r in table], 50.0, 0.3)
    assert found == pytest.approx([float(r["ewma_recomputed"]) for r in table], abs=1e-5)
    assert found == pytest.approx([float(r["ewma_published"]) for r in table], abs=0.0051)
    assert ewma_limits(50.0, 2.0539, 0.3) == pytest.approx((47.41157, 52.5884), abs=5e-5)


def test_cusum_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959: signals from group 14. READ, secondary."""
    table = rows("nist_handbook_cusum.csv")
    found = cusum([float(r["mean"]) for r in table], 325.0, 0.3175, 4.1959)
    assert found.high == pytest.approx([float(r["s_hi_recomputed"]) for r in table], abs=1e-4)
    assert found.low == pytest.approx([float(r["s_lo_recomputed"]) for r in table], abs=1e-4)
    assert list(found.signals) == [r["signal_high"] == "1" for r in table]
    assert int(np.argmax(found.signals)) == 13


def test_individuals_chart_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, limits 45.8159 and 55.8041. READ, secondary."""
    data = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    assert individuals_limits(data) == pytest.approx((45.8159, 50.81, 55.8041), abs=2e-3)


def test_moving_range_constant_is_the_published_d2() -> None:
    """d2 of two values, 2 / sqrt(pi): textbook table A.22, READ."""
    published = float(rows("control_chart_constants.csv")[0]["d2_published"])
    low, mean, high = individuals_limits([0.0, 1.0, 0.0, 1.0])
    assert 3.0 / (high - mean) == pytest.approx(published, abs=5e-4)
    assert high - mean == pytest.approx(mean - low)


@pytest.mark.parametrize(
    ("shift", "small", "plain"), [(0.0, 193.0, 370.4), (1.0, 8.9, 43.9), (2.0, 3.1, 6.3), (3.0, 1.9, 2.0)]
)
def test_exact_run_lengths(shift: float, small: float, plain: float) -> None:
    """EWMA (0.3, 2.7) by a Markov chain against three sigma alone by the normal tail.

    Shewhart values are textbook ones; those of the EWMA agree with 200 000 simulated runs.
    """
    assert ewma_run_length(shift) == pytest.approx(small, abs=0.07 if shift else 0.5)
    assert shewhart_run_length(shift) == pytest.approx(plain, abs=0.06)


def test_run_length_converges_with_the_number_of_states() -> None:
    """Twice the states change nothing that is shown."""
    assert ewma_run_length(1.0, states=201) == pytest.approx(ewma_run_length(1.0, states=401), rel=1e-3)
    assert ewma_run_length(0.5, weight=1.0, limit=3.0) == pytest.approx(shewhart_run_length(0.5), rel=2e-3)


@pytest.mark.parametrize("shift", [0.0, 1.0, 2.0])
def test_run_lengths_by_simulation(shift: float) -> None:
    """4000 simulated charts give the exact run length within four standard errors."""
    rng = np.random.default_rng(11)
    edge = EWMA_LIMIT * math.sqrt(EWMA_LAMBDA / (2 - EWMA_LAMBDA))
    z, length = np.zeros(4000), np.zeros(4000)
    running = np.ones(4000, dtype=bool)
    while running.any():
        z[running] = EWMA_LAMBDA * rng.normal(shift, 1.0, running.sum()) + (1 - EWMA_LAMBDA) * z[running]
        length[running] += 1
        running &= np.abs(z) <= edge
    exact = ewma_run_length(shift)
    assert length.mean() == pytest.approx(exact, abs=4 * length.std() / math.sqrt(length.size))


def test_chart_acts_at_the_second_reading_of_a_sagging_meter() -> None:
    """5.01, 5.05, 5.19 V on one count of 10 mV: four counts up is far beyond its own repeatability."""
    first, second, third = repeatability_chart([5.01, 5.05, 5.19], 0.01)
    assert first.signal is ChartSignal.QUIET
    assert second.signal is ChartSignal.ACT
    assert second.deviation == pytest.approx(4.0 / (BASELINE_COUNTS * math.sqrt(2)))
    assert third.signal is ChartSignal.ACT


def test_a_steady_meter_stays_quiet() -> None:
    """A digit's bobble about one value says nothing."""
    points = repeatability_chart([5.01, 5.01, 5.00, 5.01, 5.02, 5.01, 5.00, 5.01], 0.01)
    assert {p.signal for p in points} <= {ChartSignal.QUIET, ChartSignal.WARN}


def test_base_line_begins_anew_after_a_battery() -> None:
    """As left begins a new base line; the old one is not held against it."""
    points = repeatability_chart([5.01, 5.19, 5.01], 0.01, restarts=[2])
    assert points[2].signal is ChartSignal.QUIET
    assert points[2].centre == 5.01


def test_small_lasting_shift_is_seen_by_the_smoothed_chart() -> None:
    """A shift of two sigma is caught by the EWMA though no single reading is beyond three."""
    steady = [5.000, 5.001, 4.999, 5.000, 5.001, 5.000, 4.999, 5.000, 5.001, 5.000]
    points = repeatability_chart([*steady, *([5.002] * 12)], 0.001)
    acted = [p for p in points if p.signal is ChartSignal.ACT]
    assert acted
    assert all(abs(p.deviation) < 3 for p in acted)
    assert "EWMA" in acted[0].why


def test_false_alarms_of_a_short_base_line() -> None:
    """A steady meter's chart acts at most twice as often as the two rules with known sigma would together."""
    rng = np.random.default_rng(5)
    alarms = readings = 0
    for _ in range(150):
        values = np.round(5.0 + 0.006 * rng.standard_normal(60), 2)
        acts = [p.signal is ChartSignal.ACT for p in repeatability_chart(values, 0.01)]
        first = acts.index(True) if True in acts else None
        alarms += first is not None
        readings += len(acts) if first is None else first + 1
    # Once in 193 readings (EWMA) and once in 370 (three sigma); the time to the first alarm counts.
    assert alarms / readings < 2 * (1 / 193 + 1 / 370)


@pytest.mark.parametrize("bad", [0.0, -1.0, 1.5])
def test_impossible_weights_are_refused(bad: float) -> None:
    """A weight outside (0, 1] is a slip."""
    with pytest.raises(AnalysisError):
        ewma([1.0], 0.0, bad)
    with pytest.raises(AnalysisError):
        ewma_run_length(0.0, bad)


def test_chart_without_resolution_is_refused() -> None:
    """Repeatability in counts needs a count."""
    with pytest.raises(AnalysisError):
        repeatability_chart([5.0], 0.0)
