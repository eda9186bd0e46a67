"""Recalled results on the certificate."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from helpers.passed_result import NOW, PASSED

from benchlog.logbook import Logbook
from benchlog.report.certificate import render_certificate
from benchlog.result import DesignCheck, Result, Uncertain, Verdict


def recalled_page(book: Logbook, *items: dict[str, Any], result: Result = PASSED) -> str:
    """The page after a passed result was recalled with a thing for each item."""
    ref = book.append_result(result)
    for number, item in enumerate(items):
        usual = {"entry": ref.seq, "check_id": "", "part": "L1", "class": "stands with wider uncertainty"}
        body = {
            "meter": f"MA-0{number}",
            "function": "ohm",
            "reason": "reads high",
            "results": [usual | item],
        }
        book.append("recall", body)
    return render_certificate(book, now_utc_ns=NOW)


def test_a_recalled_row_has_the_wider_interval(book: Logbook) -> None:
    """0.2 Ω, U 2 mΩ; 10 mΩ lower by one recall and up to 20 mΩ lower by another: 0.168 to 0.202 Ω, by hand."""
    first, second = ({"true_ranges": {"resistance": {"low": low, "high": 0.2}}} for low in (0.19, 0.18))
    page = recalled_page(book, first, second)
    assert '168.0 to 202.0 mΩ <span class="note">(was 200.0 ± 2.0 mΩ)</span>' in page
    assert "after recall, entry 3, 4" in page


@pytest.mark.parametrize(
    ("recall_class", "shown"),
    [
        ("measure again", "continuity: recalled, was pass: a 63 V capacitor is enough"),
        ("stands", "continuity: pass (after recall, entry 3): a 63 V capacitor is enough"),
    ],
)
def test_a_check_of_the_design_is_worth_what_its_measurement_is(
    book: Logbook, recall_class: str, shown: str
) -> None:
    design = DesignCheck("capacitor_rating", Verdict.PASS, 41.4, 63.0, "V", "a 63 V capacitor is enough")
    result = msgspec.structs.replace(PASSED, design_checks=(design,))
    page = recalled_page(book, {"class": recall_class}, result=result)
    assert shown in page.partition("Checks on the design")[2]


def test_a_comparison_that_is_off_by_a_known_amount_has_no_width(book: Logbook) -> None:
    """E_n has no uncertainty of its own: both ends may be the same."""
    result = msgspec.structs.replace(
        PASSED, check="crosscheck", quantities={"e_n": Uncertain(0.2, 0.0, 0.0, "1")}, limits={}
    )
    ref = book.append_result(result)
    item = {"entry": ref.seq, "check_id": "", "part": "L1", "class": "stands with wider uncertainty"}
    item["true_ranges"] = {"e_n": {"low": 0.5, "high": 0.5}}
    book.append("recall", {"meter": "MA-01", "function": "V=", "reason": "reads high", "results": [item]})
    assert "(was 0.2)" in render_certificate(book, now_utc_ns=NOW)


def test_a_recall_that_says_no_interval_is_pointed_to(book: Logbook) -> None:
    """Recalls written before they had intervals."""
    assert '200.0 ± 2.0 mΩ <span class="note">(see recall, entry 3)</span>' in recalled_page(book, {})
