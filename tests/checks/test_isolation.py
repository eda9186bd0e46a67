"""Screening of isolation: leakage resistance from a voltage divider of barrier and meter."""

from __future__ import annotations

import math

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
        ("-0.300 V dc", 0.39e9, Verdict.FAIL),
        ("0.000 V dc", 10e6 * (12 / 0.002 - 1), Verdict.PASS),  # two counts may be hidden
        ("-0.001 V dc", 10e6 * (12 / 0.003 - 1), Verdict.PASS),
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


def test_a_reading_that_is_mostly_its_counts_condemns_nothing() -> None:
    """Zero within two counts of 1 V says 50 megohm or more, of a barrier that shall have 100."""
    meter = MeterReading(parse_displayed("0.0 V dc"), parse_accuracy("0.5 % + 20"))
    result = check_isolation(meter, 12.0, 100e6)
    assert result.verdict is Verdict.INDETERMINATE
    assert "50.0" in result.reason
    assert "finer range" in result.details["would_settle"][0]["action"]


def test_the_counts_of_the_statement_are_in_the_uncertainty() -> None:
    """RECOMPUTED: 100 counts within 2 are 2 %, beside 0.5 % of the reading, 5 % of input and 2 % of supply, as rectangles."""
    meter = MeterReading(parse_displayed("-0.100 V dc"), parse_accuracy("0.5 % + 2"))
    resistance = check_isolation(meter, 12.0, 1e9).quantities["resistance"]
    by_volts = math.hypot(0.02, 0.005, 0.02) * 12 / 0.1 / (12 / 0.1 - 1)
    relative = math.hypot(by_volts, 0.05) / math.sqrt(3)
    assert resistance.standard_uncertainty / resistance.value == pytest.approx(relative, rel=1e-3)
