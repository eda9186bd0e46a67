"""A slip is asked about, never corrected."""

from __future__ import annotations

import pytest

from benchlog.diagnosis.slips import find_slips
from benchlog.units import parse_quantity


@pytest.mark.parametrize(
    ("expect", "reading", "kind", "word"),
    [
        ("27.7 V ac", "27.7 mV ac", "factor 1000", "prefix"),
        ("12.7 V ac", "15.3 kV ac", "factor 1000", "prefix"),
        ("27 V ac", "2.7 kV ac", "factor 100", "prefix"),
        ("27.1 V ac", "38.3 V ac", "root 2", "peak"),
        ("27.1 V ac", "271 V ac", "factor 10", "point"),
        ("27.1 V ac", "2.71 V ac", "factor 10", "point"),
        ("27.1 V ac", "13.6 V ac", "half", "two windings"),
        ("27.1 V ac", "54.0 V ac", "double", "series"),
        ("27.1 V ac", "27.1 V dc", "other function", "function"),
        ("27.1 V ac", "27.1 ohm", "other unit", "function"),
        ("12 V ac", "26.6 V ac", "averaging on dc", "DC"),
        ("12 V dc", "-12 V dc", "sign", "swapped"),
    ],
)
def test_each_slip_asks_its_question(expect: str, reading: str, kind: str, word: str) -> None:
    """The right question for factor 10, 1000, root 2, half, function and unit."""
    slips = {s.kind: s.question for s in find_slips(parse_quantity(expect), parse_quantity(reading))}
    assert kind in slips
    assert word in slips[kind]
    assert slips[kind].endswith("?")


@pytest.mark.parametrize("reading", ["27.1 V ac", "26.0 V ac", "20.3 V ac", "31.4 V ac"])
def test_a_value_that_fits_no_slip_raises_no_question(reading: str) -> None:
    """As expected, or simply different: nothing to ask."""
    assert find_slips(parse_quantity("27.1 V ac"), parse_quantity(reading)) == ()


def test_true_but_unexpected_value_stays_as_read() -> None:
    """13.6 V for 27.1 V may be half a winding; it stays 13.6 V."""
    reading = parse_quantity("13.6 V ac")
    find_slips(parse_quantity("27.1 V ac"), reading)
    assert reading == parse_quantity("13.6 V ac")
