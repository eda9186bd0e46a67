"""What would settle an indeterminate result, and whether it does so as often as stated."""

from __future__ import annotations

import math
import random

import msgspec
import pytest

from benchlog.checks.continuity import check_continuity
from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.mains import Mains
from benchlog.checks.plain import check_reading
from benchlog.checks.supply import LoadPoint, check_supply
from benchlog.displayed import parse_displayed
from benchlog.influence import Influence, Role
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY, Accuracy, parse_accuracy
from benchlog.metrology.conformity import judge
from benchlog.metrology.meter_reading import MeterReading, correction
from benchlog.metrology.next_best import (
    Way,
    by_chance_per_minute,
    chance_to_settle,
    ways_to_settle,
    with_next_best,
)
from benchlog.nameplate import parse_nameplate
from benchlog.result import BudgetLine, Limits, Result, Uncertain, Verdict


def shown(text: str, accuracy: str = "1 % + 5") -> MeterReading:
    return MeterReading(parse_displayed(text, instrument="MA-01"), parse_accuracy(accuracy))


@pytest.mark.parametrize("value", [9.0, 9.8, 10.5])
@pytest.mark.parametrize("u_new", [0.1, 0.3, 0.6])
def test_it_settles_as_often_as_is_said(value: float, u_new: float) -> None:
    """Truth about the first reading (u 0.6), a second reading about the truth, judged by the guard band: 4000 draws."""
    limits, rng, u = Limits(8.0, 10.0), random.Random(1), 0.6
    settled = 0
    for _ in range(4000):
        again = rng.gauss(rng.gauss(value, u), u_new)
        settled += judge(Uncertain(again, u_new, 2 * u_new, "1"), limits).verdict is not Verdict.INDETERMINATE
    assert chance_to_settle(value, u, u_new, limits) == pytest.approx(settled / 4000, abs=0.03)


def test_the_way_follows_the_largest_part_of_the_budget() -> None:
    """A good meter and a bad mains reading: the mains; the reverse: the meter."""
    plate = parse_nameplate("24 V ac 40 VA")
    bad_mains = check_supply(
        plate, shown("26.45 V ac", "0.2 % + 2"), mains=Mains.typed("236 V", 230.0, Accuracy(0.03, 1))
    )
    bad_meter = check_supply(
        plate, shown("26.45 V ac", "3 % + 2"), mains=Mains.typed("236.0 V", 230.0, Accuracy(0.001, 1))
    )
    assert bad_mains.verdict is bad_meter.verdict is Verdict.INDETERMINATE
    assert "which set the limits" in ways_to_settle(bad_mains)[0].action
    assert "use a meter" in ways_to_settle(bad_meter)[0].action


def test_an_indeterminate_result_says_what_next_and_a_decided_one_does_not() -> None:
    """With probability and minutes, as data and as a line for a person."""
    near = with_next_best(check_continuity(shown("0.98 ohm"), max_ohm=1.0))
    assert near.verdict is Verdict.INDETERMINATE
    best = near.details["would_settle"][0]
    assert 0 < best["probability"] <= 1
    assert best["minutes"] > 0
    assert any(f.startswith("next (") for f in near.findings)
    clear = check_continuity(shown("0.30 ohm"), max_ohm=1.0)
    assert with_next_best(clear) == clear


def test_a_manual_is_said_to_help_only_where_no_accuracy_was_stated() -> None:
    """With its counts a statement gets wider: a doubt about it is not a way to decide."""
    for accuracy, helps in ((UNKNOWN_ACCURACY, True), (parse_accuracy("2 %"), False)):
        reading = MeterReading(parse_displayed("9.95 V dc", instrument="A"), accuracy)
        result = check_reading(reading, Limits(9.8, 11.0, "V"))
        assert result.verdict is Verdict.INDETERMINATE
        result = msgspec.structs.replace(result, findings=tuple(correction(reading)))
        assert any("manual" in way.action for way in ways_to_settle(result)) is helps


