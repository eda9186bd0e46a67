"""A result measured outside the plan counts for a check where its limits are the plan's and the person says so."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from helpers.guided_project import GuidedProject
from helpers.plan_text import check, hold, part, plan_text
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument
from benchlog.checks.continuity import check_continuity
from benchlog.cli import main
from benchlog.guide.manual_reading import as_displayed
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.evidence import record_result
from benchlog.project.recall import Failure
from benchlog.project.standard_record import record_recall
from benchlog.project.state import CheckState
from benchlog.reading import Function
from benchlog.report.certificate import render_certificate

LEAD = """
[[check]]
id = "C01"
kind = "continuity"
part = "R1"
meter = "MB-02"
max = "1 ohm"
lead_null = false
"""
CAPTURES = Path(__file__).parents[2] / "sample_captures"
BENCH = Bench([Instrument(tag="MB-02", accuracy=(AccuracyLine(Function.OHMS, "1 % + 3"),))])


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[GuidedProject]:
    """One resistance with a highest value."""
    with GuidedProject(tmp_path, plan_text(part("R1"), LEAD, hold("H1", "solder", "C01")), BENCH) as made:
        yield made


def measured(
    rig: GuidedProject, shown: str = "0.40", most: float = 1.0, part: str = "R1", meter: str = "MB-02"
) -> int:
    """What `benchlog continuity --part R1 --max "1 ohm"` records."""
    reading = MeterReading(as_displayed(shown, Function.OHMS, meter), parse_accuracy("1 % + 3"))
    result = msgspec.structs.replace(check_continuity(reading, max_ohm=most), part=part, limits_set="typed")
    record = record_result(rig.book, rig.clock, result, readings=[reading.reading]).record
    assert record is not None
    return record.entry


def counted(rig: GuidedProject, answer: str = "y") -> ScriptedPerson:
    person = ScriptedPerson({"C01/count": answer, "C01/resistance": "0.50"}, interactive=True)
    rig.run(person, standards=False)
    return person


def test_it_counts_with_the_original_and_its_digest(rig: GuidedProject) -> None:
    entry = measured(rig)
    assert rig.state.checks["C01"].state is CheckState.DUE
    person = counted(rig)
    assert rig.results == []  # nothing was measured again
    assert "resistance 400 ± 39 mΩ" in person.said
    (body,) = rig.bodies("adoption")
    assert (body["entry"], body["digest"]) == (entry, rig.book.entry(entry).digest)
    status = rig.state.checks["C01"]
    assert (status.state, status.entry and status.entry.seq) == (CheckState.PASSED, entry)
    assert rig.state.holds["H1"].missing == ()


def test_a_person_who_says_no_measures(rig: GuidedProject) -> None:
    measured(rig)
    counted(rig, "n")
    assert rig.bodies("adoption") == []
    assert [r.check_id for r in rig.results] == ["C01"]


def test_a_script_is_not_asked(rig: GuidedProject) -> None:
    measured(rig)
    rig.run(ScriptedPerson({"C01/resistance": "0.50"}))
    assert rig.bodies("adoption") == []


@pytest.mark.parametrize(
    ("shown", "most", "part", "meter"),
    [
        ("0.40", 2.0, "R1", "MB-02"),  # another limit
        ("1.50", 1.0, "R1", "MB-02"),  # no pass
        ("0.40", 1.0, "R2", "MB-02"),  # another part
        ("0.40", 1.0, "R1", "MA-01"),  # not with the meter that the plan names
    ],
)
def test_only_a_pass_by_the_plans_limits_on_the_part_is_offered(
    rig: GuidedProject, shown: str, most: float, part: str, meter: str
) -> None:
    measured(rig, shown, most, part, meter)
    person = counted(rig)
    assert "C01/count" not in person.keys
    assert [r.check_id for r in rig.results] == ["C01"]


def test_a_withdrawn_result_is_not_offered(rig: GuidedProject) -> None:
    rig.book.supersede(measured(rig), "wrong part")
    assert "C01/count" not in counted(rig).keys


def test_u_takes_it_back(rig: GuidedProject) -> None:
    measured(rig)
    person = ScriptedPerson(
        {"C01/count": "y", "close/last": ["u", ""], "C01/undo": "not sure", "C01/resistance": "0.50"},
        interactive=True,
    )
    rig.run(person, standards=False)
    assert [b["reason"] for b in rig.bodies("supersede")] == ["not sure"]
    assert [r.check_id for r in rig.results] == ["C01"]


def test_a_recall_follows_the_original(rig: GuidedProject) -> None:
    """MB-02 is found bad later: the check that counts the result is no longer passed."""
    entry = measured(rig)
    counted(rig)
    recall = record_recall(rig.book, Failure("MB-02", "ohm", found=rig.book.head().seq, why="reads low"))
    assert [r.entry for r in recall.results] == [entry]
    assert rig.state.checks["C01"].state is not CheckState.PASSED


def test_an_edited_check_no_longer_counts_it(rig: GuidedProject) -> None:
    measured(rig)
    counted(rig)
    rig.rewrite(plan_text(part("R1"), LEAD.replace("1 ohm", "0.9 ohm"), hold("H1", "solder", "C01")))
    assert rig.state.checks["C01"].state is CheckState.STALE


def test_a_later_measurement_by_the_plan_counts_instead(rig: GuidedProject) -> None:
    measured(rig)
    counted(rig)
    rig.run(ScriptedPerson({"C01/resistance": "2.50"}), "C01")
    assert rig.state.checks["C01"].state is CheckState.FAILED


def test_the_certificate_says_that_it_was_measured_outside_the_plan(rig: GuidedProject) -> None:
    measured(rig)
    counted(rig)
    page = " ".join(render_certificate(rig.book, now_utc_ns=rig.clock.utc_ns(), plan=rig.plan).split())
    assert "measured outside the plan, counted for C01" in page


def test_a_ratio_by_command_counts_for_the_plans_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``ratio --part CT1`` with the files of a memory stick; half a turn about 60 is also what the plan judges by."""
    monkeypatch.chdir(tmp_path)
    channels = [
        "--primary",
        "CH1",
        "--secondary",
        "CH2",
        "--expect",
        "60",
        "--divider",
        "60:1",
        "--divider-tolerance",
        "0.2 %",
    ]
    files = [str(CAPTURES / f"ct1_60_turns_divider{end}.npz") for end in ("", "_swapped")]
    assert main(["ratio", "--capture", files[0], "--swapped", files[1], *channels, "--part", "CT1"]) == 0
    plan = plan_text(
        part("CT1"),
        check("C01", "ratio", part="CT1", expect="60", scope="SC-1", primary="CH1", secondary="CH2"),
    )
    with GuidedProject(tmp_path, plan, Bench([Instrument(tag="SC-1", kind="scope")])) as project:
        counted(project)
        assert project.states == ["passed"]
        assert project.results == []
