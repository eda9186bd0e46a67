"""What standards and other meters show of a meter's error, against simulated meters whose errors are drawn."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchlog.influence import Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.error_estimate import known_error
from benchlog.metrology.known_error import (
    AT_REST,
    DAY_TO_DAY,
    YEAR_S,
    KnownError,
    MeterRange,
    Observation,
)

M = MeterRange("M", "V~", 0.01)
W = MeterRange("W", "V~", 0.01)
CLAIMS = {M: Accuracy(0.01, 5), W: Accuracy(0.002, 2)}
DAY_S = 86400.0


def on_standard(shown: float = 25.1, age_days: float = 0.0, u: float = 0.02, tag: str = "CS") -> Observation:
    return Observation(M, shown, 25.0, age_days * DAY_S, standard=tag, half_width=u * math.sqrt(3))


def beside(shown: float = 27.9, theirs: float = 27.75, age_days: float = 0.0) -> Observation:
    return Observation(M, shown, theirs, age_days * DAY_S, other=W)


def known(*seen: Observation, shown: float = 27.75, on: MeterRange = M) -> KnownError:
    found = known_error(on, shown, CLAIMS, seen)
    assert found is not None
    return found


def test_one_standard_at_the_value_of_the_reading_is_a_weighted_mean() -> None:
    """RECOMPUTED by hand: of two values of one quantity each counts by the inverse of its variance (GUM 5.1.2)."""
    found = known(on_standard(25.1, u=0.03), shown=25.1)
    zero = 4.5 * 0.01  # five counts, of which rounding is half a one
    bound = math.sqrt((0.01 * 25.1 + zero) ** 2 / 3)
    parts = math.sqrt((0.01 * 25.1) ** 2 / 3 + zero**2 / 3)
    today = (DAY_TO_DAY * bound) ** 2 + (AT_REST * 0.01) ** 2
    rest = 0.03**2 + today
    weight = np.mean([u**2 / (u**2 + rest) for u in (bound, parts)])
    assert found.value == pytest.approx(weight * 0.1, rel=1e-9)
    worst = (1 - weight) ** 2 * bound**2 + weight**2 * rest + today
    assert found.standard_uncertainty == pytest.approx(math.sqrt(worst), rel=1e-9)
    assert found.by == ("CS",)


@pytest.mark.parametrize("alike", [True, False], ids=["one fraction of the bound", "gain and zero apart"])
def test_spread_of_the_error_left_is_not_above_what_is_stated(alike: bool) -> None:
    """20 000 meters drawn from their data sheets, each read on two standards and beside another meter at two ages."""
    rng, n = np.random.default_rng(5), 20_000
    ages = np.array([10.0, 40.0, 200.0]) * DAY_S
    values = np.array([25.0, 12.0, 30.0])

    def errors(on: MeterRange, at: np.ndarray) -> np.ndarray:
        claim = CLAIMS[on]
        gain = rng.uniform(-1, 1, n)
        zero = gain if alike else rng.uniform(-1, 1, n)
        return np.outer(claim.fraction * gain, at) + (claim.counts * 0.01 * zero)[:, None]

    def moved(on: MeterRange, at: np.ndarray) -> np.ndarray:
        # A random walk backwards from now, the same for all values in units of the bound.
        u = (CLAIMS[on].fraction * at + CLAIMS[on].counts * 0.01) / math.sqrt(3)
        steps = rng.normal(size=(n, 3)) * np.sqrt(np.diff(ages, prepend=0) / YEAR_S)
        return (np.cumsum(steps, axis=1) + DAY_TO_DAY * rng.normal(size=(n, 3))) * u

    now = errors(M, np.array([*values, 27.75]))
    shown = values + now[:, :3] + moved(M, values) + rng.normal(0, AT_REST * 0.01, (n, 3))
    theirs = (
        values[2] + errors(W, values[2:])[:, 0] + moved(W, values)[:, 2] + rng.normal(0, AT_REST * 0.01, n)
    )
    wrong = rng.normal(0, 0.02, (n, 2))
    left, stated = [], 0.0
    for i in range(0, n, 20):
        seen = (
            Observation(
                M, shown[i, 0], 25.0 - wrong[i, 0], ages[0], standard="A", half_width=0.02 * math.sqrt(3)
            ),
            Observation(
                M, shown[i, 1], 12.0 - wrong[i, 1], ages[1], standard="B", half_width=0.02 * math.sqrt(3)
            ),
            Observation(M, shown[i, 2], theirs[i], ages[2], other=W),
        )
        found = known_error(M, 27.75, CLAIMS, seen)
        if found is None:  # they contradict each other
            continue
        left.append(now[i, 3] - found.value)
        stated = stated or found.standard_uncertainty
    bound = CLAIMS[M].standard_uncertainty(27.75, 0.01)
    spread = math.hypot(float(np.std(left)), AT_REST * 0.01, DAY_TO_DAY * bound)
    assert len(left) > 950
    assert 0.6 * stated < spread < 1.03 * stated
    assert abs(np.mean(left)) < 0.1 * stated


def test_older_readings_say_less_and_very_old_ones_nothing() -> None:
    fresh, month, year = (known(on_standard(age_days=days)) for days in (0, 30, 400))
    assert fresh.standard_uncertainty < month.standard_uncertainty < year.standard_uncertainty
    assert abs(fresh.value) > abs(month.value) > abs(year.value)
    assert year.standard_uncertainty > 0.7 * year.u_data_sheet


def test_more_readings_of_one_standard_do_not_average_its_error_away() -> None:
    one, many = known(on_standard(u=0.05)), known(*[on_standard(u=0.05)] * 50)
    other = known(on_standard(u=0.05), on_standard(u=0.05, tag="CS-2"))
    assert many.standard_uncertainty > 0.93 * one.standard_uncertainty
    assert other.standard_uncertainty < 0.85 * one.standard_uncertainty


def test_another_meter_is_no_better_for_being_asked_often() -> None:
    once, often = known(beside()), known(*[beside()] * 20)
    theirs = CLAIMS[W].standard_uncertainty(27.75, 0.01)
    assert once.u_data_sheet > once.standard_uncertainty > 0.9 * theirs
    assert often.standard_uncertainty > 0.9 * theirs
    assert often.value == pytest.approx(0.15, abs=0.02)


def test_what_a_standard_showed_of_the_other_meter_counts_too() -> None:
    through = Observation(W, 25.03, 25.0, 0.0, standard="CS", half_width=0.005 * math.sqrt(3))
    alone, both = known(beside()), known(beside(), through)
    assert both.standard_uncertainty < 0.8 * alone.standard_uncertainty
    assert {part.influence.role for part in both._whole.parts} == {Role.CHECK_STANDARD, Role.CROSS_CHECK}
    assert both.by == ("W",)  # the standard was read with the other one


def test_ranges_signs_and_meters_of_their_own() -> None:
    assert (
        known_error(
            MeterRange("M", "V~", 0.1),
            27.75,
            CLAIMS | {MeterRange("M", "V~", 0.1): CLAIMS[M]},
            [on_standard()],
        )
        is None
    )
    assert known_error(M, -27.75, CLAIMS, [on_standard()]) is None
    assert (
        known_error(
            M, 27.75, CLAIMS, [Observation(W, 25.1, 25.0, 0.0, standard="CS", half_width=0.01 * math.sqrt(3))]
        )
        is None
    )
    assert known_error(M, 0.0, CLAIMS, [on_standard()]) is None
    mirrored = known(
        Observation(M, -25.1, -25.0, 0.0, standard="CS", half_width=0.02 * math.sqrt(3)), shown=-27.75
    )
    assert mirrored.value == pytest.approx(-known(on_standard()).value)


def test_a_poor_standard_leaves_the_data_sheet() -> None:
    assert known_error(M, 27.75, CLAIMS, [on_standard(u=0.5)]) is None


def test_readings_that_contradict_each_other_widen_what_is_known() -> None:
    agreeing = known(on_standard(25.1, 3), on_standard(25.1, 1))
    apart = known(on_standard(25.15, 3), on_standard(25.02, 1))
    assert apart.standard_uncertainty > 1.5 * agreeing.standard_uncertainty


def test_gain_and_zero_make_up_the_whole() -> None:
    found = known(on_standard(), beside(age_days=20))
    assert found._gain.value * 27.75 + found._zero.value == pytest.approx(found.value)
