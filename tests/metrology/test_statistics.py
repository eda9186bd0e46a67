"""Summary statistics against NIST StRD certified values, lines against numpy and scipy."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from benchlog.errors import AnalysisError
from benchlog.metrology.statistics import (
    effective_number,
    lag1_autocorrelation,
    least_squares_line,
    mean_and_sd,
    robust_sd,
    summarize,
)

# Agreeing digits: the best that doubles allow on NumAcc3 and NumAcc4, whose decimal data are not exact in binary.
DIGITS = {"NumAcc3": (15, 9, 9), "NumAcc4": (15, 8, 8)}
NAMES = ["Michelso", "Lew", "Lottery", "Mavro", "NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4", "PiDigits"]


def _agreeing_digits(found: float, certified: float) -> float:
    return 16.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", NAMES)
def test_nist_strd_univariate_sets(golden: Path, name: str) -> None:
    """NIST StRD, univariate summary statistics (READ): mean, sd (n - 1), lag-1 autocorrelation."""
    with (golden / "nist_strd_certified.csv").open(encoding="utf-8") as stream:
        row = next(r for r in csv.DictReader(stream) if r["dataset"] == name)
    data = np.loadtxt(golden / row["data_file"], skiprows=1)
    assert data.size == int(row["n"])
    summary = summarize(data)
    least = DIGITS.get(name, (14, 12, 12))
    certified = [float(row[f"certified_{k}"]) for k in ("mean", "sd_n_minus_1", "lag1_autocorrelation")]
    for found, value, digits in zip((summary.mean, summary.sd, summary.lag1), certified, least, strict=True):
        assert _agreeing_digits(found, value) >= digits


@given(st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=30), st.floats(-1e6, 1e6), st.floats(0.01, 100))
def test_shift_and_scale(values: list[float], shift: float, scale: float) -> None:
    mean, sd = mean_and_sd(values)
    moved, wider = mean_and_sd(np.array(values) * scale + shift)
    assert moved == pytest.approx(mean * scale + shift, abs=1e-6)
    assert wider == pytest.approx(sd * scale, abs=1e-6)


def test_line_equals_an_independent_fit() -> None:
    rng = np.random.default_rng(4)
    x = np.sort(rng.uniform(0, 1e4, 300)) + 1e6
    y = 3.0 - 2e-3 * x + rng.normal(0, 0.5, 300)
    line = least_squares_line(x, y)
    other = scipy.stats.linregress(x, y)
    assert line.slope == pytest.approx(other.slope, rel=1e-9)
    assert line.intercept == pytest.approx(other.intercept, rel=1e-9)
    assert line.u_slope == pytest.approx(other.stderr, rel=1e-9)
    assert line.u_intercept == pytest.approx(other.intercept_stderr, rel=1e-9)
    assert line.correlation == pytest.approx(other.rvalue, rel=1e-9)


def test_memory_leaves_fewer_effective_readings() -> None:
    """The mean of a first-order process scatters as its effective number says."""
    rng = np.random.default_rng(8)
    noise = rng.normal(size=(400, 2000))
    series = np.empty_like(noise)
    series[:, 0] = noise[:, 0] / math.sqrt(1 - 0.81)
    for i in range(1, 2000):
        series[:, i] = 0.9 * series[:, i - 1] + noise[:, i]
    claimed = np.median([summarize(s).u_mean for s in series[:60]])
    assert claimed == pytest.approx(series.mean(axis=1).std(), rel=0.12)
    assert effective_number(100, -0.5) == 100
    assert effective_number(100, 1.0) == 1


def test_constant_series_and_robust_spread() -> None:
    assert lag1_autocorrelation([5.0] * 9) == 0
    assert summarize([5.0] * 9).u_mean == 0
    assert robust_sd(np.random.default_rng(2).normal(0, 2, 20000)) == pytest.approx(2, rel=0.03)


def test_too_few_or_no_numbers_are_refused() -> None:
    with pytest.raises(AnalysisError, match="too few"):
        mean_and_sd([1.0])
    with pytest.raises(AnalysisError, match="without a number"):
        summarize([1.0, float("nan"), 2.0])
    with pytest.raises(AnalysisError, match="no line fits"):
        least_squares_line([1.0, 1.0], [1.0, 2.0])
    with pytest.raises(AnalysisError, match="can't be paired"):
        least_squares_line([1.0, 2.0], [1.0, 2.0, 3.0])


def test_five_year_drift_of_a_standard_resistor(datasets: Path) -> None:
    """NIST standard resistor: it climbs over five years, faster at the beginning (slope by numpy)."""
    from benchlog.capture_files import load_log

    log = load_log(datasets / "nist_standard_resistor_5years.dat")
    resistance = log.column("Resistance")
    days = np.array(
        [
            np.datetime64(f"19{int(y):02d}-{int(m):02d}-{int(d):02d}")
            for y, m, d in zip(log.column("Year"), log.column("Month"), log.column("Day"), strict=True)
        ]
    )
    elapsed = (days - days[0]).astype(np.float64)
    line = least_squares_line(elapsed, resistance)
    assert line.slope == pytest.approx(0.000112633, rel=1e-5)
    memory = 1000 / effective_number(
        1000, lag1_autocorrelation(resistance - line.intercept - line.slope * elapsed)
    )
    assert line.slope > 5 * line.u_slope * math.sqrt(memory), "far beyond its uncertainty"
    early = elapsed < elapsed.max() / 2
    slopes = [least_squares_line(elapsed[part], resistance[part]).slope for part in (early, ~early)]
    assert slopes[0] > 1.3 * slopes[1], "faster at the beginning"
