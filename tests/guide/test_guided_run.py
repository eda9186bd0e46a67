"""The guided run: in order, skipped, stopped and gone on with; nothing that was taken is lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.guided_project import ALL, GuidedProject
from helpers.plan_text import check, part, plan_text
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import Bench, Instrument
from benchlog.errors import ReadTimeoutError
from benchlog.guide import instruments as instruments_module
from benchlog.guide.person import InputEndedError
from benchlog.logbook.view import LogbookView
from benchlog.result import Verdict
from benchlog.testing import ScriptedReader


def test_checks_come_in_order_and_pass(rig: GuidedProject) -> None:
    person = ScriptedPerson(ALL)
    assert rig.run(person) is Verdict.PASS
    assert rig.states == ["passed"] * 3
    assert [r.check_id for r in rig.results] == ["C01", "C02", "C03"]


def test_an_assumed_accuracy_is_in_the_result(rig: GuidedProject) -> None:
    """A meter without data sheet: the result says what its uncertainty is based on."""
    rig.bench = Bench()
    rig.run(ScriptedPerson(ALL), "C01")
    (result,) = rig.results
    assert "accuracy of MB-02 on V= is not known: 2 % + 10 counts assumed" in result.findings


def test_the_expectation_is_written_before_the_reading(rig: GuidedProject) -> None:
    """In the record the expectation of a check comes before its readings, and those before its result."""
    rig.run(ScriptedPerson(ALL), "C01")
    order = [e.kind for e in rig.book.entries() if e.kind in ("expectation", "readings", "result")]
    assert order == ["expectation", "readings", "result"]
    assert rig.bodies("expectation")[0]["limits"]
    (result,) = rig.results
    assert result.evidence == (f"readings:{result.record.entry - 1}",) if result.record else False


def test_expectation_and_danger_are_shown_before_anything_is_asked(rig: GuidedProject) -> None:
    person = ScriptedPerson({})
    with pytest.raises(InputEndedError):
        rig.run(person, "C01", cards=True)
    assert "limits: voltage 4.800 … 5.200 V" in person.said
    assert "MB-02: dial V=" in person.said
    assert "treat the node as live" in " ".join(person.said.split())


def test_after_a_current_check_every_volts_check_demands_the_jacks(rig: GuidedProject) -> None:
    """C02 is a current: before C03 is read the jacks are confirmed."""
    person = ScriptedPerson(ALL)
    rig.run(person)
    keys = person.keys
    assert keys.index("C02/current") < keys.index("C03/voltage/jacks") < keys.index("C03/voltage")


def test_the_jacks_are_demanded_in_the_next_session_too(rig: GuidedProject) -> None:
    """Months later the record still knows that the meter measured current last."""
    rig.run(ScriptedPerson(ALL), "C02")
    rig.book.end_session("left")
    rig.days(90)
    person = ScriptedPerson(ALL)
    rig.run(person, "C03")
    assert "C03/voltage/jacks" in person.keys


def test_skip_is_written_with_its_reason(rig: GuidedProject) -> None:
    person = ScriptedPerson(ALL | {"C01/voltage": "s", "C01/voltage/skip": "no probe here"})
    assert rig.run(person) is Verdict.NOT_DONE
    assert rig.bodies("skip") == [{"check_id": "C01", "part": "T1", "reason": "no probe here"}]
    assert rig.states == ["due", "passed", "passed"]
    again = ScriptedPerson(ALL)
    rig.run(again)
    assert "last time: skipped: no probe here" in again.said
    assert again.said.count("last time:") == 1


def test_stop_and_go_on(rig: GuidedProject) -> None:
    """q in the second check: the first stays, the next run begins with the second."""
    assert rig.run(ScriptedPerson(ALL | {"C02/current": "q"})) is Verdict.NOT_DONE
    assert rig.states == ["passed", "due", "due"]
    person = ScriptedPerson(ALL)
    assert rig.run(person) is Verdict.PASS
    assert person.keys[0] == "C02/current"
    assert len(rig.bodies("session begin")) == 1


def test_the_end_of_the_input_loses_nothing_taken(rig: GuidedProject) -> None:
    """A pipe that ends, or a killed program: what was taken is in the logbook, the same command goes on."""
    with pytest.raises(InputEndedError):
        rig.run(ScriptedPerson({"C01/voltage": "5.00"}))
    assert rig.states == ["passed", "due", "due"]
    assert rig.run(ScriptedPerson(ALL)) is Verdict.PASS


def test_a_reading_of_an_unfinished_check_is_kept(tmp_path: Path) -> None:
    volts = {"take": "reading", "function": "V=", "meter": "MB-02", "limits": {"high": "6 V"}}
    two = check("C01", "list", item=[{"name": "first"} | volts, {"name": "second"} | volts])
    with GuidedProject(tmp_path, plan_text(part("T1"), two)) as rig:
        with pytest.raises(InputEndedError):
            rig.run(ScriptedPerson({"C01/first": "5.00"}))
        readings = LogbookView(rig.book).reading_arrays()
    assert list(readings.table["value"]) == [5.00]


def test_an_instrument_that_fails_stops_a_script_with_a_note(
    rig: GuidedProject, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.bench = Bench([Instrument(tag="MB-02", address="sim:MB-02")])
    monkeypatch.setattr(
        instruments_module, "make_adapter", lambda *a, **k: ScriptedReader("MB-02", [], clock=rig.clock)
    )
    with pytest.raises(ReadTimeoutError):
        rig.run(ScriptedPerson({}))
    assert "no reading" in str(rig.bodies("trouble")[0]["message"])
