"""After a verdict: it stays until the person goes on, can be measured again or diagnosed, and Ctrl-C stops the run."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.guided_project import ALL, TWO_METERS, GuidedProject
from helpers.plan_text import part, plan_text, reading_check
from helpers.scripted_person import ScriptedPerson, Shy

from benchlog.guide.dialogue import Dialogue
from benchlog.guide.person import Prompt
from benchlog.reading import Function
from benchlog.result import Verdict


def prompts(person: ScriptedPerson, key: str) -> list[Prompt]:
    return [prompt for prompt in person.asked if prompt.key == key]


def test_each_card_says_how_far_the_plan_is(rig: GuidedProject) -> None:
    person = ScriptedPerson(ALL)
    rig.run(person)
    assert "== C02  check 2 of 3: " in person.said


def test_every_verdict_waits_for_the_person_and_no_script_is_asked(rig: GuidedProject) -> None:
    person = ScriptedPerson(ALL, interactive=True)
    rig.run(person, standards=False)
    assert [k for k in person.keys if k.endswith("/next") or k == "close/last"] == [
        "C01/next",
        "C02/next",
        "close/last",
    ]
    assert prompts(person, "C01/next")[0].choices == ()
    assert prompts(person, "close/last")[0].kind == "last"


def test_a_failed_check_is_measured_again_by_one_key_and_the_failure_stays_on_record(
    rig: GuidedProject,
) -> None:
    person = ScriptedPerson({"C01/voltage": ["6.00", "5.00"], "C01/next": ["again", ""]}, interactive=True)
    rig.run(person, "C01", standards=False)
    # The only check named is also the last one.
    person = ScriptedPerson({"C01/voltage": ["6.00", "5.00"], "close/last": ["again", ""]}, interactive=True)
    assert rig.run(person, "C01", standards=False) is Verdict.PASS
    assert prompts(person, "close/last")[0].choices[0] == "again"
    assert [r.verdict for r in rig.results[-2:]] == [Verdict.FAIL, Verdict.PASS]
    assert rig.bodies("supersede") == []


def test_a_failed_check_can_be_diagnosed_and_left(rig: GuidedProject) -> None:
    """d starts the diagnosis; its questions come with their keys; the result stays as it was."""
    person = Shy(
        {
            "C01/voltage": "6.00",
            "C02/current": "0.5",
            "C03/voltage/jacks": "y",
            "C03/voltage": "12.0",
            "C01/next": ["diagnose", "s"],
            "C01/doubt/look": "wrong range",
            "C01/doubt/look/else": "nothing else",
        },
        interactive=True,
    )
    rig.run(person, standards=False)
    (diagnosis,) = rig.bodies("diagnosis")
    assert (diagnosis["check_id"], diagnosis["path"][0]) == ("C01", ["look", "wrong range"])
    assert rig.results[0].verdict is Verdict.FAIL


def test_u_at_the_verdict_takes_the_result_back(rig: GuidedProject) -> None:
    answers = ALL | {
        "C01/voltage": ["5.10", "5.00"],
        "C01/next": ["u", ""],
        "C01/undo": "wrong pins",
    }
    assert rig.run(ScriptedPerson(answers, interactive=True), standards=False) is Verdict.PASS
    assert [b["reason"] for b in rig.bodies("supersede")] == ["wrong pins"]
    assert [r.check_id for r in rig.results] == ["C01", "C01", "C02", "C03"]


def test_u_takes_back_an_answer_that_was_no_reading(tmp_path: Path) -> None:
    """The mains was typed wrong: u at the next question begins the check again, nothing needs a reason."""
    supply = """
