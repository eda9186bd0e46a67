"""What the record says of a meter becomes context of a diagnosis."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchlog.checks.crosscheck import check_crosscheck
from benchlog.clock import ManualClock
from benchlog.displayed import parse_displayed
from benchlog.logbook import Logbook
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.evidence import record_result
from benchlog.project.meter_known import KNOWN_KINDS, known_of_meter
from benchlog.project.open_doubts import doubt_body
from benchlog.project.suspect import Kind, Suspect
from benchlog.reading import Function

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


def known(book: Logbook, meter: str, function: str, hours: int = 1) -> list[str]:
    """Contexts that the record gives for a meter, some hours later."""
    entries = book.entries(KNOWN_KINDS)
    return [one.context for one in known_of_meter(entries, meter, function, START + hours * HOUR)]


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook.open(tmp_path / "t.logbook", clock=ManualClock(START)) as book:
        yield book


def cross_check(book: Logbook, **shown: str) -> None:
    """Record a cross-check of meters of 1 % + 2 on one DC point."""
    readings = [
        MeterReading(parse_displayed(text, Function.DC_VOLTS, instrument=tag), parse_accuracy("1 % + 2"))
        for tag, text in shown.items()
    ]
    record_result(book, ManualClock(START), check_crosscheck(readings))


def test_last_check_standard_counts_in_its_function_and_sitting(book: Logbook) -> None:
    """Passed: only in this function and for some hours. Failed: until it passes again."""
    book.append("standard", body("MA-01", "pass"))
    book.append("standard", body("MB-02", "fail"))
    assert known(book, "MA-01", "V=") == ["standard passed"]
    assert known(book, "MA-01", "V~") == []
    assert known(book, "MA-01", "V=", 24) == []
    assert known(book, "MB-02", "V=", 24) == ["standard failed"]


def test_two_meters_that_disagreed_are_both_suspect_until_one_is_checked(book: Logbook) -> None:
    """A pass clears one and leaves the other; a later agreement clears both. Ohms use another reference."""
    cross_check(book, A="5.00 V", B="5.40 V")
    assert known(book, "A", "V=") == known(book, "B", "V~") == ["meters disagreed"]
    assert known(book, "A", "ohm") == known(book, "C", "V=") == []
    book.append("standard", body("A", "pass"))
    assert known(book, "A", "V=") == ["standard passed"]
    assert known(book, "B", "V=") == ["odd one out"]
    cross_check(book, A="5.00 V", B="5.01 V")
    assert known(book, "B", "V=") == []


def test_a_meter_found_bad_explains_the_disagreement(book: Logbook) -> None:
    """The other is no longer suspect, also once the bad one is repaired and passes."""
    cross_check(book, A="5.00 V", B="5.40 V")
    book.append("standard", body("B", "fail"))
    assert known(book, "A", "V=") == []
    book.append("standard", body("B", "pass") | {"as": "left"})
    assert known(book, "A", "V=") == []


def test_agreement_with_a_meter_that_was_bad_clears_nothing(book: Logbook) -> None:
    """A agreed with C, but C was wrong then."""
    cross_check(book, A="5.00 V", B="5.40 V")
    cross_check(book, A="5.00 V", C="5.01 V")
    assert known(book, "A", "V=") == []
    book.append("standard", body("C", "fail"))
    assert known(book, "A", "V=") == ["meters disagreed"]


def test_of_three_only_the_odd_one_out_is_suspect(book: Logbook) -> None:
    """The two that agreed are not; a repair ends it."""
    cross_check(book, A="5.00 V", B="5.01 V", C="5.40 V")
    assert [known(book, tag, "V=") for tag in "ABC"] == [[], [], ["odd one out"]]
    book.append("repair", {"meter": "C", "reason": "new battery"})
    assert known(book, "C", "V=") == []


def test_a_watch_that_saw_meters_disagree_counts_until_it_is_settled(book: Logbook) -> None:
    """As a cross-check does."""
    suspect = Suspect("A", Kind.DISAGREES, "apart", "fresh_cell", others=("B",), function=Function.DC_VOLTS)
    book.append("doubt", doubt_body("begins", suspect))
    assert known(book, "A", "V=") == known(book, "B", "V=") == ["meters disagreed"]
    book.append("standard", body("A", "pass"))
    assert known(book, "B", "V=") == ["odd one out"]
    book.append("standard", body("B", "fail"))
    book.append("standard", body("B", "pass") | {"as": "left"})
    assert known(book, "A", "V=", 24) == known(book, "B", "V=", 24) == []
