"""How meters on one node agree, typed readings among them: in words, E_n and distance."""

from __future__ import annotations

from helpers.meters_on_node import Node, accuracy, steady
from helpers.watched_node import by_eye, changed, raised, with_value

from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.suspicion import Watchdog
from benchlog.project.suspect import Kind
from benchlog.reading import Function, Origin, Reading


def test_typed_readings_are_compared_and_two_in_a_row_decide() -> None:
    linked = list(Node(1, tags=("M1",)).readings(60))
    group = [NodeGroup("node", ("M1", "M2"))]
    one = sorted([*linked, by_eye(20.0, 31.0)], key=lambda r: r.mono_ns)
    two = sorted([*one, by_eye(40.0, 31.1)], key=lambda r: r.mono_ns)
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


def test_state_e_n_and_distance_are_those_of_the_latest_typed_reading() -> None:
    group = NodeGroup("node", ("M1", "M2"))
    dog = Watchdog(accuracy, [group])
    typed = {8: 30.4, 10: 30.5, 24: 0.02, 32: 27.7}
    linked = list(Node(1, tags=("M1",), wander=steady).readings(45))
    after = {}
    due = dict(typed)
    for reading in linked:
        dog.take(reading)
        second = int(reading.mono_ns // 10**9)
        if (volts := due.pop(second, None)) is not None:
            dog.take(by_eye(reading.mono_ns / 1e9, volts))
        if second - 1 in typed and second - 1 not in after:
            after[second - 1] = (
                dog.agreement(group, reading.mono_ns),
                dog.suspects(reading.mono_ns, reading.mono_ns),
            )
    one, two, zero, good = (after[s] for s in typed)
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


def test_a_linked_disagreement_that_fades_is_not_reported_as_one_with_e_n_below_1() -> None:
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
