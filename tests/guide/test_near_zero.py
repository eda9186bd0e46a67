"""A voltage near zero where there should be one: part or meter, and the circuit may be live."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.guided_project import TWO_METERS, GuidedProject
from helpers.plan_text import check, part, plan_text, reading_check
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import Bench
from benchlog.guide.person import Prompt
from benchlog.result import Verdict

ONE_METER = Bench([TWO_METERS.instrument("MB-02")])

READING = plan_text(part("T1"), reading_check("C01", "V=", low="13.3 V", high="14.9 V"), mains="230 V")
RECTIFIED = plan_text(
    part("T1"),
    check(
        "C01",
        "rectified",
        meter="MB-02",
        mains="230 V",
        capacitor="25 V",
        limits={"rectified_peak": {"low": "18 V", "high": "20 V"}},
    ),
    mains="230 V",
)


class NothingAtHand(ScriptedPerson):
    """Leaves out every check of a diagnosis, but reads the same points again, also with a second meter."""

    def answer(self, prompt: Prompt) -> str:
        steps = prompt.key.split("/")
        if "doubt" in steps and steps[-1] not in ("mended", "again", "second", "second_reading"):
            return "s"
        return super().answer(prompt)


@pytest.mark.parametrize(
    ("plan", "step", "shown"),
    [
        (READING, "voltage", "0.00 V"),
        (READING, "voltage", "14.13 mV"),
        (RECTIFIED, "rectified", "19.0 mV"),
    ],
)
def test_one_meter_near_zero_condemns_no_part(tmp_path: Path, plan: str, step: str, shown: str) -> None:
    """The diagnosis comes first; without a second meter it stays open, with the caution."""
    answers = {f"C01/{step}": shown, "C01/doubt/again": shown, "C01/doubt/2/again": shown}
    with GuidedProject(tmp_path, plan, ONE_METER) as rig:
        person = NothingAtHand(answers)
        rig.run(person)
        (result,) = rig.results
        assert "Part or meter?" in person.said
        assert result.verdict is Verdict.INDETERMINATE
        assert "may be live" in result.reason
        assert any("does not prove a circuit dead" in caution for caution in result.cautions)
        assert result.design_checks == ()


def test_a_second_meter_near_zero_fails_the_part(tmp_path: Path) -> None:
    """The caution stays: two meters on a dead supply prove nothing about the next minute."""
    answers = {
        "C01/voltage": "0.00 V",
        "C01/doubt/again": "0.00 V",
        "C01/doubt/2/again": "0.00 V",
        "C01/doubt/second_reading": "0.00 V",
    }
    with GuidedProject(tmp_path, READING, TWO_METERS) as rig:
        rig.run(NothingAtHand(answers))
        (result,) = rig.results
        assert result.verdict is Verdict.FAIL
        assert any("does not prove a circuit dead" in caution for caution in result.cautions)


@pytest.mark.parametrize(("typed", "words"), [("190", "ten times"), ("1.9", "a tenth of")])
def test_a_slip_of_ten_in_a_rectified_voltage_is_asked_about(tmp_path: Path, typed: str, words: str) -> None:
    with GuidedProject(tmp_path, RECTIFIED, ONE_METER) as rig:
        person = ScriptedPerson(
            {"C01/rectified": [typed, "19.0"], "C01/rectified/slip": "n"}, interactive=True
        )
        rig.run(person, standards=False)
        assert words in person.said
        assert rig.results[0].quantities["rectified_peak"].value == 19.0


def test_near_zero_within_its_limits_is_as_it_should_be(tmp_path: Path) -> None:
    plan = plan_text(part("T1"), reading_check("C01", "V=", low="-0.05 V", high="0.05 V"))
    with GuidedProject(tmp_path, plan, ONE_METER) as rig:
        person = ScriptedPerson({"C01/voltage": "0.00 V"})
        rig.run(person)
        assert "Part or meter?" not in person.said
        assert rig.results[0].cautions == ()
