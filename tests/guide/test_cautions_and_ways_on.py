"""What can store energy is said before its check is touched; an error of one check leaves the others."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from helpers.guided_project import GuidedProject
from helpers.plan_text import part, plan_text, reading_check
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.errors import UsageError
from benchlog.guide import one_check
from benchlog.project.state import HoldState
from benchlog.reading import Function
from benchlog.result import Verdict

BENCH = Bench([Instrument(tag="MB-02", accuracy=(AccuracyLine(Function.DC_VOLTS, "0.5 % + 2"),))])
PLAN = plan_text(
    part("C1", name="capacitor", stored_energy="63 V in 10 mF"),
    part("T1"),
    reading_check("C01", "V=", part="C1", high="1 V"),
    reading_check("C02", "V=", high="1 V"),
)


def test_a_part_that_can_store_energy_is_to_be_discharged_in_its_own_check_only(tmp_path: Path) -> None:
    person = ScriptedPerson({"C01/voltage": "0.10 V", "C02/voltage": "0.10 V"})
    with GuidedProject(tmp_path, PLAN, BENCH) as rig:
        rig.run(person)
    said = " ".join(person.said.split())
    first, second = said.split("== C02")
    assert "C1 can store energy (63 V in 10 mF): power off, wait, measure it, discharge it" in first
    assert "can store energy" not in second


@pytest.mark.parametrize("interactive", [True, False])
def test_an_error_in_what_was_given_leaves_a_way_on_where_somebody_can_be_asked(
    interactive: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One file given for two records: the check says so and is asked for again."""
    measure, left = one_check.measure, [UsageError("one file was given twice", hint="give the other one")]

    def once_wrong(*args: Any) -> Any:
        if left:
            raise left.pop()
        return measure(*args)

    monkeypatch.setattr(one_check, "measure", once_wrong)
    answers = {"C01/voltage": "0.10 V", "C02/voltage": "0.10 V", "C01/trouble": "again"}
    person = ScriptedPerson(answers, interactive=interactive)
    with GuidedProject(tmp_path, PLAN, BENCH) as rig:
        if not interactive:
            with pytest.raises(UsageError, match="given twice"):
                rig.run(person)
            return
        assert rig.run(person, standards=False) is Verdict.PASS
    assert "C01 not done: one file was given twice" in person.said
    assert "try: give the other one" in person.said


def test_no_word_of_our_own_is_shown_for_a_hold() -> None:
    assert HoldState.SHUT.words == "not released"
    assert HoldState.READY.words == "ready to release"
