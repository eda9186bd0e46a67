"""Doubts about meters: each fault is named with the right meter and reason."""

from __future__ import annotations

import itertools
import random

import msgspec
import pytest
from helpers.meters_on_node import FOUR, Node, accuracy, steady
from helpers.watched_node import GROUP, Change, changed, raised, with_value

from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.suspicion import Watchdog
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.displayed import parse_displayed
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.project.suspect import Kind, next_check
from benchlog.reading import Flag, Function, Reading, State


def frozen() -> Change:
    """The first reading changed is shown for ever after."""
    held: list[Reading] = []

    def freeze(reading: Reading) -> Reading:
        held.append(reading)
        return msgspec.structs.replace(reading, value=held[0].value, displayed=held[0].displayed)

    return freeze


def on_dc(reading: Reading) -> Reading:
    """Set to DC, where there is none."""
    return msgspec.structs.replace(reading, function=Function.DC_VOLTS, value=0.0, displayed="0.00 V")


def four_percent_high(reading: Reading) -> Reading:
    """A gain error."""
    return with_value(reading, 1.04 * (reading.value or 0.0))


def test_a_frozen_display_is_named_once_the_others_have_moved() -> None:
    found = raised(changed(Node(1).readings(200), "M1", 100, frozen()))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.FROZEN, ("M1",))]
    assert found[0][0] - 100 < 60
    assert "unchanged for" in found[0][1].reason
    assert found[0][1].next_check == "short_tips"


def test_a_lone_display_that_stops_after_it_always_wandered_is_doubted() -> None:
    node = Node(1, tags=("M3",))
    found = raised(changed(node.readings(700), "M3", 300, frozen()), groups=())
    assert [(s.kind, s.tag) for _, s in found] == [(Kind.FROZEN, "M3")]


def test_of_two_meters_one_still_from_the_start_and_one_moving_both_are_named() -> None:
    node = Node(3, Function.DC_VOLTS, 5.0, steady, tags=("M1", "M3"), noise_counts={"M1": 0.0, "M3": 0.3})

    def ramp(reading: Reading) -> Reading:
        return with_value(reading, (reading.value or 0.0) + 1e-4 * (reading.mono_ns / 1e9 - 60))

    found = raised(changed(node.readings(400), "M3", 60, ramp), groups=[NodeGroup("cell", ("M1", "M3"))])
    assert found[0][1].kind is Kind.FROZEN
    assert set(found[0][1].tags) == {"M1", "M3"}


def test_a_meter_off_by_four_percent_is_the_odd_one_of_four() -> None:
    found = raised(changed(Node(1).readings(60), "M3", 20, four_percent_high))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.DISAGREES, ("M3",))]
    assert 5 <= found[0][0] - 20 < 10
    assert "E_n" in found[0][1].reason


def test_two_meters_that_disagree_are_both_in_doubt_and_a_standard_decides() -> None:
    group = NodeGroup("node", ("M1", "M3"))
    readings = changed(Node(1, tags=("M1", "M3")).readings(40), "M3", 10, four_percent_high)
    found = raised(readings, [group])
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.DISAGREES, ("M1", "M3"))]
    assert found[0][1].next_check == "fresh_cell"


@pytest.mark.parametrize("averaging", [set(), {"M3"}, {"M1", "M3"}])
def test_a_meter_that_responds_to_the_average_may_differ_and_be_right(averaging: set[str]) -> None:
    """As a cross-check says of the same two: it is right on a sine only, and nobody captured the waveform."""
    readings = changed(Node(1, tags=("M1", "M3")).readings(40), "M3", 10, four_percent_high)
    ((_, suspect),) = raised(readings, [NodeGroup("node", ("M1", "M3"))], averaging=averaging)
    assert ("M3 responds to the average" in suspect.reason) is (averaging == {"M3"})
    assert ("one of them is wrong" in suspect.reason) is (averaging != {"M3"})


