"""What the record says of a meter becomes context of a diagnosis."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchlog.clock import ManualClock
from benchlog.logbook import Logbook
from benchlog.project.meter_known import known_of_meter

START = 1_700_000_000_000_000_000
HOUR = 3600 * 1_000_000_000


def body(meter: str, verdict: str) -> dict[str, Any]:
    """A check-standard reading as `check_standard` records it."""
    chart = {"deviation": 0.0, "smoothed": 0.0, "signal": "none", "why": ""}
    return {
        "meter": meter,
        "standard": "CS-3",
        "function": "V=",
        "displayed": "5.00 V",
        "value": 5.0,
        "resolution": 0.01,
        "standard_value": 5.0,
        "unit": "V",
        "accuracy": "1 % + 5",
        "error": 0.0,
        "e_n": 0.1,
        "verdict": verdict,
        "chart": chart,
        "as": "found",
        "findings": [],
        "note": "",
    }


def test_last_check_standard_counts_in_its_function_and_sitting(tmp_path: Path) -> None:
    """Passed: only in this function and for some hours. Failed: until it passes again."""
    with Logbook.open(tmp_path / "t.logbook", clock=ManualClock(START)) as book:
        book.append("standard", body("MA-01", "pass"))
        book.append("standard", body("MB-02", "fail"))
        entries = list(book.entries(("standard",)))
    assert known_of_meter(entries, "MA-01", "V=", START + HOUR) == ("standard passed",)
    assert known_of_meter(entries, "MA-01", "V~", START + HOUR) == ()
    assert known_of_meter(entries, "MA-01", "V=", START + 24 * HOUR) == ()
    assert known_of_meter(entries, "MB-02", "V=", START + 24 * HOUR) == ("standard failed",)
