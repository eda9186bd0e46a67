"""The last lines of a session: what is left is read back before it is written."""

from __future__ import annotations

from helpers.guided_project import ALL, GuidedProject
from helpers.scripted_person import ScriptedPerson


def test_a_stray_word_is_read_back_and_taken_back(rig: GuidedProject) -> None:
    """A word meant for another question does not stay on the record as something charged."""
    answers = {"close/left": ["y", "C3, 38 V"], "close/left/right": ["n", "y"], "close/next": ""}
    person = ScriptedPerson(answers, interactive=True)
    assert rig.guide(person).close_out() == {"left": "C3, 38 V"}
    assert "Note 'y' as left on the bench?" in [prompt.text for prompt in person.asked]


def test_a_pipe_is_not_asked_twice(rig: GuidedProject) -> None:
    person = ScriptedPerson({"close/left": "C3, 38 V", "close/next": ""})
    assert rig.guide(person).close_out()["left"] == "C3, 38 V"
    assert person.keys == ["close/left", "close/next"]


def test_close_out_that_nobody_answers_claims_nothing(rig: GuidedProject) -> None:
    assert rig.guide(ScriptedPerson({})).close_out()["left"] == "not said"
    assert rig.guide(ScriptedPerson({"close/left": "", "close/next": ""})).close_out()["left"] == "nothing"


def test_what_was_left_live_is_said_first_by_the_next_run(rig: GuidedProject) -> None:
    """Nothing is connected before it is off; the same is not asked again once nothing was left."""
    rig.book.begin_session({})
    rig.book.end_session({"left": "T1 plugged in, clips on", "next": ""})
    person = ScriptedPerson(ALL | {"start/left": "y"}, interactive=True)
    rig.run(person, standards=False)
    assert person.keys[:2] == ["start/left", "start/off"]
    assert "T1 plugged in, clips on" in person.shown[0]
    rig.book.end_session({"left": "nothing", "next": "buy a fuse"})
    person = ScriptedPerson(ALL, interactive=True)
    rig.run(person, "C01", standards=False)
    assert "start/left" not in person.keys
    assert person.shown[0] == "you noted for this time: buy a fuse"


def test_enter_alone_does_not_record_an_energised_hookup_as_nothing(rig: GuidedProject) -> None:
    """C03 reads volts on a live node: power off is said after its reading, and the last line has no default."""
    answers = ALL | {"close/left": ["", "nothing"], "close/next": ""}
    person = ScriptedPerson(answers, interactive=True)
    guide = rig.guide(person, standards=False)
    guide.run()
    assert person.said.index("12.0 V (V=): taken") < person.said.rindex("! T1: power off now")
    assert guide.close_out()["left"] == "nothing"
    left = [prompt for prompt in person.asked if prompt.key == "close/left"]
    assert len(left) == 2
    assert "[nothing]" not in left[0].text


def test_the_end_says_which_hold_point_can_be_released(rig: GuidedProject) -> None:
    person = ScriptedPerson({"C01/voltage": "5.00"})
    rig.run(person, "C01")
    assert "can be released" not in person.said
    person = ScriptedPerson(ALL)
    rig.run(person)
    assert person.shown[-1].startswith("H1 (close the box) can be released now: benchlog release ")