def test_no_finer_range_is_promised_for_a_reading_that_may_be_on_the_finest() -> None:
    """1.003 V on a meter of 4000 counts is on its 4 V range; 400 mV can't show it. Its ranges are not known here."""
    line = BudgetLine("counts of DM1", 0.005, Influence(Role.COUNTS, "DM1", "V dc"))
    near = Result(
        check="compare",
        verdict=Verdict.INDETERMINATE,
        reason="near",
        quantities={"voltage": Uncertain(1.003, 0.005, 0.01, "V", budget=(line,))},
        limits={"voltage": Limits(0.9, 1.0, "V")},
    )
    (way,) = ways_to_settle(near)
    assert "if one can show it, else on a meter with more digits" in way.action


SUPPLY = "5 V dc 2 A", "24 V ac 40 VA"
DOUBTFUL = {
    "regulation not stated": lambda: check_supply(parse_nameplate(SUPPLY[0]), shown("9.5 V dc")),
    "polarity": lambda: check_supply(parse_nameplate("12 V dc 1 A switching"), shown("-12.05 V dc")),
    "near zero": lambda: check_supply(parse_nameplate(SUPPLY[1]), shown("0.02 V ac")),
    "two meters disagree": lambda: check_supply(
        parse_nameplate(SUPPLY[1]), shown("27.8 V ac"), second=shown("20.1 V ac")
    ),
    "loaded above open": lambda: check_supply(
        parse_nameplate(SUPPLY[1]), shown("27.8 V ac"), load=LoadPoint(15.0, shown("28.9 V ac"))
    ),
    "overload of an unknown rating": lambda: check_supply(
        parse_nameplate("9 V dc"), shown("9.12 V dc"), load=LoadPoint(10.0, shown("5.00 V dc"))
    ),
    "open, leads not proven": lambda: check_continuity(shown("OL ohm"), max_ohm=1.0),
    "null above the reading": lambda: check_continuity(
        shown("0.3 ohm"), lead_null=shown("0.5 ohm"), max_ohm=1.0
    ),
    "not resolvable": lambda: check_continuity(shown("0.2 ohm"), expected=Uncertain(0.2, 0.0, 0.0, "ohm")),
    "unlike responses": lambda: check_crosscheck(
        [named("A", "10.00 V ac"), named("B", "8.92 V ac")], responses={"A": "true rms", "B": "average"}
    ),
    "node moved": lambda: check_crosscheck(
        [named("A", "10.00 V dc"), named("B", "10.90 V dc"), named("A", "12.00 V dc")]
    ),
}


def named(tag: str, text: str) -> MeterReading:
    return MeterReading(parse_displayed(text, instrument=tag), parse_accuracy("0.5 % + 2"))


@pytest.mark.parametrize("why", DOUBTFUL)
def test_a_doubt_that_is_not_an_uncertainty_names_its_way_out(why: str) -> None:
    """Reading, meter, swap or load, with probability and minutes: as data and as a line for a person."""
    result = with_next_best(DOUBTFUL[why]())
    assert result.verdict is Verdict.INDETERMINATE
    best = result.details["would_settle"][0]
    assert 0 < best["probability"] <= 1
    assert best["minutes"] > 0
    assert sum(f"): {best['action']}; " in f for f in result.findings if f.startswith("next (")) == 1


def test_ways_are_ranked_by_chance_per_minute() -> None:
    """A sure way of an hour comes after a likely one of two minutes."""
    ways = by_chance_per_minute([Way("buy", 1.0, 60.0), Way("swap", 0.9, 2.0), Way("hope", 0.06, 1.0)])
    assert [way.action for way in ways] == ["swap", "hope", "buy"]
    assert math.isclose(ways[0].probability, 0.9)


def test_two_things_at_once_where_neither_is_enough() -> None:
    """A meter of 1 % + 5 and a mains monitor of 1 % + 1 are about as uncertain: a better one of both settles it."""
    plate = parse_nameplate("24 V ac 40 VA")
    result = check_supply(plate, shown("26.30 V ac"), mains=Mains.typed("236 V", 230.0, Accuracy(0.01, 1)))
    assert result.verdict is Verdict.INDETERMINATE
    (way,) = ways_to_settle(result)
    assert "use a meter" in way.action
    assert "which set the limits" in way.action
    assert 0.5 <= way.probability < 0.9
    assert way.minutes == 5.0
