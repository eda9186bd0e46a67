"""Whole turns from a measured ratio."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.errors import UsageError
from benchlog.magnetics.turns_posterior import (
    COUNTING_PRIOR,
    counting_prior,
    rounding_right,
    turns_posterior,
)


@pytest.mark.parametrize(
    ("percent", "shares"),
    [
        (2.45, {16: 80, 32: 48, 50: 32, 100: 16}),
        (1.6, {16: 95, 32: 67, 50: 47, 100: 25}),
        (0.9, {16: 99.9, 32: 92, 50: 73, 100: 42}),
        (0.5, {16: 100, 32: 99.8, 50: 95, 100: 68}),
        (0.25, {16: 100, 32: 100, 50: 100, 100: 95}),
        (0.09, {16: 100, 32: 100, 50: 100, 100: 100}),
    ],
)
def test_rounding_figures(percent: float, shares: dict[int, float]) -> None:
    for turns, share in shares.items():
        digits = 1 if share in (99.8, 99.9) else 0
        assert round(100 * rounding_right(turns, percent / 100), digits) == share


@pytest.mark.parametrize(
    ("turns", "u", "probability"), [(100, 0.005, 0.683), (50, 0.005, 0.954), (32, 0.005, 0.998)]
)
def test_rounding_vectors(turns: int, u: float, probability: float) -> None:
    assert rounding_right(turns, u) == pytest.approx(probability, abs=6e-4)


def _caught(turns: int, relative_u: float, misses: list[int]) -> float:
    """Share of true miscounts after which the planned count has less than 5 %, by quadrature over the reading."""
    z = np.linspace(-5, 5, 401)
    weight = np.exp(-z * z / 2)
    u = relative_u * turns
    share = 0.0
    for miss in misses:
        prior = COUNTING_PRIOR[abs(miss)]
        caught = [
            turns_posterior(turns + miss + u * x, u, planned=turns).probabilities[turns] < 0.05 for x in z
        ]
        share += prior * float(np.sum(weight * np.array(caught)) / np.sum(weight))
    return 100 * share / sum(COUNTING_PRIOR[abs(m)] for m in misses)


@pytest.mark.parametrize(
    ("percent", "turns", "caught"),
    [(2.45, 16, 35), (1.6, 32, 20), (0.9, 50, 26), (0.5, 50, 74), (0.5, 100, 21), (0.25, 100, 75)],
)
def test_miscounts_caught(percent: float, turns: int, caught: float) -> None:
    """The share of miscounts found, drawn from the counting prior; worked by simulation, so to two percent."""
    assert _caught(turns, percent / 100, [-3, -2, -1, 1, 2, 3]) == pytest.approx(caught, abs=2.0)


@pytest.mark.parametrize(("percent", "turns", "caught"), [(2.45, 16, 12), (0.5, 50, 66), (0.5, 100, 4)])
def test_a_miss_of_exactly_one_is_harder(percent: float, turns: int, caught: float) -> None:
    assert _caught(turns, percent / 100, [1]) == pytest.approx(caught, abs=2.0)


def test_plan_100_reading_101() -> None:
    unsure = turns_posterior(101.0, 0.5, planned=100)
    assert unsure.words == "100 to 102 turns fit"  # 102 is as far from the reading as 100
    assert turns_posterior(100.6, 0.2, planned=100).words == "100 or 101 turns"
    assert not unsure.decided
    sure = turns_posterior(101.0, 0.09, planned=100)
    assert sure.most_likely == 101
    assert sure.words == "101 turns, not 100"


def test_a_coarse_reading_keeps_the_plan_as_most_likely_but_says_it_cannot_tell() -> None:
    coarse = turns_posterior(101.0, 2.5, planned=100)
    assert coarse.most_likely == 100
    assert not coarse.decided
    # 95 % of a normal distribution lie within 1.96 u: 96.1 to 105.9.
    assert coarse.undecided[0] == pytest.approx(96, abs=1)
    assert coarse.undecided[-1] == pytest.approx(106, abs=1)
    assert 100 in coarse.undecided


def test_a_gross_miscount_is_found_outside_the_prior() -> None:
    found = turns_posterior(72.02, 0.1, planned=60)
    assert found.most_likely == 72
    assert found.decided


def test_few_degrees_of_freedom_leave_more_doubt() -> None:
    normal = turns_posterior(101.0, 0.2, planned=100)
    student = turns_posterior(101.0, 0.2, planned=100, degrees_of_freedom=3)
    assert student.probability < normal.probability


def test_json_block() -> None:
    block = turns_posterior(60.03, 0.06, planned=60).as_json()
    assert block["most_likely"] == 60
    assert block["probability"] > 0.9999
    assert set(block["alternatives"]) == {"59", "61"}


@given(
    planned=st.integers(1, 300),
    miss=st.floats(-5, 5),
    relative_u=st.floats(1e-6, 0.2),
    df=st.sampled_from([math.inf, 2.0, 10.0]),
)
def test_probabilities_sum_to_one(planned: int, miss: float, relative_u: float, df: float) -> None:
    found = turns_posterior(
        max(planned + miss, 0.1), relative_u * planned, planned=planned, degrees_of_freedom=df
    )
    assert sum(found.probabilities.values()) == pytest.approx(1)
    assert min(found.probabilities) >= 1
    assert found.most_likely in found.undecided
    assert found.words


@pytest.mark.parametrize(("ratio", "u", "planned"), [(math.nan, 0.1, 10), (10.0, -1.0, 10), (10.0, 0.1, 0)])
def test_nonsense_is_refused(ratio: float, u: float, planned: int) -> None:
    with pytest.raises(UsageError):
        turns_posterior(ratio, u, planned=planned)


def test_a_hopeless_reading_stays_cheap() -> None:
    assert len(turns_posterior(1e6, 1e6, planned=100).probabilities) < 2010


@pytest.mark.parametrize(("ratio", "u"), [(7221.0, 177.0), (1600.0, 189.0), (1e9, 1e8)])
def test_a_ratio_that_leaves_thousands_of_counts_open_is_sure_of_none(ratio: float, u: float) -> None:
    """A normal density of that width gives no whole number more than 0.4 / u of the probability."""
    posterior = turns_posterior(ratio, u, planned=60)
    assert not posterior.decided
    assert posterior.probability < 0.01
    assert posterior.within(59.5, 60.5) < 1e-3


def test_a_doubted_count_inside_the_open_range_is_not_ruled_out() -> None:
    answer = turns_posterior(60.9, 1.5, planned=60, prior=counting_prior(0.005))
    low, *_, high = answer.undecided
    assert low < 60 < high
    assert answer.words == f"{low} to {high} turns fit"
    assert turns_posterior(1600.0, 20.0, planned=40).words.startswith("not 40: ")
