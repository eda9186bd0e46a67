"""Type A of rounded readings: coverage by simulation, limits by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog.errors import AnalysisError
from benchlog.metrology.budget import coverage_factor
from benchlog.metrology.rounded import mean_of_rounded


def test_equal_readings_do_not_have_zero_spread():
    """Five times 27.75 leaves half a count either way: u is one count over root twelve."""
    mean = mean_of_rounded([27.75] * 5, 0.01)
    assert mean.standard_uncertainty == pytest.approx(0.01 / math.sqrt(12))
    assert math.isinf(mean.degrees_of_freedom)


def test_one_reading_is_its_resolution():
    """A single reading has the rounding alone."""
    assert mean_of_rounded([1.0], 0.1).standard_uncertainty == pytest.approx(0.1 / math.sqrt(12))


def test_wide_scatter_averages():
    """With scatter of many counts it is the usual standard deviation of the mean."""
    data = [1.0, 2.0, 3.0, 4.0, 5.0]
    mean = mean_of_rounded(data, 0.01)
    assert mean.standard_uncertainty == pytest.approx(np.std(data, ddof=1) / math.sqrt(5))
    assert mean.degrees_of_freedom == 4


def test_nothing_to_average():
    """No readings, no mean."""
    with pytest.raises(AnalysisError):
        mean_of_rounded([], 0.01)


@pytest.mark.parametrize("sigma_counts", [0.05, 0.3, 0.6, 2.0])
def test_stated_interval_covers(sigma_counts):
    """The 95.45 % interval holds the true mean at least 94 times in 100, whatever the noise over the count."""
    rng = np.random.default_rng(20260301)
    runs, n, hits = 2000, 6, 0
    for _ in range(runs):
        truth = rng.uniform(-0.5, 0.5)
        shown = np.round(truth + sigma_counts * rng.standard_normal(n))
        mean = mean_of_rounded(shown.tolist(), 1.0)
        k = coverage_factor(mean.degrees_of_freedom)
        hits += abs(mean.mean - truth) <= k * mean.standard_uncertainty
    assert hits / runs > 0.94
