"""Doubts about meters: each fault is named with the right meter and reason, and healthy meters are left alone."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable, Iterable, Iterator

import msgspec
import pytest
from helpers.meters_on_node import FOUR, Node, accuracy, busy, steady

from benchlog.dashboard.suspect import Kind, NodeGroup, Suspect, next_check
from benchlog.dashboard.suspicion import Watchdog
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.reading import Flag, Function, Origin, Reading, State

GROUP = NodeGroup("node", tuple(FOUR))
Change = Callable[[Reading], Reading | None]


def changed(readings: Iterable[Reading], tag: str, from_s: float, change: Change) -> Iterator[Reading]:
    """The readings with those of one meter changed, or left out, from some time on."""
    for reading in readings:
        if reading.instrument == tag and reading.mono_ns >= from_s * 1e9:
            new = change(reading)
            if new is not None:
                yield new
        else:
            yield reading


def with_value(reading: Reading, value: float) -> Reading:
    """The same reading with another number, on the same range."""
    counts = round(value / reading.resolution)
    shown = counts * reading.resolution
    return msgspec.structs.replace(reading, value=shown, displayed=f"{shown:.2f} V")


def raised(
    readings: Iterable[Reading], groups: Iterable[NodeGroup] = (GROUP,), **options: dict[str, str]
) -> list[tuple[float, Suspect]]:
    """Doubts as they are raised, looked at every half second."""
    dog = Watchdog(accuracy, list(groups), **options)
    found, old, next_ns = [], set[tuple[object, ...]](), 0
    for reading in readings:
        dog.take(reading)
        if reading.mono_ns >= next_ns:
            next_ns = reading.mono_ns + 5 * 10**8
            now = {(s.kind, *s.tags): s for s in dog.suspects(reading.mono_ns, reading.utc_ns)}
            found += [(reading.mono_ns / 1e9, s) for key, s in now.items() if key not in old]
            old = set(now)
    return found


@pytest.mark.parametrize("seed", [1, 2])
def test_healthy_meters_on_a_wandering_mains_are_left_alone(seed: int) -> None:
    assert raised(Node(seed).readings(600)) == []


def test_healthy_meters_are_left_alone_while_the_source_is_switched_and_set_anew() -> None:
    assert raised(Node(5, wander=busy).readings(900)) == []


@pytest.mark.parametrize("noise", [0.02, 0.3])
def test_a_steady_cell_on_coarse_displays_freezes_nobody(noise: float) -> None:
    node = Node(3, Function.DC_VOLTS, 5.0, steady, noise_counts=dict.fromkeys(FOUR, noise))
    assert raised(node.readings(500)) == []


def test_a_frozen_display_is_named_once_the_others_have_moved() -> None:
    held: list[Reading] = []

    def freeze(reading: Reading) -> Reading:
        held.append(reading)
        return msgspec.structs.replace(reading, value=held[0].value, displayed=held[0].displayed)

    found = raised(changed(Node(1).readings(200), "M1", 100, freeze))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.FROZEN, ("M1",))]
    assert found[0][0] - 100 < 60
    assert "unchanged for" in found[0][1].reason
    assert found[0][1].next_check == "short_tips"


def test_a_lone_display_that_stands_after_it_always_wandered_is_doubted() -> None:
    held: list[Reading] = []

    def freeze(reading: Reading) -> Reading:
        held.append(reading)
        return msgspec.structs.replace(reading, value=held[0].value, displayed=held[0].displayed)

    node = Node(1, tags=("M3",))
    found = raised(changed(node.readings(700), "M3", 300, freeze), groups=())
    assert [(s.kind, s.tag) for _, s in found] == [(Kind.FROZEN, "M3")]


def test_of_two_meters_one_still_from_the_start_and_one_moving_both_are_named() -> None:
    node = Node(3, Function.DC_VOLTS, 5.0, steady, tags=("M1", "M3"), noise_counts={"M1": 0.0, "M3": 0.3})

    def ramp(reading: Reading) -> Reading:
        return with_value(reading, (reading.value or 0.0) + 1e-4 * (reading.mono_ns / 1e9 - 60))

    found = raised(changed(node.readings(400), "M3", 60, ramp), groups=[NodeGroup("cell", ("M1", "M3"))])
    assert found[0][1].kind is Kind.FROZEN
    assert set(found[0][1].tags) == {"M1", "M3"}


def test_a_meter_off_by_four_percent_is_the_odd_one_of_four() -> None:
    found = raised(changed(Node(1).readings(60), "M3", 20, lambda r: with_value(r, 1.04 * (r.value or 0.0))))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.DISAGREES, ("M3",))]
    assert 5 <= found[0][0] - 20 < 10
    assert "E_n" in found[0][1].reason


def test_two_meters_that_disagree_are_both_in_doubt_and_a_standard_decides() -> None:
    group = NodeGroup("node", ("M1", "M3"))
    readings = changed(
        Node(1, tags=("M1", "M3")).readings(40), "M3", 10, lambda r: with_value(r, 1.04 * (r.value or 0.0))
    )
    found = raised(readings, [group])
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.DISAGREES, ("M1", "M3"))]
    assert found[0][1].next_check == "fresh_cell"


def test_of_two_that_disagree_the_one_that_failed_its_standard_is_named() -> None:
    readings = changed(
        Node(1, tags=("M1", "M3")).readings(40), "M3", 10, lambda r: with_value(r, 1.04 * (r.value or 0.0))
    )
    found = raised(
        readings, [NodeGroup("node", ("M1", "M3"))], known={"M3": "failed its check standard today"}
    )
    assert {(s.kind, s.tags) for _, s in found} == {
        (Kind.STANDARD, ("M3",)),
        (Kind.DISAGREES, ("M3",)),
    }


def test_a_step_of_the_source_that_meters_follow_at_different_speed_is_no_disagreement() -> None:
    def slow(reading: Reading) -> Reading:
        # This meter needs 3 s for a step that the others follow at once.
        late = reading.mono_ns / 1e9 - 20
        return with_value(reading, 27.75 * 0.8) if late < 3 else with_value(reading, reading.value or 0.0)

    stepped = Node(1, wander=lambda seed, span: steady(seed, span)).readings(60)
    readings = (with_value(r, 0.8 * (r.value or 0.0)) if r.mono_ns < 20e9 else r for r in stepped)
    assert raised(changed(readings, "M2", 20, slow)) == []


def test_a_single_damaged_number_raises_nothing() -> None:
    def once(reading: Reading) -> Reading:
        return with_value(reading, 0.0) if 30e9 <= reading.mono_ns < 30.5e9 else reading

    assert raised(changed(Node(1).readings(60), "M1", 30, once)) == []


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
    def other(reading: Reading) -> Reading:
        return msgspec.structs.replace(reading, function=Function.DC_VOLTS, value=0.0, displayed="0.00 V")

    found = raised(changed(Node(1).readings(40), "M2", 20, other))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.FUNCTION, ("M2",))]
    assert found[0][0] - 20 < 2
    assert found[0][1].reason == "set to V=, the others are on V~"


def test_with_two_meters_the_declared_function_decides_which_is_set_wrong() -> None:
    def other(reading: Reading) -> Reading:
        return msgspec.structs.replace(reading, function=Function.DC_VOLTS, value=0.0, displayed="0.00 V")

    readings = list(changed(Node(1, tags=("M1", "M3")).readings(10), "M3", 0, other))
    assert {s.tags for _, s in raised(readings, [NodeGroup("node", ("M1", "M3"))])} == {("M1", "M3")}
    declared = [NodeGroup("node", ("M1", "M3"), Function.AC_VOLTS)]
    assert {s.tags for _, s in raised(readings, declared)} == {("M3",)}


def test_a_meter_near_zero_is_named_and_nothing_is_called_dead() -> None:
    found = raised(changed(Node(1).readings(60), "M1", 30, lambda r: with_value(r, 0.12)))
    assert [(s.kind, s.tags) for _, s in found] == [(Kind.NEAR_ZERO, ("M1",))]
    assert "no proof of a dead circuit" in found[0][1].reason


def test_all_meters_near_zero_is_the_source_switched_off() -> None:
    readings = (with_value(r, 0.0) if r.mono_ns > 30e9 else r for r in Node(1).readings(120))
    assert raised(readings) == []


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


def test_a_source_that_becomes_unsteady_is_no_meter_s_fault() -> None:
    g = random.Random(1)

    def jumpy(reading: Reading) -> Reading:
        jump = g.choice((-0.15, 0.15)) if reading.mono_ns > 60e9 else 0.0
        return with_value(reading, (reading.value or 0.0) + jump)

    assert raised(jumpy(r) for r in Node(1, tags=("M1", "M3")).readings(150)) == []


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


def test_typed_readings_are_compared_and_two_in_a_row_decide() -> None:
    def typed(t_s: float, volts: float) -> Reading:
        return Reading(
            Function.AC_VOLTS,
            volts,
            0.1,
            f"{volts} V",
            instrument="M2",
            utc_ns=round(t_s * 1e9),
            mono_ns=round(t_s * 1e9),
            origin=Origin.HAND,
        )

    linked = list(Node(1, tags=("M1",)).readings(60))
    group = [NodeGroup("node", ("M1", "M2"))]
    one = sorted([*linked, typed(20.0, 31.0)], key=lambda r: r.mono_ns)
    two = sorted([*one, typed(40.0, 31.1)], key=lambda r: r.mono_ns)
    assert raised(one, group) == []
    assert [s.tags for _, s in raised(two, group)] == [("M1", "M2")]


def test_a_typed_reading_waits_for_a_linked_display_that_is_still_settling() -> None:
    group = [NodeGroup("node", ("M1", "M2"))]
    dog = Watchdog(accuracy, group)
    typed = Reading(Function.AC_VOLTS, 27.3, 0.1, "27.3 V", instrument="M2", mono_ns=1, origin=Origin.HAND)
    dog.take(typed)
    for k, reading in enumerate(Node(1, tags=("M1",)).readings(3)):
        dog.take(with_value(reading, (12.0, 22.0)[k]) if k < 2 else reading)
    agreement = dog.agreement(group[0], 3 * 10**9)
    assert agreement.word == "agree"
    assert agreement.e_n is not None
    assert agreement.e_n < 1


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


def by_eye(t_s: float, volts: float, resolution: float = 0.1) -> Reading:
    """A reading of M2, typed."""
    now = round(t_s * 1e9)
    shown = f"{volts:.1f}".replace(".", ",")
    return Reading(
        Function.AC_VOLTS,
        volts,
        resolution,
        shown,
        instrument="M2",
        utc_ns=now,
        mono_ns=now,
        origin=Origin.HAND,
    )


def test_state_e_n_and_distance_are_those_of_the_latest_typed_reading() -> None:
    group = NodeGroup("node", ("M1", "M2"))
    dog = Watchdog(accuracy, [group])
    typed = {8: 30.4, 10: 30.5, 24: 0.02, 32: 27.7}
    linked = list(Node(1, tags=("M1",), wander=steady).readings(45))
    told = {}
    due = dict(typed)
    for reading in linked:
        dog.take(reading)
        second = int(reading.mono_ns // 10**9)
        if (volts := due.pop(second, None)) is not None:
            dog.take(by_eye(reading.mono_ns / 1e9, volts))
        if second - 1 in typed and second - 1 not in told:
            told[second - 1] = (
                dog.agreement(group, reading.mono_ns),
                dog.suspects(reading.mono_ns, reading.mono_ns),
            )
    one, two, zero, good = (told[s] for s in typed)
    assert one[0].word == "unsettled"
    assert one[1] == ()
    assert two[0].word == "disagree"
    assert [s.kind for s in two[1]] == [Kind.DISAGREES]
    assert "M2 shows 30.5 V: E_n" in two[1][0].reason
    for agreement, _ in (one, two, zero):
        assert agreement.e_n is not None
        assert agreement.e_n > 1
    assert zero[0].word == "disagree"
    assert zero[0].difference is not None
    assert 27 < zero[0].difference < 28
    assert [s.kind for s in zero[1]] == [Kind.NEAR_ZERO]
    assert good[0].word == "agree"
    assert good[0].e_n is not None
    assert good[0].e_n < 1
    assert good[0].difference is not None
    assert abs(good[0].difference) < 0.3
    assert good[0].ended
    assert good[1] == ()


def test_a_linked_disagreement_that_fades_is_not_told_as_one_with_e_n_below_1() -> None:
    group = NodeGroup("node", ("M1", "M3"))
    dog = Watchdog(accuracy, [group])

    def off(reading: Reading) -> Reading:
        wrong = 10e9 < reading.mono_ns < 30e9
        return with_value(reading, 1.05 * (reading.value or 0.0)) if wrong else reading

    words = []
    for reading in changed(Node(1, tags=("M1", "M3")).readings(40), "M3", 0, off):
        dog.take(reading)
        agreement = dog.agreement(group, reading.mono_ns)
        if agreement.e_n is not None:
            words.append(agreement.word)
            assert (agreement.word == "agree") <= (agreement.e_n <= 1)
            assert (agreement.word == "disagree") <= (agreement.e_n > 1)
            for suspect in dog.suspects(reading.mono_ns, reading.utc_ns):
                assert ("one of them is wrong" in suspect.reason) is (agreement.e_n > 1)
    assert list(dict.fromkeys(words)) == ["agree", "unsettled", "disagree"]
    assert words[-1] == "agree"


def test_a_meter_never_read_is_missing_from_the_comparison() -> None:
    group = NodeGroup("node", ("M1", "M3", "M2"))
    dog = Watchdog(accuracy, [group])
    before = dog.agreement(group, 0)
    assert (before.word, before.ever, before.unread) == ("no comparison", False, group.tags)
    last = 0
    for reading in Node(1, tags=("M1", "M3")).readings(10):
        dog.take(reading)
        last = reading.mono_ns
    after = dog.agreement(group, last)
    assert (after.word, after.missing, after.unread) == ("agree", ("M2",), ("M2",))
