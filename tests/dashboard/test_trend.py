"""A trend is reported when it is significant, and only then."""

from __future__ import annotations

import math

import numpy as np
import pytest
from helpers.meters_on_node import Node, mains_wander

from benchlog.dashboard.trend import LEAST_S, trend

S = 10**9
Values = list[tuple[int, float]]


def series(values: np.ndarray, count: float = 0.01) -> Values:
    """Values as displayed, one a second."""
    return [(k * S, round(v / count) * count) for k, v in enumerate(values)]


@pytest.mark.parametrize("per_s", [0.01, -0.002, 0.0005])
def test_a_ramp_beyond_the_noise_is_found_with_its_slope(per_s: float) -> None:
    g = np.random.default_rng(7)
    t = np.arange(180)
    found = trend(series(27 + per_s * t + g.normal(0, 0.005, t.size)), 0.01)
    assert found == pytest.approx(per_s, rel=0.1)


def test_white_noise_has_none_in_almost_all_cases() -> None:
    g = np.random.default_rng(3)
    found = [trend(series(27 + g.normal(0, 0.05, 120)), 0.01) for _ in range(500)]
    assert np.count_nonzero(found) <= 3  # 0.1 % asked; 4 of 500 has a chance of 0.2 %


def test_a_random_walk_with_memory_has_none_in_almost_all_cases() -> None:
    g = np.random.default_rng(4)
    hits = 0
    for _ in range(300):
        x = np.zeros(150)
        for k in range(1, x.size):
            x[k] = 0.95 * x[k - 1] + g.normal(0, 0.02)
        hits += bool(trend(series(27 + x), 0.01))
    assert hits <= 3


def test_a_step_is_not_a_trend() -> None:
    assert trend(series(np.where(np.arange(120) < 60, 27.7, 24.7)), 0.01) == 0


def test_flicker_between_two_counts_is_not_a_trend() -> None:
    assert trend(series(np.where(np.arange(120) < 60, 27.7, 27.8), 0.1), 0.1) == 0
    assert trend([(k * S, 27.7) for k in range(100)], 0.1) == 0


def test_too_little_says_nothing() -> None:
    assert trend([], 0.01) is None
    assert trend(series(np.linspace(20, 27, 30)), 0.01) is None
    assert trend(series(np.linspace(20, 27, math.ceil(LEAST_S) + 2)), 0.01) != 0


def test_meters_on_the_wandering_mains_show_none_for_an_hour() -> None:
    kept: dict[str, Values] = {}
    counts: dict[str, float] = {}
    wrong = asked = 0
    for reading in Node(2, wander=mains_wander).readings(3600.0):
        values = kept.setdefault(reading.instrument, [])
        counts[reading.instrument] = reading.resolution
        if reading.value is not None and (not values or reading.mono_ns - values[-1][0] >= S):
            values.append((reading.mono_ns, reading.value))
    for tag, values in kept.items():
        for end in range(60, len(values), 60):
            found = trend(values[max(0, end - 180) : end], counts[tag])
            wrong, asked = wrong + bool(found), asked + 1
    assert asked > 200
    assert wrong <= 2
