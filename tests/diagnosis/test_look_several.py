"""A look can show several things at once: they are taken together, and one without a bearing rules nothing out."""

from __future__ import annotations

import pytest
from helpers.scripted_person import ScriptedPerson

from benchlog.diagnosis import Case, Session
from benchlog.errors import UsageError
from benchlog.guide.dialogue import Dialogue
from benchlog.guide.inquiry import several_seen
from benchlog.guide.person import Prompt


def begun(reading: str = "31.4 V ac") -> Session:
    return Session(Case.from_text("27 V ac", reading))


@pytest.mark.parametrize(
    ("reading", "seen", "cause"),
    [
        ("31.4 V ac", "battery symbol, relative shown", "meter_battery_low"),
        ("0.02 V ac", "battery symbol, wrong function", "wrong_function"),
    ],
)
def test_two_things_seen_leave_the_cause_that_one_of_them_tells(reading: str, seen: str, cause: str) -> None:
    session = begun(reading)
    session.update(session.answer("look", seen))
    state = session.state()
    assert state.causes[0].id == cause
    assert state.stop != "nothing fits"


@pytest.mark.parametrize("said", ["in order, battery symbol", "battery symbol, blue", ""])
def test_in_order_and_something_else_is_refused(said: str) -> None:
    with pytest.raises(UsageError, match="not one of the answers"):
        begun().answer("look", said)


def test_the_beginning_of_one_answer_is_enough() -> None:
    answered = [begun().answer(*said).outcome.words for said in (("wiggle_leads", "jump"), ("look", "hold"))]
    assert answered == [("jumps",), ("hold shown",)]
    for unclear in ("wrong", "ho"):
        with pytest.raises(UsageError, match="not one of the answers"):
            begun().answer("look", unclear)


def test_a_low_battery_is_confirmed_with_a_new_one_in_the_same_meter() -> None:
    session = begun()
    session.update(session.answer("look", "battery symbol"))
    again = session.state().read_again
    assert again is not None
    assert "New battery" in again.card
    session.update(session.answer(again.action, "27.0 V ac"))
    assert session.state().confirmed


@pytest.mark.parametrize(
    ("first", "more", "all_of_it"),
    [
        ("hold", ["nothing else"], "hold"),
        ("hold", ["s"], "hold"),
        ("hold", ["battery", "nothing else"], "hold, battery"),
        ("in order", [], "in order"),
    ],
)
def test_somebody_who_saw_one_thing_is_asked_for_more(first: str, more: list[str], all_of_it: str) -> None:
    person = ScriptedPerson({"look/else": more}, interactive=True)
    prompt = Prompt("choice", "look", "look", choices=("in order", "hold", "relative", "battery"))
    dialogue = Dialogue(person)
    with dialogue.going_back(lambda: None, reasons=False):
        assert several_seen(dialogue, prompt, first) == all_of_it


@pytest.mark.parametrize(("expect", "first"), [("27 V ac", "0.02 V ac"), ("12 V dc", "0.02 V dc")])
@pytest.mark.parametrize("seen", ["hold shown", "hold shown, battery symbol"])
def test_hold_may_keep_what_the_tips_picked_up_in_the_air(expect: str, first: str, seen: str) -> None:
    """Some ten millivolts held are no riddle, whatever is seen beside."""
    state = Session(Case.from_text(expect, first, evidence=[("look", seen)])).state()
    assert state.causes[0].id == "hold_engaged"
    assert state.causes[0].probability > 0.6
    assert state.stop in (None, "decided")
