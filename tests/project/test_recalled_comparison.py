"""What becomes of a comparison of two meters when one of them is found bad."""

from __future__ import annotations

from typing import Any

import pytest
from helpers.checked_meter import CheckedMeter, shown

from benchlog.checks.crosscheck import check_crosscheck
from benchlog.logbook.recalled import RecallClass
from benchlog.project.recall import Failure, recall_results
from benchlog.result import Result


def compared(a: str, b: str) -> Result:
    """A comparison of MA-01 and MB-02."""
    return check_crosscheck([shown(a, "MA-01"), shown(b, "MB-02")])


def recalled(record: CheckedMeter, result: Result, low: float, high: float) -> Any:
    """What becomes of a comparison when MB-02 was off by this."""
    ref = record.book.append_result(result)
    failure = Failure("MB-02", "V=", found=ref.seq, error_low=low, error_high=high)
    (one,) = recall_results([e for e in record.book.entries("result") if e.seq == ref.seq], failure).results
    return one


def test_a_recalled_comparison_is_done_again_with_the_reading_corrected(record: CheckedMeter) -> None:
    """A gain error shifts the difference, it does not scale E_n; no unit "1", no "± 0"."""
    result = compared("10.00 V dc", "10.01 V dc")
    e_n = result.quantities["e_n"].value
    width = 0.01 / e_n
    again = recalled(record, result, 0.0, 0.10)
    assert again.kind is RecallClass.AGAIN
    # By hand: 10.01 V / 1.10 = 9.100 V, so MA-01 read 0.900 V more.
    assert f"E_n 0.00 to {(10.0 - 10.01 / 1.10) / width:.2f}" in again.reason
    assert "-10.0 to 900.0 mV" in again.reason
    wider = recalled(record, result, 0.0, 0.005)
    assert wider.kind is RecallClass.WIDER
    assert f"to {(10.0 - 10.01 / 1.005) / width:.2f}" in wider.reason
    assert wider.true_ranges["difference"] == pytest.approx((-0.01, 10.0 - 10.01 / 1.005))
    assert recalled(record, result, 0.0, 0.0002).kind is RecallClass.STANDS
    for one in (again, wider):
        assert " 1," not in one.reason
        assert "±" not in one.reason


def test_equal_readings_are_compared_again_too(record: CheckedMeter) -> None:
    """E_n 0 says nothing of a width: the stated uncertainty is used instead."""
    assert recalled(record, compared("10.00 V dc", "10.00 V dc"), 0.0, 0.10).kind is RecallClass.AGAIN
