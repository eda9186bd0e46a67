"""Meters that answer when they are asked, and lines described in the bench file."""

from __future__ import annotations

import time

import pytest
from helpers.frames import EXAMPLES
from helpers.pty_meter import PtyMeter
from helpers.serial_adapter import adapter_on

from benchlog.errors import ConfigError
from benchlog.reading import Reading
from benchlog.registry import make_adapter


def test_a_polled_meter_is_asked_once_a_reading() -> None:
    frame, shown = EXAMPLES["polled14"]
    with PtyMeter(answers={b"D": frame}) as end, adapter_on(end.path, "polled14") as adapter:
        readings = [adapter.read(2), adapter.read(2)]
        assert [r.displayed for r in readings if r is not None] == [shown, shown]
        assert len(end.asked) == 2


def test_a_polled_meter_that_missed_the_request_is_asked_again() -> None:
    frame, shown = EXAMPLES["polled14"]
    end = PtyMeter(answers={b"READ?\r": frame})
    with end, adapter_on(end.path, "polled14", request="READ?\\r") as adapter:
        reading = adapter.read(2)
    assert reading is not None
    assert reading.displayed == shown
    with PtyMeter(answers={b"never": b""}) as end, adapter_on(end.path, "polled14") as adapter:
        for _ in range(12):
            assert adapter.read(0.1) is None
        assert end.asked == [b"D", b"D"]


def test_requests_keep_their_distance() -> None:
    frame, _ = EXAMPLES["polled14"]
    end = PtyMeter(answers={b"D": frame}, every_s=0.005)
    with end, adapter_on(end.path, "polled14", every=0.2) as adapter:
        start = time.monotonic()
        for _ in range(3):
            assert adapter.read(1) is not None
        assert time.monotonic() - start > 0.35


def test_a_described_line_works_from_the_bench_file_alone() -> None:
    options = {
        "frames": "pattern",
        "pattern": r"(?P<function>\w+) (?P<value>\S+) (?P<unit>\S+)",
        "functions": {"ACV": "V~"},
        "end": "\r\n",
        "request": "MEAS?\n",
        "baud": 9600,
    }
    end = PtyMeter(answers={b"MEAS?\n": b"ACV 27.75 V\r\n"})
    with end, make_adapter(f"serial:{end.path}", "MA-01", options=options) as adapter:
        reading = adapter.read(1)  # type: ignore[attr-defined]
    assert isinstance(reading, Reading)
    assert reading.displayed == "27.75 V"


def test_what_can_not_be_sent_is_refused() -> None:
    with pytest.raises(ConfigError, match="request"):
        adapter_on("/dev/x", "polled14", request="§")
