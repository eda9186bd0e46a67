"""Undo in a guided run: the last result of this session, with a reason; its check comes again first."""

from __future__ import annotations

from pathlib import Path

from helpers.guided_project import ALL, GuidedProject
from helpers.plan_text import part, plan_text
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.reading import Function
from benchlog.result import Verdict


def test_undo_supersedes_the_last_result_and_does_it_again(rig: GuidedProject) -> None:
    """u at the next question: the reason is asked, the result is withdrawn, its check comes again first."""
    person = ScriptedPerson(
        ALL
        | {
            "C01/voltage": ["5.10", "5.00"],
            "C02/current": ["u", "0.500"],
            "C01/undo": "tips on the wrong pins",
            "C01/voltage/jacks": "y",  # the current step had begun: its lead may have been moved already
        }
    )
    assert rig.run(person) is Verdict.PASS
    (superseded,) = rig.bodies("supersede")
    assert superseded["reason"] == "tips on the wrong pins"
    assert [r.check_id for r in rig.results] == ["C01", "C01", "C02", "C03"]
    assert rig.results[1].quantities["voltage"].value == 5.00
    assert rig.states == ["passed"] * 3


def test_undo_among_named_checks(rig: GuidedProject) -> None:
    person = ScriptedPerson(
        ALL
        | {"C01/voltage": ["5.10", "5.00"], "C02/current": ["u", "0.5"], "C01/undo": "misread"}
        | {"C01/voltage/jacks": "y"}
    )
    rig.run(person, "C01", "C02")
    assert [r.check_id for r in rig.results] == ["C01", "C01", "C02"]


def test_undo_needs_a_reason(rig: GuidedProject) -> None:
    person = ScriptedPerson(ALL | {"C02/current": ["u", "0.500"], "C01/undo": ""})
    rig.run(person)
    assert rig.bodies("supersede") == []
    assert "not undone: that needs a reason" in person.said


def test_nothing_of_an_earlier_session_is_undone(rig: GuidedProject) -> None:
    rig.run(ScriptedPerson(ALL), "C01")
    rig.book.end_session("done")
    person = ScriptedPerson({"C02/current": ["u", "0.5"]})
    rig.run(person, "C02")
    assert rig.bodies("supersede") == []
    assert "nothing to undo" in person.said


def test_the_last_check_can_be_undone_at_a_terminal(rig: GuidedProject) -> None:
    person = ScriptedPerson(
        {"C01/voltage": ["5.10", "5.00"], "close/last": ["u", ""], "C01/undo": "misread"},
        interactive=True,
    )
    rig.run(person, "C01", standards=False)
    assert [r.quantities["voltage"].value for r in rig.results] == [5.10, 5.00]


SUPPLY = """
[[check]]
id = "C01"
kind = "supply"
part = "T1"
nameplate = "24 V ac 40 VA"
mains = "230 V"
meter = "MB-02"
load = "15 ohm"
"""


def test_u_within_a_check_takes_its_readings_back_and_begins_it_again(tmp_path: Path) -> None:
    """231 was typed for 27.1: the slip leaves no trace in the result, and stays in the record, marked with a reason."""
    meter = Instrument(tag="MB-02", accuracy=(AccuracyLine(Function.AC_VOLTS, "1 % + 5"),))
    person = ScriptedPerson(
        {"C01/no_load": ["27.9", "27.1"], "C01/load": ["u", ""], "C01/undo": "misread", "C01/loaded": "24.7"}
    )
    with GuidedProject(tmp_path, plan_text(part("T1"), SUPPLY, mains="230 V"), Bench([meter])) as rig:
        rig.run(person)
        (superseded,) = rig.bodies("supersede")
        assert superseded["reason"] == "misread"
        (result,) = rig.results
        assert result.quantities["no_load_voltage"].value == 27.1
        assert len(result.evidence) == 2
        assert "C01 starts again at its hook-up" in person.said


def test_u_in_a_diagnosis_without_answers_withdraws_the_reading_that_it_examines(tmp_path: Path) -> None:
    """31.40 was a slip: the check begins again at its hook-up, and the withdrawn reading is examined no further."""
    meter = Instrument(tag="MB-02", accuracy=(AccuracyLine(Function.AC_VOLTS, "1 % + 5"),))
    person = ScriptedPerson(
        {
            "C01/mains": "230 V",
            "C01/no_load": ["31.40", "27.1"],
            "C01/doubt/look": "u",
            "C01/doubt/read_mains": "u",
            "C01/undo": "slip",
            "C01/loaded": "24.7",
        }
    )
    with GuidedProject(tmp_path, plan_text(part("T1"), SUPPLY, mains="230 V"), Bench([meter])) as rig:
        rig.run(person)
        (result,) = rig.results
        assert result.quantities["no_load_voltage"].value == 27.1
        assert "diagnosis" not in result.details
        after = person.said.split("C01 starts again at its hook-up")[1]
        assert "chance that the output is live" not in after


def test_nothing_is_taken_back_without_a_reason(tmp_path: Path) -> None:
    meter = Instrument(tag="MB-02", accuracy=(AccuracyLine(Function.AC_VOLTS, "1 % + 5"),))
    person = ScriptedPerson(
        {"C01/no_load": "27.1", "C01/load": ["u", ""], "C01/undo": "", "C01/loaded": "24.7"}
    )
    with GuidedProject(tmp_path, plan_text(part("T1"), SUPPLY, mains="230 V"), Bench([meter])) as rig:
        rig.run(person)
        assert rig.bodies("supersede") == []
        assert "not withdrawn" in person.said
