"""A typed reading that may be a slip: a person is asked, and where nobody can be asked it condemns nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.guided_project import GuidedProject
from helpers.plan_text import check, part, plan_text, reading_check
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.reading import Function
from benchlog.result import Verdict

LINES = (AccuracyLine(Function.DC_VOLTS, "0.5 % + 2"), AccuracyLine(Function.OHMS, "1 % + 3"))
BENCH = Bench([Instrument(tag="MB-02", counts=4000, accuracy=LINES)])
VOLTS = plan_text(part("T1"), reading_check("C01", "V=", low="13.3 V", high="14.9 V"))
RECTIFIED = plan_text(
    part("T1"),
    check(
        "C01",
        "rectified",
        meter="MB-02",
        mains="230 V",
        limits={"rectified_peak": {"low": "18 V", "high": "20 V"}},
    ),
)
NULLED = plan_text(part("T1"), check("C01", "continuity", meter="MB-02", max="2 ohm", lead_null=True))
WIRE = plan_text(
    part("T1"),
    check("C01", "continuity", meter="MB-02", wire="AWG 24", length="100 m", lead_null=True),
)
OUTSIDE = [
    (VOLTS, {"C01/voltage": "141.3 V"}, "ten times what its limits allow"),
    (VOLTS, {"C01/voltage": "1.413 V"}, "a tenth of what its limits allow"),
    (VOLTS, {"C01/voltage": "14.13 kV"}, "a thousand times what its limits allow"),
    (RECTIFIED, {"C01/rectified": "190.0 V"}, "ten times the expected value"),
    (NULLED, {"C01/null": "0.2", "C01/resistance": "1.6 kohm"}, "within the limit without its k"),
    # 100 m of AWG 24 have 8.42 ohm; with the leads it is 8.7
    (WIRE, {"C01/null": "0.3", "C01/resistance": "87.0"}, "ten times the expected value"),
    (WIRE, {"C01/null": "0.3", "C01/resistance": "8.7 kohm"}, "a thousand times the expected value"),
]


@pytest.mark.parametrize(("plan", "answers", "asked"), OUTSIDE)
def test_a_slip_of_ten_or_a_thousand_is_asked_about_and_condemns_nothing_unasked(
    plan: str, answers: dict[str, str], asked: str, tmp_path: Path
) -> None:
    with GuidedProject(tmp_path, plan, BENCH) as rig:
        rig.run(ScriptedPerson(answers))
        (result,) = rig.results
        assert result.verdict is Verdict.INDETERMINATE
        assert asked in result.reason
        assert any("read the display again" in finding for finding in map(str, result.findings))


@pytest.mark.parametrize(("plan", "answers", "asked"), OUTSIDE)
def test_a_person_who_keeps_it_as_read_is_taken_at_their_word(
    plan: str, answers: dict[str, str], asked: str, tmp_path: Path
) -> None:
    person = ScriptedPerson({**answers, **{f"{key}/slip": "y" for key in answers}}, interactive=True)
    with GuidedProject(tmp_path, plan, BENCH) as rig:
        rig.run(person)
        assert asked in person.said
        assert rig.results[0].verdict is Verdict.FAIL


def test_u_at_a_doubted_reading_takes_back_that_reading_alone(tmp_path: Path) -> None:
    """The hook-up before it stays as it is, and no reading was kept that needs a reason to withdraw."""
    plan = plan_text(part("T1"), reading_check("C01", "V=", low="4.8 V", high="5.2 V", hookup="tips on T1"))
    answers = {"C01/voltage": ["50.1 V", "5.01 V"], "C01/voltage/slip": "u"}
    with GuidedProject(tmp_path, plan) as rig:
        person = ScriptedPerson(answers, interactive=True)
        rig.run(person, standards=False)
        assert person.keys[:4] == ["C01/hookup", "C01/voltage", "C01/voltage/slip", "C01/voltage"]
        assert rig.results[0].quantities["voltage"].value == 5.01


def test_a_value_as_wrong_as_no_slip_makes_it_fails(tmp_path: Path) -> None:
    with GuidedProject(tmp_path, VOLTS, BENCH) as rig:
        rig.run(ScriptedPerson({"C01/voltage": "9.13 V"}))
        assert rig.results[0].verdict is Verdict.FAIL


@pytest.mark.parametrize(
    ("shown", "asked"),
    [
        ("14.13 V", ""),
        ("14.1 V", "14.1 V has fewer digits than MB-02 shows there (steps of 10 mV)"),
        ("14.134 V", "14.134 V has more digits than MB-02 shows there (steps of 10 mV)"),
        ("39.1 V", ""),  # it may be on the next range by now
    ],
)
def test_digits_left_out_or_added_are_asked_about(shown: str, asked: str, tmp_path: Path) -> None:
    """4000 counts show 14.13 V; what is typed says how sure the last digit is."""
    person = ScriptedPerson({"C01/voltage": shown, "C01/voltage/slip": "y"}, interactive=True)
    with GuidedProject(tmp_path, VOLTS, BENCH) as rig:
        rig.run(person, standards=False)
    assert ("digits than" in person.said) is bool(asked)
    assert asked in person.said
