"""Charts against published data and by simulation."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from benchlog.errors import AnalysisError
from benchlog.metrology.charts import (
    BASELINE_COUNTS,
    ChartSignal,
    ewma,
    repeatability_chart,
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


def test_chart_without_resolution_is_refused() -> None:
    """Repeatability in counts needs a count."""
    with pytest.raises(AnalysisError):
        repeatability_chart([5.0], 0.0)
