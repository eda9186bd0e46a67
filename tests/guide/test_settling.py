"""A display is taken once it has settled, once only, and never because the contact was lost."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from helpers.scripted_person import ScriptedPerson

from benchlog.clock import ManualClock
from benchlog.errors import LinkLostError, ReadTimeoutError
from benchlog.guide.linked import KeyPressedError, read_shown
from benchlog.reading import Function, Reading, State
from benchlog.stable_reading import Settle, Settling
from benchlog.testing import ScriptedReader

PERIOD_S = 0.4


def volts(value: float, function: Function = Function.AC_VOLTS) -> Reading:
    return Reading(function, value, 0.01, f"{value:.2f} V")


def overload(function: Function = Function.AC_VOLTS) -> Reading:
    return Reading(function, None, 0.0, "OL", State.OVERLOAD)


def at_rate(readings: Iterable[Reading]) -> list[object]:
    return [item for reading in readings for item in (PERIOD_S, reading)]


def meter(*script: object) -> ScriptedReader:
    return ScriptedReader("MA-01", script, clock=ManualClock(1)).open()  # type: ignore[arg-type]


def words(readings: Iterable[Reading], expect: float | None = None) -> list[Settle]:
    """What each of a row of readings does, one every 0.4 s."""
    settling, out = Settling(expect), []
    for n, reading in enumerate(readings):
        stamped = Reading(
            reading.function,
            reading.value,
            reading.resolution,
            reading.displayed,
            reading.state,
            mono_ns=round(n * PERIOD_S * 1e9),
        )
        out.append(settling.update(stamped))
    return out


STEP = [0.0, 0.0, 0.0, 0.0, 12.1, 21.4, 25.9, 27.31, 27.68, 27.74, 27.75, 27.75]


def test_a_step_with_settling_is_taken_once_and_only_settled() -> None:
    """Zero before the tips are on, then the rise: the one value taken is 27.75 V, after three within two counts."""
    with meter(*at_rate(map(volts, STEP))) as reader:
        assert read_shown(reader, ScriptedPerson({}), expect=27.8).value == 27.75
    assert words(map(volts, STEP), 27.8).count(Settle.STEADY) == 1


def test_the_value_is_shown_while_it_moves() -> None:
    person = ScriptedPerson({})
    with meter(*at_rate(map(volts, STEP))) as reader:
        read_shown(reader, person, expect=27.8)
    assert any("12.10 V" in line and "settling" in line for line in person.lives)
    assert any("near zero" in line for line in person.lives)


def test_a_collapse_is_never_taken() -> None:
    """The lead slips off and the display rests at a ghost voltage: nothing is taken, and the message says why."""
    fallen = [27.3, 27.7, 0.31, *[0.02] * 60]
    person = ScriptedPerson({})
    with meter(*at_rate(map(volts, fallen))) as reader, pytest.raises(ReadTimeoutError, match="dropped out"):
        read_shown(reader, person)
    assert "hold the tips on" in person.said


def test_a_collapse_that_comes_back_is_forgotten() -> None:
    slipped = [27.3, 27.7, 0.02, 0.02, 0.02, 27.1, 27.74, 27.75, 27.75]
    with meter(*at_rate(map(volts, slipped))) as reader:
        assert read_shown(reader, ScriptedPerson({})).value == 27.75


def test_a_flash_of_overload_is_never_taken() -> None:
    """Overload after numbers is a contact that came off, however long it stays."""
    script = [volts(27.3), volts(27.6), *[overload()] * 60]
    with meter(*at_rate(script)) as reader, pytest.raises(ReadTimeoutError, match="dropped out"):
        read_shown(reader, ScriptedPerson({}))


def test_readings_on_both_sides_of_a_gap_never_agree() -> None:
    settling = Settling()
    seen = []
    for second in (0.0, 0.4, 0.8 + 5.0, 6.2, 6.6):
        reading = volts(27.75)
        seen.append(
            settling.update(
                Reading(reading.function, reading.value, 0.01, "27.75 V", mono_ns=round(second * 1e9))
            )
        )
    assert seen == [Settle.MOVING, Settle.MOVING, Settle.GAP, Settle.MOVING, Settle.STEADY]


def test_a_slow_meter_is_not_a_gap() -> None:
    """One reading every two seconds: after the first pause that is its usual rate."""
    settling = Settling()
    seen = [
        settling.update(Reading(Function.AC_VOLTS, 27.75, 0.01, "27.75 V", mono_ns=n * 2 * 10**9))
        for n in range(5)
    ]
    assert seen[-1] is Settle.STEADY


def test_one_wrong_frame_sets_no_height_to_fall_from() -> None:
    """A single damaged frame of 887.5 V must not make the true 27.75 V a drop-out."""
    assert words(map(volts, [27.75, 887.5, 27.75, 27.75, 27.75]))[-1] is Settle.STEADY


def test_near_zero_is_the_truth_when_it_lasts() -> None:
    """An open lead shows 0.02 V from the start: taken, but only after five seconds."""
    seen = words([volts(0.02)] * 20, 27.8)
    first = seen.index(Settle.STEADY)
    assert first * PERIOD_S == pytest.approx(5.0, abs=PERIOD_S)
    assert seen[first - 1] is Settle.NEAR_ZERO


def test_near_zero_without_expectation_is_taken_at_once() -> None:
    assert words([volts(0.02)] * 3)[-1] is Settle.STEADY


def test_open_tips_on_ohms_are_an_answer_when_they_last() -> None:
    """Tips shorted on ohms and still overload: that is the open lead, and must come through."""
    seen = words([overload(Function.OHMS)] * 20)
    assert seen[3] is Settle.OVERLOAD
    assert Settle.STEADY in seen


def test_a_turned_dial_is_not_a_drop_out() -> None:
    """230 V~ before and 0.5 V= after the dial was turned are two quantities."""
    script = [volts(230.0), volts(230.0), *[volts(0.5, Function.DC_VOLTS)] * 4]
    assert words(script)[-1] is Settle.STEADY


def test_frames_from_before_the_question_are_thrown_away() -> None:
    """What waits in the link was sent while the leads were moved."""
    old = [volts(12.0)] * 6
    with meter(*old, *at_rate(map(volts, [27.6, 27.7, 27.75, 27.75, 27.76]))) as reader:
        assert read_shown(reader, ScriptedPerson({})).value == 27.76


def test_a_key_ends_the_wait() -> None:
    person = ScriptedPerson({}, keys="xt")
    with meter(*at_rate([volts(n) for n in range(40)])) as reader, pytest.raises(KeyPressedError, match="t"):
        read_shown(reader, person)


def test_a_silent_meter_is_named() -> None:
    with meter() as reader, pytest.raises(ReadTimeoutError, match="no reading within 20 s") as error:
        read_shown(reader, ScriptedPerson({}))
    assert "link" in error.value.hint


def test_a_lost_link_comes_through() -> None:
    with meter(PERIOD_S, volts(27.7), LinkLostError("gone")) as reader, pytest.raises(LinkLostError):
        read_shown(reader, ScriptedPerson({}))
