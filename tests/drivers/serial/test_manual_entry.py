"""Readings typed by hand, as an adapter."""

from __future__ import annotations

import io
import os
import time

import pytest

from benchlog.clock import ManualClock
from benchlog.errors import ConfigError, LinkLostError, UsageError
from benchlog.reading import Function, Origin, State
from benchlog.registry import make_adapter
from benchlog_drivers.manual_entry import ManualOptions, ManualReader


def typed(text: str, function: Function | None = None) -> ManualReader:
    return ManualReader(
        "MB-02", "", ManualOptions(function), clock=ManualClock(10**18), stream=io.StringIO(text)
    )


def test_a_line_is_a_reading_as_the_display_shows_it() -> None:
    with typed("27.75 V ac\n\n  1.602 V dc\n") as meter:
        first, second = meter.read(1), meter.read(1)
    assert first is not None
    assert second is not None
    assert (first.value, first.resolution, first.function) == (27.75, 0.01, Function.AC_VOLTS)
    assert (first.instrument, first.origin, first.utc_ns) == ("MB-02", Origin.HAND, 10**18)
    assert (second.value, second.resolution) == (1.602, 0.001)


def test_the_function_may_be_sent_once() -> None:
    with typed("27.75\nOL\n-0.3m", Function.DC_VOLTS) as meter:
        values = [meter.read(1) for _ in range(3)]
    assert [(r.value, r.state) for r in values if r] == [
        (27.75, State.OK),
        (None, State.OVERLOAD),
        (-0.0003, State.OK),
    ]


def test_a_slip_of_the_pen_costs_that_line_only() -> None:
    with typed("27,7x5 V\n27.75 V ac\n") as meter:
        with pytest.raises(UsageError) as error:
            meter.read(1)
        assert error.value.instrument == "MB-02"
        assert meter.read(1) is not None


def test_the_end_of_the_text_is_the_end_of_the_link() -> None:
    with typed("1 ohm\n") as meter:
        assert meter.read(1) is not None
        with pytest.raises(LinkLostError, match="ended"):
            meter.read(1)


def test_lines_from_a_pipe_are_waited_for_and_none_hides_in_a_buffer() -> None:
    near, far = os.pipe()
    with os.fdopen(near) as stream, ManualReader("MB-02", stream=stream) as meter:
        start = time.monotonic()
        assert meter.read(0.1) is None
        assert 0.05 < time.monotonic() - start < 0.5
        os.write(far, b"27.75 V ac\n1.602 V dc\n4.7 ")
        assert [r.displayed for r in (meter.read(1), meter.read(1)) if r] == ["27.75 V ac", "1.602 V dc"]
        assert meter.read(0) is None
        os.write(far, b"ohm")
        os.close(far)
        last = meter.read(1)
        assert last is not None
        assert last.displayed == "4.7 ohm"


def test_the_function_comes_from_the_address() -> None:
    assert isinstance(make_adapter("typed:?function=V~", "MB-02"), ManualReader)
    with pytest.raises(ConfigError, match="function"):
        make_adapter("typed:?function=furlongs", "MB-02")
