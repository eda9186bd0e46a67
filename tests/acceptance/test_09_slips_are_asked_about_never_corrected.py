"""A slip of unit, prefix, function, factor 10, root 2 or 2.2 is asked about; no value is ever corrected."""

from __future__ import annotations

import pytest

SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", "--no-record", "--meter", "MA-01")


@pytest.mark.parametrize(
    ("reading", "question"),
    [
        ("27.7 mV ac", "prefix"),
        ("38.3 V ac", "peak"),
        ("271 V ac", "decimal point"),
        ("60.1 V ac", "is it DC, read on an AC range"),
    ],
)
def test_each_slip_asks_its_own_question(desk, reading: str, question: str) -> None:
    """About 27.1 V is expected; the answer asks, and keeps the value as read."""
    said = desk.run(*SUPPLY, "--reading", reading)
    assert question in said.words
    assert f"{reading} is " in said.words
    assert "Nothing was changed." in said.words
    assert said.code != 0


def test_another_function_is_refused_with_the_right_question(desk) -> None:
    """27.7 V dc on an AC output."""
    said = desk.run(*SUPPLY, "--reading", "27.7 V dc")
    assert said.code == 2
    assert "the nameplate says ac" in said.words


def test_a_true_half_stays_half(desk) -> None:
    """13.6 V may be half a winding: it is asked about, stays 13.6 V and fails."""
    said = desk.run(*SUPPLY, "--reading", "13.60 V ac", "--json")
    assert said.json["quantities"]["no_load_voltage"]["value"] == 13.60
    assert (said.json["verdict"], said.code) == ("fail", 1)
    assert any("half the expected value" in finding for finding in said.json["findings"])


def test_in_a_guided_run_the_question_is_in_the_result(kiln) -> None:
    """Ten times the drop that 202 mohm give at 0.5 A, from a file of answers: kept as read, the question is on record.

    Nobody was there to be asked, so it condemns nothing.
    """
    said = kiln.answer(kiln.plan, "C09", ["C09/drop: 1.011 V"], "--json")
    (result,) = said.lines
    assert result["quantities"]["resistance"]["value"] == pytest.approx(2.022)
    assert any("Nothing was changed." in f and "decimal point" in f for f in result["findings"])
    assert (result["verdict"], said.code) == ("indeterminate", 3)
