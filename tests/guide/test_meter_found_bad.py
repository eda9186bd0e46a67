"""A meter found bad in a guided run: diagnosed, in doubt, repaired, and trusted again."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from helpers.guided_project import TWO_METERS, GuidedProject
from helpers.plan_text import part, plan_text, reading_check
from helpers.scripted_person import ScriptedPerson, Shy

from benchlog.guide.manual_reading import as_displayed
from benchlog.guide.person import InputEndedError, Prompt
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.standard_record import record_standard, standard_of
from benchlog.reading import Function
from benchlog.result import Verdict

#: What a meter shows that reads 16 % high, with a new battery too: 27 V and a new cell of 1.585 V.
BAD_METER = {
    "C01/voltage": "31.4",
    "C01/doubt/look": "in order",
    "C01/doubt/read_mains": "230 V",
    "C01/doubt/reread/reading": "31.4",
    "C01/doubt/short_tips/reading": "0.00",
    "C01/doubt/new_battery/reading": "31.4",
    "C01/doubt/fresh_cell/reading": "1.839",
    "C01/doubt/second_meter/reading": "27.0",
    "C01/doubt/second_reading": "27.0",
    "C02/voltage": "5.00",
}


def transformer_plan() -> str:
    return plan_text(
        part("T1"),
        reading_check("C01", "V~", low="25 V", high="29 V", expect="27 V", meter="MB-02"),
        reading_check("C02", "V=", low="4.8 V", high="5.2 V", meter="MB-02"),
        mains="230 V",
    )


def test_a_meter_found_bad_is_in_doubt_in_the_checks_that_follow(tmp_path: Path) -> None:
    """27 V reads 31.4 V and a fresh cell 1.839 V (a new one has 1.60 to 1.65 V, common practice): the meter."""
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        person = ScriptedPerson(BAD_METER)
        rig.run(person)
        first, second = rig.results
        assert (first.verdict, first.instruments) == (Verdict.PASS, ("MA-01",))
        assert second.verdict is Verdict.INDETERMINATE
        assert "MB-02 is in doubt from now on" in person.said
        assert rig.states == ["passed", "indeterminate"]
        rig.run(ScriptedPerson({"C02/voltage": "5.00"}), "C02")
        assert rig.results[-1].verdict is Verdict.INDETERMINATE  # another run does not forget it


def test_a_diagnosis_after_the_verdict_goes_on_from_what_was_found_before(tmp_path: Path) -> None:
    """The look and the second meter were taken before the result was judged: d does not ask for them again."""
    answers = {
        "C01/voltage": "31.4",
        "C01/doubt/look": "in order",
        "C01/doubt/mended": "",
        "C01/doubt/again": "31.4",
        "C01/doubt/2/mended": "",
        "C01/doubt/2/again": "31.4",
        "C01/doubt/second": "",
        "C01/doubt/second_reading": "31.5",
        "C01/next": ["diagnose", "s"],
        "C02/voltage": "5.00",
    }
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        person = Shy(answers, interactive=True)
        rig.run(person, standards=False)
        (diagnosis,) = rig.bodies("diagnosis")
        assert diagnosis["path"][0] == ["look", "in order"]
        assert ["second_meter", "31.5 V ac"] in diagnosis["path"]
        assert person.keys.count("C01/doubt/look") == 1
        assert "C01/doubt/second_meter" not in person.keys
        assert "What was found before the result still counts" in person.said


def test_the_doubt_ends_with_a_passed_check_standard(tmp_path: Path) -> None:
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        rig.run(ScriptedPerson(BAD_METER))
        shown = as_displayed("5.00", Function.DC_VOLTS, "MB-02")
        reading = MeterReading(shown, parse_accuracy("0.5 % + 2"))
        standard = standard_of(TWO_METERS.standard("CS-3"))
        record_standard(rig.book, reading, standard, rig.clock.utc_ns(), as_left=True)
        rig.run(ScriptedPerson({"C02/voltage": "5.00"}), "C02")
        assert rig.results[-1].verdict is Verdict.PASS


def test_a_result_taken_back_takes_the_doubt_with_it(tmp_path: Path) -> None:
    """31.4 was a slip of the hand; with it goes what was concluded from it."""
    answers = BAD_METER | {
        "C01/voltage": ["31.4", "27.1"],
        "C02/voltage": ["u", "5.00"],
        "C01/undo": "typed wrong",
    }
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        rig.run(ScriptedPerson(answers))
        assert rig.results[-1].verdict is Verdict.PASS
        assert rig.states == ["passed", "passed"]


def test_u_in_a_diagnosis_takes_the_last_answer_back(tmp_path: Path) -> None:
    """The second meter was read wrong: its reading is withdrawn with a reason, and the same check is asked for again."""
    other = "C01/doubt/second_meter/reading"
    answers = BAD_METER | {other: ["31.4", "27.0"], "C01/doubt/undo": "wrong meter"}
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        person = _undoing_after(ScriptedPerson(answers), other)
        rig.run(person)
        assert person.keys.count(other) == 2
        assert [b["reason"] for b in rig.bodies("supersede")] == ["wrong meter"]
        assert "withdrawn: second meter, 31.4 V ac" in person.said
        assert person.said.count("withdrawn") == 1
        (diagnosis,) = [r.details["diagnosis"] for r in rig.results if "diagnosis" in r.details]
        assert [step for step in diagnosis["path"] if step[0] == "second_meter"] == [
            ["second_meter", "27.0 V ac"]
        ]


def _undoing_after(person: ScriptedPerson, key: str) -> ScriptedPerson:
    """Press u at the first question after this one, once."""
    answer, state = person.answer, {"seen": False, "done": False}

    def answering(prompt: Prompt) -> str:
        if state["seen"] and not state["done"] and prompt.kind != "text":
            state["done"] = True
            return "u"
        state["seen"] = state["seen"] or prompt.key == key
        return answer(prompt)

    person.answer = answering  # type: ignore[method-assign]
    return person


@pytest.mark.parametrize(("wish", "judged"), [("y", ("MB-02",)), ("n", ("MA-01",))])
def test_a_low_battery_found_by_a_diagnosis_can_be_changed_at_once(
    tmp_path: Path, wish: str, judged: tuple[str, ...]
) -> None:
    """The symbol is seen: with a new battery the reading is taken again and counts; else the meter is in doubt."""
    answers = BAD_METER | {
        "C01/doubt/look": "battery symbol",
        "C01/doubt/look/else": "nothing else",
        "C01/doubt/battery": wish,
        "C01/doubt/again": "27.0",
    }
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        person = ScriptedPerson(answers, interactive=True)
        rig.run(person, standards=False)
        assert [bool(rig.bodies(kind)) for kind in ("repair", "found bad")] == [wish == "y", wish == "n"]
        assert rig.results[0].instruments == judged
        assert rig.results[1].verdict is (Verdict.PASS if wish == "y" else Verdict.INDETERMINATE)


@pytest.mark.parametrize(("source", "outlet"), [("mains", True), ("bench", False)])
def test_cards_of_a_diagnosis_name_the_outlet_only_where_mains_feeds_it(
    tmp_path: Path, source: str, outlet: bool
) -> None:
    plan = plan_text(
        part("R1"),
        reading_check("C01", "V=", low="4.9 V", high="5.1 V", expect="5 V", part="R1", source=source),
    )
    with GuidedProject(tmp_path, plan, TWO_METERS) as rig:
        person = ScriptedPerson({"C01/voltage": "0.003", "C01/doubt/look": "q"})
        rig.run(person)
        asked = " ".join(prompt.text for prompt in person.asked)
        assert ("outlet" in asked) is outlet


def test_in_a_diagnosis_leads_are_moved_with_the_power_off(tmp_path: Path) -> None:
    """Whatever part of it: putting right what was found, and the second meter that must agree."""
    answers = {
        "C01/voltage": "0.17",
        "C01/doubt/look": "in order",
        "C01/doubt/short_tips/reading": "0.00",
        "C01/doubt/short_tips_ohms/reading": "OL",
        "C01/doubt/wiggle_leads": "steady",
        "C01/doubt/known_resistor/reading": "OL",
        "C01/doubt/other_leads/reading": "27.0",
        "C01/doubt/again": "27.0",
        "C01/doubt/second_reading": "27.0",
        **{f"C01/doubt/{check}": "s" for check in ("lamp_in_outlet", "read_mains", "reread", "second_meter")},
    }
    with GuidedProject(tmp_path, transformer_plan(), TWO_METERS) as rig:
        person = ScriptedPerson(answers)
        with contextlib.suppress(InputEndedError):
            rig.run(person)
        moved = {p.key: p.text for p in person.asked if p.key in ("C01/doubt/mended", "C01/doubt/second")}
        assert len(moved) == 2, person.keys
        for text in moved.values():
            assert text.startswith("Power off at the outlet. ")
            assert "on the same points while dead, V~, power on" in text
