"""Steps of a session beside the checks: taking back, reading again, and the words of what feeds the points."""

from __future__ import annotations

import pytest

from benchlog.diagnosis import Case, Session, diagnose, parse_evidence
from benchlog.errors import UsageError

BATTERY = [("look", "battery symbol"), ("fresh_cell", "1.839 V dc")]


def test_an_answer_can_be_taken_back() -> None:
    """After undo the session is as if the answer had never been given."""
    session = Session(Case.from_text("27 V ac", "0.21 V ac"))
    before = session.state()
    session.update(parse_evidence(("read_mains", "0.0 V ac")))
    assert session.state() != before
    taken = session.undo()
    assert taken is not None
    assert taken.text == "0.0 V ac"
    assert session.state() == before
    assert session.undo() is None


def test_the_reading_taken_again_confirms_what_was_decided() -> None:
    """A low battery, and another meter shows what was expected."""
    session = Session(Case.from_text("27 V ac", "31.4 V ac", evidence=BATTERY))
    assert session.state().read_again is not None
    session.update(parse_evidence(("reading_again", "27.1 V ac")))
    state = session.state()
    assert state.confirmed
    assert state.causes[0].id == "meter_battery_low"


def test_a_reading_that_does_not_agree_keeps_the_matter_open() -> None:
    """An open lead on a part that gives half: with good leads it reads half, so more is wrong."""
    steps = [("short_tips_ohms", "OL"), ("wiggle_leads", "steady"), ("wiggle_leads", "steady")]
    session = Session(Case.from_text("27 V ac", "0.21 V ac", evidence=steps))
    assert session.state().causes[0].id == "lead_open"
    session.update(parse_evidence(("reading_again", "18.2 V ac")))
    state = session.state()
    assert not state.confirmed
    assert state.put_right == ("lead_open",)
    assert "part_low" in state.survivors


OPEN_LEAD = [("look", "in order"), ("second_meter", "14.6 V ac"), ("reread", "0.02 V ac")]
OPEN_LEAD += [("short_tips_ohms", "OL"), ("wiggle_leads", "steady")]


def test_a_reading_that_did_not_change_excludes_nothing() -> None:
    """The open lead may not have been replaced: it stays the first, and other leads then show that it was it."""
    session = Session(Case.from_text("15 V ac", "0.02 V ac", evidence=OPEN_LEAD))
    assert session.state().causes[0].id == "lead_open"
    session.update(parse_evidence(("reading_again", "0.02 V ac")))
    state = session.state()
    assert not state.confirmed
    assert state.put_right == ()
    assert state.unchanged == ("lead_open",)
    assert state.causes[0].id == "lead_open"
    session.update(parse_evidence(("other_leads", "14.6 V ac")))
    state = session.state()
    assert state.causes[0].family == "lead"
    assert "lead_open" in state.survivors
    assert sum(c.probability for c in state.causes if c.id.startswith("lead_")) > 0.9


def test_a_fix_that_never_helps_makes_the_cause_less_likely() -> None:
    """The same reading after every fix speaks against the cause, and ends the asking for that fix."""
    session = Session(Case.from_text("15 V ac", "0.02 V ac", evidence=OPEN_LEAD))
    shares = []
    while session.state().stop == "decided" and session.state().causes[0].id == "lead_open":
        shares.append(session.state().causes[0].probability)
        assert len(shares) < 4
        session.update(parse_evidence(("reading_again", "0.02 V ac")))
    assert next(c.probability for c in session.state().causes if c.id == "lead_open") < shares[0]


@pytest.mark.parametrize(
    ("expect", "reading", "check", "cause"),
    [
        ("24 V ac", "0.007 V dc", ("reselect_function", "24.05 V ac"), "wrong_function"),
        ("24 V ac", "24.1 kV ac", ("reselect_function", "24.05 V ac"), "range_slip"),
    ],
)
def test_a_check_that_put_it_right_confirms_it(
    expect: str, reading: str, check: tuple[str, str], cause: str
) -> None:
    """The right function was selected and shows what is expected: nobody is asked to do that once more."""
    state = diagnose(Case.from_text(expect, reading, evidence=[check]))
    assert (state.stop, state.causes[0].id) == ("decided", cause)
    assert state.confirmed
    assert state.read_again is None


def test_a_check_that_did_not_make_it_right_confirms_nothing() -> None:
    """The function was wrong and half the volts are missing: more is wrong than the dial."""
    state = diagnose(Case.from_text("24 V ac", "0.007 V dc", evidence=[("reselect_function", "13.1 V ac")]))
    assert not state.confirmed


def test_nothing_is_read_again_before_something_is_decided() -> None:
    """There is nothing to put right yet."""
    session = Session(Case.from_text("27 V ac", "0.21 V ac"))
    with pytest.raises(UsageError, match="no cause is decided yet"):
        session.update(parse_evidence(("reading_again", "27 V ac")))


def test_outlets_are_spoken_of_only_where_mains_feeds_the_points() -> None:
    """A 5 V reference on a battery has neither a plug nor a lamp beside it."""
    found = diagnose(Case.from_text("5 V dc", "0.3 V dc", source="battery"))
    said = " ".join(n.card for n in found.next).lower()
    assert "outlet" not in said
    assert not {n.action for n in found.next} & {"lamp_in_outlet", "read_mains", "ohms_plug"}
    assert not {"no_mains", "part_open_primary"} & {c.id for c in found.causes}
    with pytest.raises(UsageError, match="unknown source"):
        Case.from_text("5 V dc", "0.3 V dc", source="sun")


def test_a_meter_that_failed_its_standard_is_doubted_first() -> None:
    """5.31 V on a 5 V reference, by a meter that just failed on it."""
    plain = diagnose(Case.from_text("5 V dc", "5.31 V dc", source="bench"))
    found = diagnose(Case.from_text("5 V dc", "5.31 V dc", source="bench", context=["standard failed"]))
    assert plain.causes[0].family == "none"
    assert found.causes[0].family == "meter"
