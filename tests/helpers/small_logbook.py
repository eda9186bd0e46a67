"""A small logbook with one of everything."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.logbook import Logbook
from benchlog.reading import Flag, Function, Origin, Reading, State
from benchlog.result import Limits, Result, Uncertain, Verdict

START = parse_rfc3339("2026-03-01T09:00:00Z")


def some_readings(clock: ManualClock, count: int = 20, instrument: str = "MA-01") -> list[Reading]:
    """Readings of one meter, the last an overload in ohms."""
    readings = []
    for number in range(count - 1):
        clock.advance(0.05)
        value = 27.75 + 0.01 * (number % 3)
        readings.append(
            Reading(
                Function.AC_VOLTS,
                value,
                0.01,
                f"{value:.2f} V",
                flags=frozenset({Flag.AUTO}),
                range_max=60.0,
                raw=bytes([number % 256, 0, 255]),
                instrument=instrument,
                utc_ns=clock.utc_ns(),
                mono_ns=clock.monotonic_ns(),
            )
        )
    readings.append(
        Reading(
            Function.OHMS,
            None,
            0.1,
            "OL Ω",
            state=State.OVERLOAD,
            instrument="MB-02",
            channel="upper",
            utc_ns=clock.utc_ns(),
            origin=Origin.HAND,
        )
    )
    return readings


def a_result(verdict: Verdict = Verdict.PASS, part: str = "T1", check_id: str = "C01") -> Result:
    """A supply check's result."""
    return Result(
        check="supply",
        check_id=check_id,
        verdict=verdict,
        reason="27.75 V within 25.6 V to 29.0 V",
        part=part,
        quantities={"no_load_voltage": Uncertain(27.75, 0.19, 0.38, "V")},
        limits={"no_load_voltage": Limits(25.6, 29.0, "V", "nameplate")},
        instruments=("MA-01",),
    )


def standard_body(meter: str, verdict: str, **more: Any) -> dict[str, Any]:
    """Body of a check-standard entry."""
    return {
        "meter": meter,
        "standard": "CS-3",
        "function": "V=",
        "displayed": "5.00 V dc",
        "value": 5.0,
        "resolution": 0.01,
        "standard_value": 5.0,
        "unit": "V",
        "error": 0.0,
        "e_n": 0.1,
        "verdict": verdict,
        "accuracy": "0.5 % + 2",
        "chart": {"signal": "quiet"},
        "as": "found",
        **more,
    }


def a_capture(samples: int = 200) -> Capture:
    """Two channels of unlike type, with sample times."""
    angle = np.arange(samples) / 7
    return Capture(
        (
            ChannelRecord(
                "CH1", np.round(100 * np.sin(angle)).astype("i1"), 0.02, code_limits=(-128.0, 127.0)
            ),
            ChannelRecord(
                "CH2", np.round(1000 * np.cos(angle)).astype("i2"), 0.001, 0.5, probe=10.0, coupling="ac"
            ),
        ),
        1e-4,
        "SC-03",
        utc_ns=START,
        time_s=np.arange(samples) * 1e-4,
        settings={"time base": "1 ms"},
    )


def make_small_logbook(path: Path) -> Path:
    """Write a logbook with one of everything, closed."""
    clock = ManualClock(START)
    with Logbook.open(path, clock=clock, project="KC-1") as book:
        book.begin_session({"conditions": "21 degC"})
        book.append_readings(some_readings(clock), stream="run 1")
        book.append_readings(some_readings(clock, 10), stream="run 1", position=20)
        book.append_capture(a_capture())
        wrong = book.append_result(a_result(Verdict.FAIL))
        right = book.append_result(a_result())
        book.supersede(wrong.seq, "the meter was on the 2 V range", replacement=right.seq)
        book.attach(b"\xff\xd8\xff not really a photo", "T1 nameplate.jpg", "T1")
        book.append("note", {"text": "cover stays on"})
        book.end_session({"done": "C01", "open": "C02", "unsafe": "", "next": "load point"})
    return path


def make_full_logbook(path: Path) -> Path:
    """Write a small logbook with what a project adds to it, each kind of entry once at least."""
    clock = ManualClock(START + 86_400_000_000_000)
    hold = {"hold": "H1", "step": "mains on", "by": "me", "rests_on": [{"check_id": "C01", "entry": 9}]}
    recalled = {
        "entry": 9,
        "check_id": "C01",
        "part": "T1",
        "class": "measure again",
        "reason": "",
        "holds": [],
    }
    with Logbook.open(make_small_logbook(path), clock=clock) as book:
        book.begin_session()
        book.append("plan", {"project": "KC-1", "sha256": "0" * 64, "checks": {"C01": "1"}})
        book.append("substitution", {"part": "C1", "what": "63 V", "reason": "at hand", "on": "2026-03-01"})
        book.append("part", {"part": "T1", "state": "fitted"})
        book.append(
            "expectation",
            {
                "check_id": "C01",
                "revision": "1",
                "part": "T1",
                "expected": "27.8 V",
                "limits": {"no_load_voltage": {"low": 25.6, "high": 29.0, "unit": "V", "source": "plan"}},
            },
        )
        book.append("skip", {"check_id": "C02", "part": "T1", "reason": "no load at hand"})
        found = {
            "findings": ["near a bound"],
            "finding_kinds": ["note"],
            "note": "",
            "standard_half_width": 0.01,
        }
        book.append("standard", standard_body("MA-01", "fail", **found))
        body = {"meter": "MA-01", "function": "V~", "reason": "failed", "after_entry": 0, "to_entry": 17}
        body |= {
            "error": [0.01, 0.02],
            "range": 6.0,
            "channel": "CH1",
            "results": [recalled],
            "holds": ["H1"],
        }
        recall = book.append("recall", {**body, "passed_on_it": {"MB-02": "V="}, "failed_on_it": [17]})
        book.append("recall undone", {"entry": recall.seq, "meter": "MA-01", "reason": "it was the lead"})
        book.append("repair", {"meter": "MA-01", "reason": "fuse"})
        found = {"meter": "MA-01", "function": "V~", "cause": "the meter's gain has drifted"}
        book.append("found bad", {**found, "check_id": "C01"})
        last = next(iter(book.entries("result", newest_first=True, limit=1)))
        counted = {"check_id": "C01", "revision": "1", "part": "T1", "part_state": "fitted"}
        book.append("adoption", {**counted, "entry": last.seq, "digest": last.digest})
        book.append("release", hold)
        book.append("concession", {**hold, "reason": "for once", "missing": ["C02"]})
        book.append("step", hold)
        clock.advance(-3600)
        book.append("note", {"text": "the clock was an hour ahead"})
        book.end_session({"left": "nothing", "next": ""})
    return path
