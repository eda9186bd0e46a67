"""The last lines of a session: what is left is read back before it is written."""

from __future__ import annotations

from helpers.guided_project import GuidedProject
from helpers.scripted_person import ScriptedPerson


def test_a_stray_word_is_read_back_and_taken_back(rig: GuidedProject) -> None:
    """A word meant for another question does not stay on the record as something charged."""
    answers = {"close/left": ["y", "C3, 38 V"], "close/left/right": ["n", "y"], "close/next": ""}
    person = ScriptedPerson(answers, interactive=True)
    assert rig.guide(person).close_out() == {"left": "C3, 38 V", "next": "go on with the plan"}
    assert "Note 'y' as left on the bench?" in [prompt.text for prompt in person.asked]


def test_a_pipe_is_not_asked_twice(rig: GuidedProject) -> None:
    person = ScriptedPerson({"close/left": "C3, 38 V", "close/next": ""})
    assert rig.guide(person).close_out()["left"] == "C3, 38 V"
    assert person.keys == ["close/left", "close/next"]


def test_close_out_that_nobody_answers_claims_nothing(rig: GuidedProject) -> None:
    assert rig.guide(ScriptedPerson({})).close_out()["left"] == "not said"
    assert rig.guide(ScriptedPerson({"close/left": "", "close/next": ""})).close_out()["left"] == "nothing"
