"""Accuracy statements against makers' worked examples."""

from __future__ import annotations

import math

import pytest

from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY, Accuracy, assumed_accuracy, parse_accuracy
from benchlog.metrology.meter_reading import MeterReading, correction
from benchlog.reading import Function


def test_bounds_of_published_examples(worked_examples):
    """Multimeter makers' notes (READ, RECOMPUTED): reading, percent, counts, resolution to low and high."""
    for row in worked_examples["dmm_accuracy"]["rows"]:
        accuracy = Accuracy(row["percent"] / 100, row["counts"])
        bound = accuracy.bound(row["reading"], row["resolution"])
        assert row["reading"] - bound == pytest.approx(row["low"], abs=1e-9)
        assert row["reading"] + bound == pytest.approx(row["high"], abs=1e-9)


@pytest.mark.parametrize(
    ("text", "fraction", "counts"),
    [
        ("1 % + 5", 0.01, 5),
        ("±(0.5 % + 2 counts)", 0.005, 2),
        ("0.05 %", 0.0005, 0),
        ("1,2 % + 5 digits", 0.012, 5),
    ],
)
def test_statements_as_makers_write_them(text, fraction, counts):
    """Percent of reading, counts optional, decimal comma allowed."""
    accuracy = parse_accuracy(text)
    assert (accuracy.fraction, accuracy.counts) == (pytest.approx(fraction), counts)


@pytest.mark.parametrize("text", ["", "good", "1 + 5", "% + 5", "1 % + x", "1 % + 5 V"])
def test_nonsense_is_refused(text):
    """Anything else is an error that shows how to write it."""
    with pytest.raises(UsageError) as caught:
        parse_accuracy(text)
    assert "1 % + 5" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "fraction", "degrees", "written"),
    [
        ("1 % + 3 degC", 0.01, 3, "1 % + 3 degC"),
        ("±(0.5 % rdg + 2,5 °C)", 0.005, 2.5, "0.5 % + 2.5 degC"),
        ("2 K", 0, 2, "0 % + 2 degC"),
    ],
)
def test_thermometers_state_degrees(text, fraction, degrees, written):
    """An absolute part whatever the display's last digit is; of no other function, and it survives being written."""
    accuracy = parse_accuracy(text, function=Function.TEMPERATURE)
    assert (accuracy.fraction, accuracy.degrees) == (pytest.approx(fraction), degrees)
    assert accuracy.doubt == ""
    for step in (1.0, 0.1):
        assert accuracy.bound(100.0, step) == pytest.approx(100 * fraction + degrees)
    assert str(accuracy) == written
    assert parse_accuracy(written) == accuracy
    with pytest.raises(UsageError, match="a thermometer's, not one for V="):
        parse_accuracy(text, function=Function.DC_VOLTS)


@pytest.mark.parametrize("shown", ["21.5 degC", "22 degC"])
def test_an_unknown_thermometer_is_no_better_for_showing_tenths(shown):
    """A class 2 thermocouple of type K alone may be 2.5 K off (IEC 60584-1, from memory), its meter about as much."""
    reading = parse_displayed(shown)
    bound = assumed_accuracy(reading.function).bound(reading.value, reading.resolution)
    assert bound == pytest.approx(0.02 * reading.value + 5)
    (said,) = correction(MeterReading(reading, assumed_accuracy(reading.function)))
    assert said == "accuracy of the meter on degC is not known: 2 % + 5 °C assumed"


def test_digits_contain_the_resolution():
    """U of 27.75 V at 1 % + 5 on a 0.01 V digit is 0.38 V: bound over root three, k = 2."""
    assert 2 * parse_accuracy("1 % + 5").standard_uncertainty(27.75, 0.01) == pytest.approx(0.378, abs=5e-4)


def test_a_perfect_statement_keeps_the_resolution():
    """Zero percent and zero counts still leave half a count."""
    assert Accuracy(0.0, 0.0).standard_uncertainty(5.0, 0.01) == pytest.approx(0.005 / math.sqrt(3))


def test_unknown_meter_is_two_percent_and_ten_counts():
    """The assumption where no data sheet is known."""
    assert str(UNKNOWN_ACCURACY) == "2 % + 10"
