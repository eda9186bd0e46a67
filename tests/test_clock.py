"""Clocks and times on text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.clock import ManualClock, SystemClock, parse_rfc3339, rfc3339


@given(st.integers(0, 4_102_444_800_000_000_000))
def test_time_text_keeps_every_nanosecond(utc_ns):
    """RFC 3339 there and back."""
    assert parse_rfc3339(rfc3339(utc_ns)) == utc_ns


def test_other_zones_are_read():
    """An offset is applied; a text without zone is refused."""
    assert parse_rfc3339("1970-01-01T02:00:00.5+02:00") == 500_000_000
    with pytest.raises(ValueError, match="time zone"):
        parse_rfc3339("1970-01-01T00:00:00")


def test_a_hand_moved_clock():
    """Sleep moves it on at once; setting the wall time leaves intervals alone."""
    clock = ManualClock(1_000)
    clock.sleep(2.5)
    assert (clock.utc_ns(), clock.monotonic_ns()) == (2_500_001_000, 2_500_000_000)
    clock.set_utc_ns(5)
    assert (clock.utc_ns(), clock.monotonic_ns()) == (5, 2_500_000_000)


def test_the_system_clock_runs():
    """Monotonic time does not run backwards."""
    clock = SystemClock()
    first = clock.monotonic_ns()
    clock.sleep(0)
    assert clock.monotonic_ns() >= first
    assert clock.utc_ns() > 1_700_000_000_000_000_000
