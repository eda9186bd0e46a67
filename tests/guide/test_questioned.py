"""What a guided run questions instead of taking it: a display, a mains voltage or a meter that can not be right."""

from __future__ import annotations

from pathlib import Path

from helpers.guided_project import ALL, BIAS, METER, GuidedProject, box_plan
from helpers.plan_text import check, reading_check
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import Bench, Instrument
from benchlog.result import Verdict


def test_a_display_without_a_number_is_not_a_verdict(rig: GuidedProject) -> None:
    """OL where volts are judged: indeterminate with what was shown, and the run goes on."""
    assert rig.run(ScriptedPerson(ALL | {"C01/voltage": "OL"})) is Verdict.INDETERMINATE
    assert "OL" in rig.results[0].reason


def test_an_implausible_reading_is_diagnosed(tmp_path: Path) -> None:
    """Any check with an expected value: the diagnosis asks; its path is in the result."""
    plan = box_plan(reading_check("C01", "V=", low="4.8 V", high="5.2 V", expect="5.0 V"))
    bench = Bench([METER, Instrument(tag="MC-03", accuracy=METER.accuracy)])

    class Bystander(ScriptedPerson):
        """Finds an open lead set whatever is asked."""

        def answer(self, prompt):  # type: ignore[no-untyped-def]
            if "/doubt/" not in prompt.key or prompt.kind == "hookup":
                return super().answer(prompt)
            self.asked.append(prompt)
            if prompt.choices:
                return "in order" if "in order" in prompt.choices else prompt.choices[0]
            step = prompt.key.split("/")[-2]
            if "again" in prompt.key or "second" in prompt.key or step == "other_leads":
                return "5.00"
            return "OL" if "ohm" in str(prompt.function) else "0.02"

    person = Bystander({"C01/voltage": "0.02"})
    with GuidedProject(tmp_path, plan, bench) as rig:
        assert rig.run(person, "C01") is Verdict.PASS
    (result,) = rig.results
    assert "Part or meter?" in person.said
    assert result.details["diagnosis"]["path"]
    assert any("diagnosed" in finding for finding in result.findings)


def test_nothing_is_diagnosed_on_the_mains(tmp_path: Path) -> None:
    """The cheapest checks of a diagnosis are dangerous there: the person is asked to power off instead."""
    outlet = reading_check("C01", "V~", expect="230 V", mains_referenced=True)
    person = ScriptedPerson({"C01/voltage": "0.3"})
    with GuidedProject(tmp_path, box_plan(outlet)) as rig:
        rig.run(person, "C01")
    assert "power off" in person.said
    assert person.keys == ["C01/voltage"]


def test_mains_that_can_not_be_is_asked_again(tmp_path: Path) -> None:
    supply = check("C04", "supply", nameplate="24 V ac 40 VA", meter="MB-02")
    person = ScriptedPerson({"C04/mains": ["500 V", "23 ohm", "231 V"], "C04/no_load": "27.3"})
    with GuidedProject(tmp_path, box_plan(BIAS, supply)) as rig:
        rig.run(person, "C04")
    assert person.keys.count("C04/mains") == 3
    assert "500 V, but 230 V is nominal" in person.said


def test_a_meter_that_is_nearly_on_the_bench_is_named(rig: GuidedProject) -> None:
    rig.rewrite(box_plan(BIAS.replace("MB-02", "MB-20")))
    person = ScriptedPerson(ALL)
    rig.run(person, "C01")
    assert "C01: meter MB-20 is not in the bench file; is it MB-02?" in person.said
