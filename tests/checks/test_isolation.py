"""Screening of isolation: leakage resistance from a voltage divider of barrier and meter."""

from __future__ import annotations

import pytest

from benchlog.checks.isolation import check_isolation
from benchlog.displayed import parse_displayed
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.result import Verdict


@pytest.mark.parametrize(
    ("shown", "resistance", "verdict"),
    [
        ("0.100 V dc", 1.19e9, Verdict.PASS),
        ("0.120 V dc", 0.99e9, Verdict.INDETERMINATE),
        ("0.300 V dc", 0.39e9, Verdict.FAIL),
    ],
)
def test_leakage_by_the_divider_with_the_meter(shown: str, resistance: float, verdict: Verdict) -> None:
    """RECOMPUTED by hand: 12 V over barrier and 10 megohm, R = 10 megohm x (12 V / shown - 1), at least 1 gigohm."""
    meter = MeterReading(parse_displayed(shown), parse_accuracy("0.5 % + 2"))
    result = check_isolation(meter, 12.0, 1e9)
    assert result.quantities["resistance"].value == pytest.approx(resistance, rel=1e-9)
    assert result.verdict is verdict
    settles = [way["action"] for way in result.details.get("would_settle", ())]
    assert any("insulation tester" in action for action in settles) is (verdict is Verdict.INDETERMINATE)
