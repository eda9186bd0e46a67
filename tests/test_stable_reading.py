"""A check takes a display that has settled, whoever asks: frames in a row that agree, and no lost contact."""

from __future__ import annotations

import pytest

from benchlog.clock import ManualClock
from benchlog.errors import BadFrameError, LinkLostError, ReadTimeoutError
from benchlog.reading import Flag, Function, Reading
from benchlog.stable_reading import read_settled
from benchlog.testing import ScriptedReader

PERIOD_S = 0.4


def volts(value: float, *flags: Flag) -> Reading:
    return Reading(Function.AC_VOLTS, value, 0.01, f"{value:.2f} V", flags=frozenset(flags))


def reader(*script: object) -> ScriptedReader:
    """A meter that shows one reading a period."""
    timed = [part for item in script for part in (PERIOD_S, item)]
    return ScriptedReader("MA-01", timed, clock=ManualClock(1))  # type: ignore[arg-type]


def test_three_frames_that_agree_are_enough() -> None:
    with reader(volts(27.75), volts(27.75), volts(27.76), volts(99.0)) as meter:
        assert read_settled(meter, 5).value == 27.76


def test_a_single_wrong_frame_is_passed_over() -> None:
    with reader(volts(27.75), volts(87.75), volts(27.75), volts(27.74), volts(27.75)) as meter:
        assert read_settled(meter, 5).value == 27.75


def test_frames_with_other_flags_do_not_agree() -> None:
    shown = (volts(27.75), volts(27.75), volts(27.75, Flag.HOLD), *[volts(27.74)] * 3)
    with reader(*shown) as meter:
        assert read_settled(meter, 5).value == 27.74


def test_a_settling_display_is_waited_for() -> None:
    """A step from 0 to 27.75 V with settling gives one value, after three readings within two counts."""
    steps = [12.1, 21.4, 25.9, 27.31, 27.68, 27.74, 27.75, 27.75]
    with reader(*map(volts, steps)) as meter:
        assert read_settled(meter, 5).value == 27.75


def test_near_zero_where_more_is_expected_is_held_first() -> None:
    """A lead that is not on yet reads steady zero: only after five seconds is that the reading."""
    zeros = [0.02] * 8
    with reader(*map(volts, [*zeros, 27.75, 27.75, 27.75])) as meter:
        assert read_settled(meter, expect=27.8).value == 27.75
    with reader(*map(volts, zeros * 3)) as meter:
        assert read_settled(meter, expect=27.8).value == 0.02
    with reader(*map(volts, zeros)) as meter:
        assert read_settled(meter).value == 0.02  # nothing is expected: at once


def test_two_readings_are_not_enough() -> None:
    with (
        reader(volts(27.75), volts(27.75)) as meter,
        pytest.raises(ReadTimeoutError, match=r"did not settle.*27\.75 V") as error,
    ):
        read_settled(meter, 2)
    assert error.value.hint
    assert error.value.instrument == "MA-01"


def test_silence_drop_out_and_disagreement_are_distinguished() -> None:
    with reader() as meter, pytest.raises(ReadTimeoutError, match="no reading within 1 s"):
        read_settled(meter, 1)
    with (
        reader(volts(1), volts(2), volts(3)) as meter,
        pytest.raises(ReadTimeoutError, match=r"did not settle.*2\.00 V, 3\.00 V"),
    ):
        read_settled(meter, 1.3)
    slipped = [27.3, 27.7, *[0.02] * 10]
    with reader(*map(volts, slipped)) as meter, pytest.raises(ReadTimeoutError, match="dropped out"):
        read_settled(meter, 4)


def test_trouble_on_the_link_is_passed_on() -> None:
    with reader(volts(1), LinkLostError("gone", hint="plug it in")) as meter, pytest.raises(LinkLostError):
        read_settled(meter, 1)
    with reader(BadFrameError("garbage", hint="baud")) as meter, pytest.raises(BadFrameError):
        read_settled(meter, 1)