def test_a_disagreement_ends_when_the_meters_agree_again_not_when_they_are_not_compared() -> None:
    """One goes off to a fresh cell, as the next check says; that settles nothing on V~ yet."""

    def story(reading: Reading) -> Reading:
        at_s = reading.mono_ns / 1e9
        if at_s < 30:
            return four_percent_high(reading)
        return on_dc(reading) if at_s < 60 else reading

    dog = Watchdog(accuracy, [NodeGroup("node", ("M1", "M3"))])
    doubted: dict[int, bool] = {}
    for reading in changed(Node(1, tags=("M1", "M3")).readings(120), "M3", 10, story):
        dog.take(reading)
        found = dog.suspects(reading.mono_ns, reading.utc_ns)
        doubted[reading.mono_ns // 10**9] = any(s.kind is Kind.DISAGREES for s in found)
    assert not doubted[5]
    assert doubted[25]
    assert all(doubted[s] for s in range(31, 60))
    assert not doubted[115]


def test_of_two_that_disagree_the_one_that_failed_its_standard_is_named() -> None:
    readings = changed(Node(1, tags=("M1", "M3")).readings(40), "M3", 10, four_percent_high)
    found = raised(
        readings, [NodeGroup("node", ("M1", "M3"))], known={"M3": "failed its check standard today"}
    )
    assert {(s.kind, s.tags) for _, s in found} == {
        (Kind.STANDARD, ("M3",)),
        (Kind.DISAGREES, ("M3",)),
    }


def test_a_drift_of_one_percent_in_an_hour_is_named_within_the_hour() -> None:
    def drift(reading: Reading) -> Reading:
        return with_value(reading, (reading.value or 0.0) * (1 + 0.01 * (reading.mono_ns / 1e9 - 300) / 3600))

    fewer = itertools.islice(Node(2, tags=("M1", "M3", "M4")).readings(1900), 0, None, 7)
    found = raised(
        changed(fewer, "M3", 300, drift),
        [NodeGroup("node", ("M1", "M3", "M4"))],
    )
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.DRIFTS, ("M3",))]
    assert "gone up by" in found[0][1].reason


def test_a_meter_on_another_function_than_the_majority_is_named_at_once() -> None:
    found = raised(changed(Node(1).readings(40), "M2", 20, on_dc))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.FUNCTION, ("M2",))]
    assert found[0][0] - 20 < 2
    assert found[0][1].reason == "set to V=, the others are on V~"


def test_with_two_meters_the_declared_function_decides_which_is_set_wrong() -> None:
    readings = list(changed(Node(1, tags=("M1", "M3")).readings(10), "M3", 0, on_dc))
    assert {s.tags for _, s in raised(readings, [NodeGroup("node", ("M1", "M3"))])} == {("M1", "M3")}
    declared = [NodeGroup("node", ("M1", "M3"), Function.AC_VOLTS)]
    assert {s.tags for _, s in raised(readings, declared)} == {("M3",)}


def test_a_meter_near_zero_is_named_and_nothing_is_called_dead() -> None:
    found = raised(changed(Node(1).readings(60), "M1", 30, lambda r: with_value(r, 0.12)))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.NEAR_ZERO, ("M1",))]
    assert "does not prove a dead circuit" in found[0][1].reason


def test_a_typed_meter_near_zero_stays_in_doubt_until_it_agrees_again() -> None:
    """Neither a minute without a reading nor a dead comparison is an agreeing one."""
    group = NodeGroup("out", ("A", "B", "C"))
    watch = Watchdog(lambda _: parse_accuracy("1 % + 5"), [group])

    def typed(tag: str, text: str, at_s: float) -> None:
        watch.take(parse_displayed(f"{text} V ac", instrument=tag).stamped(tag, 0, round(at_s * 1e9)))

    def doubted(at_s: float) -> list[tuple[Kind, tuple[str, ...]]]:
        return [(s.kind, s.tags) for s in watch.suspects(round(at_s * 1e9), 0)]

    for at_s, (tag, text) in enumerate((("A", "27.75"), ("C", "27.60"), ("B", "0.03"), ("B", "0.02"))):
        typed(tag, text, at_s)
    near = [(Kind.NEAR_ZERO, ("B",))]
    assert doubted(4) == near
    assert doubted(90) == near
    assert doubted(4000) == near
    assert [s.kind for s in watch.unsettled] == [Kind.NEAR_ZERO]
    typed("A", "27.75", 4100)
    typed("B", "27.70", 4101)
    assert doubted(4102) == []