[[check]]
id = "C01"
kind = "supply"
part = "T1"
nameplate = "24 V ac 40 VA"
meter = "MB-02"
"""
    person = ScriptedPerson({"C01/mains": ["223 V", "232 V"], "C01/no_load": ["u", "27.3"]})
    with GuidedProject(tmp_path, plan_text(part("T1"), supply, mains="230 V"), TWO_METERS) as rig:
        rig.run(person)
        assert "232 V" in rig.results[0].conditions["mains"]
        assert rig.bodies("supersede") == []


class Interrupter(ScriptedPerson):
    """Presses Ctrl-C at one question."""

    def __init__(self, at: str, **answers: str) -> None:
        super().__init__(answers, interactive=True)
        self.at = at

    def answer(self, prompt: Prompt) -> str:
        if prompt.key == self.at:
            raise KeyboardInterrupt
        return super().answer(prompt)


def test_ctrl_c_asks_what_is_left_and_the_state_says_broken_off(rig: GuidedProject) -> None:
    person = Interrupter("C03/voltage/jacks", **ALL)
    guide = rig.guide(person, standards=False)
    guide.run()
    assert (guide.stopped, guide.interrupted) == (True, True)
    person = Interrupter("nothing", **{"close/left": "C3, 38 V", "close/left/right": "y", "close/next": ""})
    guide.person = person
    assert guide.close_out()["left"] == "C3, 38 V"
    assert "tips on the output" in person.said  # the step that was done last
    assert rig.bodies("stop")[0]["check_id"] == "C03"
    assert rig.state.checks["C03"].reason.startswith("broken off")


def test_ctrl_c_ends_a_script_at_once(rig: GuidedProject) -> None:
    person = Interrupter("C02/current", **ALL)
    person.interactive = False
    with pytest.raises(KeyboardInterrupt):
        rig.run(person, standards=False)


def test_a_reading_typed_at_a_hook_up_is_asked_about(tmp_path: Path) -> None:
    plan = plan_text(part("T1"), reading_check("C01", "V=", low="4.8 V", high="5.2 V", hookup="tips on T1"))
    answers = {"C01/hookup": ["5.01 V", ""], "C01/voltage/early": "y"}
    with GuidedProject(tmp_path, plan) as rig:
        person = ScriptedPerson(answers, interactive=True)
        rig.run(person, standards=False)
        assert person.keys[:3] == ["C01/hookup", "C01/hookup", "C01/voltage/early"]
        assert rig.results[0].quantities["voltage"].value == 5.01


def test_what_was_not_confirmed_as_the_reading_is_asked_for(tmp_path: Path) -> None:
    plan = plan_text(part("T1"), reading_check("C01", "V=", low="4.8 V", high="5.2 V", hookup="tips on T1"))
    answers = {"C01/hookup": ["5.01 V", ""], "C01/voltage/early": "n", "C01/voltage": "5.02"}
    with GuidedProject(tmp_path, plan) as rig:
        rig.run(ScriptedPerson(answers, interactive=True), standards=False)
        assert rig.results[0].quantities["voltage"].value == 5.02


def test_a_reading_typed_at_a_hook_up_is_not_offered_for_another_function() -> None:
    """Ohms were hooked up; the first question is in volts."""
    dialogue = Dialogue(
        person := ScriptedPerson({"C01/hookup": ["1.605", ""], "C01/r/early": "y"}, interactive=True)
    )
    dialogue.do("tips on R1", "C01/hookup", reads=Function.OHMS)
    assert dialogue.typed_early(Function.AC_VOLTS, "C01/mains") == ""
    assert dialogue.typed_early(Function.OHMS, "C01/r") == "1.605"
    assert person.keys == ["C01/hookup", "C01/hookup", "C01/r/early"]


# ---- the standards round ----


def test_u_in_the_standards_round_withdraws_the_last_standard(tmp_path: Path) -> None:
    """5.10 was a misread 5.01: the failure and its recall go with it, and the meter is trusted."""
    answers = {
        "start/MB-02/tips/reading": "0.2",
        "start/MB-02/CS-3/reading": ["5.10", "5.01"],
        "start/MB-02/CS-3/battery": "n",
        "start/next": ["u", ""],
        "start/MB-02/undo": "misread",
        "C01/voltage": "5.00",
    }
    plan = plan_text(part("T1"), reading_check("C01", "V=", low="4.8 V", high="5.2 V"))
    with GuidedProject(tmp_path, plan, TWO_METERS) as rig:
        assert rig.run(ScriptedPerson(answers, interactive=True), standards=True) is Verdict.PASS
        assert [b["reason"] for b in rig.bodies("supersede")] == ["misread"]
        assert len(rig.bodies("recall")) == len(rig.bodies("recall undone")) == 1
        assert [b["verdict"] for b in rig.bodies("standard")] == ["fail", "pass"]


def test_a_meter_that_fails_its_standard_may_get_a_new_battery(tmp_path: Path) -> None:
    """It is read again as left; the failure and its recall stay on record, and the meter is trusted."""
    answers = {
        "start/MB-02/tips/reading": "0.2",
        "start/MB-02/CS-3/reading": "5.10",
        "start/MB-02/CS-3/battery": "y",
        "start/MB-02/CS-3/left/reading": "5.01",
        "C01/voltage": "5.00",
    }
    plan = plan_text(part("T1"), reading_check("C01", "V=", low="4.8 V", high="5.2 V"))
    with GuidedProject(tmp_path, plan, TWO_METERS) as rig:
        person = ScriptedPerson(answers, interactive=True)
        assert rig.run(person, standards=True) is Verdict.PASS
        assert [(b["verdict"], b["as"]) for b in rig.bodies("standard")] == [
            ("fail", "found"),
            ("pass", "left"),
        ]
        assert rig.bodies("repair") == [{"meter": "MB-02", "reason": "new battery"}]
        assert len(rig.bodies("recall")) == 1
        assert "change its battery" not in person.said
