"""A check rests on frames in a row that agree."""

from __future__ import annotations

import pytest

from benchlog.clock import ManualClock
from benchlog.errors import BadFrameError, LinkLostError, ReadTimeoutError
from benchlog.reading import Flag, Function, Reading
from benchlog.stable_reading import read_stable
from benchlog.testing import ScriptedReader


def volts(value: float, *flags: Flag) -> Reading:
    return Reading(Function.AC_VOLTS, value, 0.01, f"{value:.2f} V", flags=frozenset(flags))


def reader(*script: object) -> ScriptedReader:
    return ScriptedReader("MA-01", script, clock=ManualClock(1))  # type: ignore[arg-type]


def test_two_frames_that_agree_are_enough() -> None:
    with reader(volts(27.75), volts(27.76), volts(99.0)) as meter:
        assert read_stable(meter, 5).value == 27.76


def test_a_single_wrong_frame_is_passed_over() -> None:
    with reader(volts(27.75), volts(87.75), volts(27.75), volts(27.74)) as meter:
        assert read_stable(meter, 5).value == 27.74


def test_frames_with_other_flags_do_not_agree() -> None:
    with reader(volts(27.75), volts(27.75, Flag.HOLD), volts(27.75), volts(27.75)) as meter:
        assert read_stable(meter, 5).flags == frozenset()
        assert meter.read(0.1) is None


def test_a_settling_display_is_waited_for() -> None:
    """A step from 0 to 27.75 V with settling gives one value, after three readings within two counts."""
    steps = [0.0, 0.0, 12.1, 21.4, 25.9, 27.31, 27.68, 27.74, 27.75, 27.75]
    with reader(*map(volts, steps[2:])) as meter:
        assert read_stable(meter, 5, stable=True).value == 27.75


def test_one_reading_is_not_enough() -> None:
    with (
        reader(volts(27.75)) as meter,
        pytest.raises(ReadTimeoutError, match=r"27\.75 V.*2 are needed") as error,
    ):
        read_stable(meter, 1)
    assert error.value.hint
    assert error.value.instrument == "MA-01"


def test_count_one_is_taken_as_two() -> None:
    with reader(volts(27.75)) as meter, pytest.raises(ReadTimeoutError):
        read_stable(meter, 1, count=1)


def test_silence_and_disagreement_are_told_apart() -> None:
    with reader() as meter, pytest.raises(ReadTimeoutError, match="no reading within 1 s"):
        read_stable(meter, 1)
    restless = reader(volts(1), 0.5, volts(2), 0.5, volts(3), 0.5)
    with restless as meter, pytest.raises(ReadTimeoutError, match=r"agreed.*2\.00 V, 3\.00 V"):
        read_stable(meter, 1.2)


def test_trouble_on_the_link_is_passed_on() -> None:
    with reader(volts(1), LinkLostError("gone", hint="plug it in")) as meter, pytest.raises(LinkLostError):
        read_stable(meter, 1)
    with reader(BadFrameError("garbage", hint="baud")) as meter, pytest.raises(BadFrameError):
        read_stable(meter, 1)