def test_overload_while_the_others_show_numbers_is_named() -> None:
    def over(reading: Reading) -> Reading:
        return msgspec.structs.replace(
            reading, value=None, state=State.OVERLOAD, displayed="OL", flags=frozenset()
        )

    found = raised(changed(Node(1).readings(60), "M1", 30, over))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.OVERLOAD, ("M1",))]
    assert "range was set by hand" in found[0][1].reason


@pytest.mark.parametrize("flag", [Flag.HOLD, Flag.RELATIVE, Flag.MINIMUM, Flag.MAXIMUM, Flag.PEAK])
def test_a_symbol_that_makes_the_number_mislead_is_named_and_explains_the_rest(flag: Flag) -> None:
    def marked(reading: Reading) -> Reading:
        return msgspec.structs.replace(with_value(reading, 20.0), flags=frozenset({Flag.AUTO, flag}))

    found = raised(changed(Node(1).readings(60), "M1", 30, marked))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.SYMBOL, ("M1",))]
    assert f"'{flag.value}'" in found[0][1].reason


def test_a_battery_symbol_in_one_damaged_frame_raises_nothing_and_a_lasting_one_does() -> None:
    def marked(reading: Reading) -> Reading:
        return msgspec.structs.replace(reading, flags=frozenset({Flag.AUTO, Flag.LOW_BATTERY}))

    def once(reading: Reading) -> Reading:
        return marked(reading) if reading.mono_ns < 30.3e9 else reading

    assert raised(changed(Node(1).readings(40), "M1", 30, once)) == []
    found = raised(changed(Node(1).readings(40), "M1", 30, marked))
    assert [(s.kind, s.tags, s.next_check) for _, s in found] == [(Kind.LOW_BATTERY, ("M1",), "new_battery")]


def test_a_display_that_becomes_unsteady_alone_is_named() -> None:
    g = random.Random(1)

    def jumpy(reading: Reading) -> Reading:
        return with_value(reading, (reading.value or 0.0) + g.choice((-0.15, 0.15)))

    found = raised(changed(Node(1).readings(120), "M3", 60, jumpy))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.UNSTEADY, ("M3",))]
    assert found[0][1].next_check == "wiggle_leads"


def test_a_linked_meter_that_falls_silent_is_named_with_what_the_link_says() -> None:
    dog = Watchdog(accuracy, [GROUP])
    for tag in FOUR:
        dog.expect(tag, 0)
    last = 0
    for reading in changed(Node(1).readings(60), "M1", 30, lambda r: None):
        dog.take(reading)
        last = reading.mono_ns
    dog.link_trouble("M1", "the port went away")
    (suspect,) = dog.suspects(last, last)
    assert (suspect.kind, suspect.tag) == (Kind.SILENT, "M1")
    assert "the port went away" in suspect.reason


def test_a_doubt_ends_when_its_reason_does_and_keeps_the_time_it_began() -> None:
    dog = Watchdog(accuracy, [GROUP])
    begun, last = set(), 0
    bad = (
        with_value(r, 0.1) if r.instrument == "M1" and 20e9 < r.mono_ns < 40e9 else r
        for r in Node(1).readings(60)
    )
    for reading in bad:
        dog.take(reading)
        last = reading.mono_ns
        begun |= {s.since_utc_ns for s in dog.suspects(last, reading.utc_ns)}
    assert len(begun) == 1
    assert dog.suspects(last, last) == ()


def test_every_next_check_is_an_action_that_fits_the_function() -> None:
    catalogue = load_catalogue().actions
    kinds = {
        Function.AC_VOLTS: "ac_volts",
        Function.DC_VOLTS: "dc_volts",
        Function.OHMS: "ohms",
        Function.AC_CURRENT: "current",
    }
    for kind in Kind:
        for function, reading_kind in kinds.items():
            action = next_check(kind, function)
            # A battery symbol asks for a new battery on any function.
            assert kind is Kind.LOW_BATTERY or reading_kind in catalogue[action].kinds, (kind, function)
