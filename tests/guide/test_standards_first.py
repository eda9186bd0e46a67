"""The round of check standards that a session begins with: when it is offered, which standards, what a failure does."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.guided_project import ALL, METER, GuidedProject
from helpers.plan_text import made
from helpers.planned_project import START_NS
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument, Standard
from benchlog.clock import ManualClock
from benchlog.guide.start_round import due_meters
from benchlog.logbook import Logbook
from benchlog.plan import Check
from benchlog.project.meter_doubt import EVIDENCE_KINDS
from benchlog.project.meter_trust import Trust, meter_trust
from benchlog.reading import Function

STANDARDS = Bench(
    [METER],
    [
        Standard(tag="CS-1", value="1.602 V dc", uncertainty="0.3 %"),
        Standard(tag="CS-2", value="10.00 kohm", uncertainty="0.1 %", function=Function.OHMS),
        Standard(tag="CS-3", value="5.000 V dc", uncertainty="0.05 %"),
    ],
)
ROUND = {
    "start/standards": "y",
    "start/MB-02/tips/reading": "0.2",
    "start/MB-02/CS-3/reading": "5.01",
    "start/MB-02/CS-2/reading": "10.01k",
}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[GuidedProject]:
    """Three checks with one meter, and three standards."""
    with GuidedProject(tmp_path, bench=STANDARDS) as made:
        yield made


def test_the_round_is_offered_and_takes_the_surest_standard_of_each_reference(rig: GuidedProject) -> None:
    person = ScriptedPerson(ALL | ROUND | {"C01/hookup": "q"}, interactive=True)
    rig.run(person)
    assert "last checked on a known value: MB-02 never" in person.said
    assert [e["standard"] for e in rig.bodies("standard")] == ["CS-3", "CS-2"]
    assert rig.bodies("standard")[0]["verdict"] == "pass"


def test_the_round_is_offered_once_a_session(rig: GuidedProject) -> None:
    rig.run(ScriptedPerson(ALL | ROUND | {"C01/hookup": "q"}, interactive=True))
    again = ScriptedPerson(ALL | {"C01/hookup": "q"}, interactive=True)
    rig.run(again)
    assert "start/standards" not in again.keys
    rig.days(3)
    later = ScriptedPerson(ALL | {"start/standards": "n", "C01/hookup": "q"}, interactive=True)
    rig.run(later)
    assert "MB-02 3 days ago" in later.said


def test_a_meter_that_fails_recalls_what_it_measured(rig: GuidedProject) -> None:
    """5.40 V on a 5.000 V reference: reported, recalled, and the open lead set is named by the shorted tips."""
    rig.run(ScriptedPerson(ALL), "C01")
    person = ScriptedPerson(
        ALL | ROUND | {"start/MB-02/CS-3/reading": "5.40", "start/MB-02/tips/reading": "OL"}
    )
    rig.run(person, "C02", standards=True)
    assert "outside its specification" in person.said
    assert "recalled: C01" in person.said
    assert "a lead is open" in person.said
    assert rig.states[0] == "recalled"


def test_only_meters_that_the_checks_use_are_due(tmp_path: Path) -> None:
    """A scope check needs no meter; one that leaves the meter open may need any."""
    scope = made("C1", "ratio", expect="60", scope="SC-03", primary="A", secondary="B")
    bench = Bench([METER, Instrument(tag="MC-03")], list(STANDARDS.standards.values()))
    with Logbook.open(tmp_path / "x.logbook", clock=ManualClock(START_NS)) as book:

        def due(*checks: Check) -> list[str]:
            return [meter.tag for meter in due_meters(checks, bench, book, START_NS)]

        assert due(scope) == []
        assert due(made("C1", "reading", function="V=", meter="MC-03")) == ["MC-03"]
        assert due(made("C1", "reading", function="V=")) == ["MB-02", "MC-03"]


def test_a_standard_read_with_too_few_digits_says_nothing_of_the_meter(tmp_path: Path) -> None:
    """1.6 V on a 1.602 V cell hides up to 50 mV; 1 % + 2 on steps of 1 mV allow 18 mV: neither trusted nor checked."""
    data_sheet = AccuracyLine(Function.DC_VOLTS, "1 % + 2", range="5 V", resolution="1 mV")
    meter = Instrument(tag="MB-02", kind="meter", accuracy=(data_sheet,))
    with GuidedProject(tmp_path, bench=Bench([meter], [STANDARDS.standards["CS-1"]])) as rig:
        keep = {"start/standards": "y", "start/MB-02/tips/reading": "0.2", "start/MB-02/CS-1/reading": "1.6"}
        person = ScriptedPerson(ALL | keep)
        rig.run(person, "C01", standards=True)
        (coarse,) = rig.bodies("standard")
        assert coarse["verdict"] == "indeterminate"
        assert "too coarse" in person.said
        assert meter_trust(rig.book.entries(EVIDENCE_KINDS), rig.clock.utc_ns()) == ()
        rig.run(ScriptedPerson(ALL | keep | {"start/MB-02/CS-1/reading": "1.603"}), "C01", standards=True)
        (trusted,) = meter_trust(rig.book.entries(EVIDENCE_KINDS), rig.clock.utc_ns())
        assert trusted.word is Trust.GOOD
