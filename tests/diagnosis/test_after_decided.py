"""When a diagnosis names a cause, and what confirms it or leaves it open."""

from __future__ import annotations

import pytest

from benchlog.diagnosis import Case, Session, diagnose, parse_evidence


def case(reading: str, *evidence: tuple[str, str], expect: str = "27 V ac", **more: object) -> Case:
    """A case with evidence."""
    return Case.from_text(expect, reading, evidence=evidence, **more)  # type: ignore[arg-type]


def test_a_lead_in_the_current_jack_is_looked_for_by_hand_before_it_is_confirmed() -> None:
    """Other leads would cure an open lead as well, so that the reading again would confirm either."""
    looked = ("look", "lead in current jack")
    state = diagnose(case("0.001 V ac", looked))
    assert state.read_again is not None
    assert "volts jack" in state.read_again.card
    assert "replace the leads" not in state.read_again.card


@pytest.mark.parametrize(
    ("reading", "second", "others", "cause"),
    [
        ("31.4 V ac", "27.0 V ac", (("new_battery", "31.4 V ac"),), "meter_gain_drift"),
        ("0.003 V ac", "0.004 V ac", (("read_mains", "230 V ac"), ("ohms_plug", "OL")), "part_open_primary"),
    ],
)
def test_a_second_meter_that_was_read_confirms(
    reading: str, second: str, others: tuple[tuple[str, str], ...], cause: str
) -> None:
    """Read as expected it confirms that the first one is bad, read like the first one that the part is."""
    evidence = (
        ("look", "in order"),
        ("fresh_cell", "1.839 V dc" if cause == "meter_gain_drift" else "1.6 V dc"),
    )
    state = diagnose(case(reading, *evidence, ("second_meter", second), *others))
    assert (state.stop, state.causes[0].id) == ("decided", cause)
    assert state.confirmed
    assert state.read_again is None
    alone = diagnose(case(reading, *evidence, *others))
    assert not alone.confirmed


def test_an_output_just_read_right_is_live() -> None:
    session = Session(case("0.003 V ac", ("look", "wrong function")))
    before = session.state().p_live
    session.update(parse_evidence(("reading_again", "27.1 V ac")))
    assert session.state().confirmed
    assert session.state().p_live > max(before, 0.95)


def test_two_faults_of_the_meter_that_nothing_tells_apart_put_the_meter_at_fault() -> None:
    """18.3 V where a second meter reads 27.6 V, and 1.06 V on a new cell: drift or damage, the meter either way."""
    evidence = (
        ("look", "in order"), ("second_meter", "27.6 V ac"), ("short_tips", "0.00 V ac"), ("fresh_cell", "1.060 V dc"),
        ("known_resistor", "10.0 kohm"), ("reselect_function", "18.30 V ac"),
    )  # fmt: skip
    state = diagnose(case("18.31 V ac", *evidence))
    assert state.stop != "decided"
    assert state.meter_at_fault
    assert not diagnose(case("18.31 V ac", *evidence[:2])).meter_at_fault


@pytest.mark.parametrize(
    ("expect", "reading", "cause"),
    [("12 V dc", "-12.05 V dc", "reversed_polarity"), ("24 V ac", "24.1 kV ac", "range_slip")],
)
def test_one_reading_names_no_fault(expect: str, reading: str, cause: str) -> None:
    """However well it fits: a stored value on a dead output shows minus twelve volts, too."""
    found = diagnose(case(reading, expect=expect))
    assert found.causes[0].id == cause
    assert found.causes[0].probability > 0.9
    assert found.stop is None
    assert found.next
