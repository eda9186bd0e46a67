"""The guided run: in order, undone, skipped, stopped and gone on with; nothing that was taken is lost."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.scripted_person import ScriptedPerson

from benchlog.bench import AccuracyLine, Bench, Instrument, Standard
from benchlog.clock import ManualClock
from benchlog.errors import ConfigError, HoldRefusedError, ReadTimeoutError
from benchlog.guide import hands as hands_module
from benchlog.guide.person import FileOfAnswers, InputEndedError, Person
from benchlog.guide.run import Guide
from benchlog.guide.start_round import due_meters
from benchlog.logbook import Logbook
from benchlog.plan import AnyCheck, RatioCheck, ReadingCheck, read_plan
from benchlog.project.release import release_hold
from benchlog.project.state import CheckState, read_state
from benchlog.reading import Function
from benchlog.result import Result, Verdict
from benchlog.testing import ScriptedReader

PLAN = """
[project]
name = "Test rig"
mains = "230 V"

[[part]]
tag = "T1"

[[check]]
id = "C01"
kind = "reading"
part = "T1"
title = "bias voltage"
function = "V="
meter = "MB-02"
limits.voltage = { low = "4.8 V", high = "5.2 V" }

[[check]]
id = "C02"
kind = "reading"
part = "T1"
function = "A="
meter = "MB-02"
limits.current = { high = "0.6 A" }

[[check]]
id = "C03"
kind = "reading"
part = "T1"
function = "V="
meter = "MB-02"
hookup = "tips on the output"
limits.voltage = { low = "11 V", high = "13 V" }

[[hold]]
id = "H1"
step = "close the box"
needs = ["C01", "C02", "C03"]
"""
ALL = {"C01/voltage": "5.00", "C02/current": "0.500", "C03/voltage/jacks": "y", "C03/voltage": "12.0"}
METER = Instrument(
    tag="MB-02",
    accuracy=(
        AccuracyLine(Function.DC_VOLTS, "0.8 % + 2"),
        AccuracyLine(Function.DC_CURRENT, "1.5 % + 3"),
        AccuracyLine(Function.OHMS, "1 % + 4"),
    ),
)
CLOCK_NS = 1_790_000_000 * 10**9


class Rig:
    """A plan, a logbook and a clock; `go` runs the plan with a person."""

    def __init__(self, folder: Path, text: str = PLAN, bench: Bench | None = None) -> None:
        self.path = folder / "plan.toml"
        self.path.write_text(text, encoding="utf-8")
        self.clock = ManualClock(CLOCK_NS)
        self.book = Logbook.open(folder / "bench.logbook", clock=self.clock)
        self.bench = bench or Bench([METER])
        self.results: list[Result] = []

    def guide(self, person: Person, **more: object) -> Guide:
        if not self.book.session:
            self.book.begin_session({}, resume=True)
        return Guide(
            read_plan(self.path),
            self.bench,
            self.book,
            clock=self.clock,
            person=person,
            show=self.results.append,
            **more,  # type: ignore[arg-type]
        )

    def go(self, person: Person, *only: str, **more: object) -> Verdict:
        return self.guide(person, **more).run(only)

    def states(self) -> list[str]:
        state = read_state(read_plan(self.path), self.book, self.clock.utc_ns())
        return [str(s.state) for s in state.checks.values()]

    def kinds(self, kind: str) -> list[dict[str, object]]:
        return [dict(e.body) for e in self.book.entries(kind)]


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.book.close()


def test_checks_come_in_order_and_pass(rig: Rig) -> None:
    person = ScriptedPerson(ALL)
    assert rig.go(person) is Verdict.PASS
    assert rig.states() == ["passed"] * 3
    assert [r.check_id for r in rig.results] == ["C01", "C02", "C03"]


def test_the_expectation_is_written_before_the_reading(rig: Rig) -> None:
    """In the record the expectation of a check stands before its readings, and those before its result."""
    rig.go(ScriptedPerson(ALL), "C01")
    order = [e.kind for e in rig.book.entries() if e.kind in ("expectation", "readings", "result")]
    assert order == ["expectation", "readings", "result"]
    assert rig.kinds("expectation")[0]["limits"]
    (result,) = rig.results
    assert result.evidence == (f"readings:{result.record.entry - 1}",) if result.record else False


def test_expectation_and_danger_are_shown_before_anything_is_asked(rig: Rig) -> None:
    person = ScriptedPerson({})
    with pytest.raises(InputEndedError):
        rig.go(person, "C01", cards=True)
    assert "expected: voltage 4.8 V to 5.2 V" in person.said
    assert "MB-02: dial V=" in person.said
    assert "treat the node as live" in person.said


def test_after_a_current_check_every_volts_check_demands_the_jacks(rig: Rig) -> None:
    """C02 is a current: before C03 is read the jacks are confirmed."""
    person = ScriptedPerson(ALL)
    rig.go(person)
    keys = person.keys
    assert keys.index("C02/current") < keys.index("C03/voltage/jacks") < keys.index("C03/voltage")


def test_the_jacks_are_demanded_in_the_next_session_too(rig: Rig) -> None:
    """Months later the record still knows that the meter measured current last."""
    rig.go(ScriptedPerson(ALL), "C02")
    rig.book.end_session("left")
    rig.clock.advance(90 * 86400.0)
    person = ScriptedPerson(ALL)
    rig.go(person, "C03")
    assert "C03/voltage/jacks" in person.keys


def test_undo_supersedes_the_last_result_and_does_it_again(rig: Rig) -> None:
    """u at the next question: the reason is asked, the result no longer counts, its check comes again first."""
    person = ScriptedPerson(
        ALL
        | {
            "C01/voltage": ["5.10", "5.00"],
            "C02/current": ["u", "0.500"],
            "C01/undo": "tips on the wrong pins",
            "C01/voltage/jacks": "y",  # the current step had begun: its lead may have been moved already
        }
    )
    assert rig.go(person) is Verdict.PASS
    (superseded,) = rig.kinds("supersede")
    assert superseded["reason"] == "tips on the wrong pins"
    assert [r.check_id for r in rig.results] == ["C01", "C01", "C02", "C03"]
    assert rig.results[1].quantities["voltage"].value == 5.00
    assert rig.states() == ["passed"] * 3


def test_undo_among_named_checks(rig: Rig) -> None:
    person = ScriptedPerson(
        ALL
        | {"C01/voltage": ["5.10", "5.00"], "C02/current": ["u", "0.5"], "C01/undo": "misread"}
        | {"C01/voltage/jacks": "y"}
    )
    rig.go(person, "C01", "C02")
    assert [r.check_id for r in rig.results] == ["C01", "C01", "C02"]


def test_undo_needs_a_reason(rig: Rig) -> None:
    person = ScriptedPerson(ALL | {"C02/current": ["u", "0.500"], "C01/undo": ""})
    rig.go(person)
    assert rig.kinds("supersede") == []
    assert "only taken back with a reason" in person.said


def test_nothing_of_an_earlier_session_is_undone(rig: Rig) -> None:
    rig.go(ScriptedPerson(ALL), "C01")
    rig.book.end_session("done")
    person = ScriptedPerson({"C02/current": ["u", "0.5"]})
    rig.go(person, "C02")
    assert rig.kinds("supersede") == []
    assert "nothing to undo" in person.said


def test_the_last_check_can_be_undone_at_a_terminal(rig: Rig) -> None:
    person = ScriptedPerson(
        {"C01/voltage": ["5.10", "5.00"], "close/last": ["u", ""], "C01/undo": "misread"},
        interactive=True,
    )
    rig.go(person, "C01", standards=False)
    assert [r.quantities["voltage"].value for r in rig.results] == [5.10, 5.00]


def test_skip_is_written_with_its_reason(rig: Rig) -> None:
    person = ScriptedPerson(ALL | {"C01/voltage": "s", "C01/voltage/skip": "no probe here"})
    assert rig.go(person) is Verdict.NOT_DONE
    assert rig.kinds("skip") == [{"check_id": "C01", "part": "T1", "reason": "no probe here"}]
    assert rig.states() == ["due", "passed", "passed"]


def test_stop_and_go_on(rig: Rig) -> None:
    """q in the second check: the first stays, the next run begins with the second."""
    assert rig.go(ScriptedPerson(ALL | {"C02/current": "q"})) is Verdict.NOT_DONE
    assert rig.states() == ["passed", "due", "due"]
    person = ScriptedPerson(ALL)
    assert rig.go(person) is Verdict.PASS
    assert person.keys[0] == "C02/current"
    assert len(rig.kinds("session begin")) == 1


def test_the_end_of_the_input_loses_nothing_taken(rig: Rig) -> None:
    """A pipe that ends, or a killed program: what was taken is in the logbook, the same command goes on."""
    with pytest.raises(InputEndedError):
        rig.go(ScriptedPerson({"C01/voltage": "5.00"}))
    assert rig.states() == ["passed", "due", "due"]
    assert rig.go(ScriptedPerson(ALL)) is Verdict.PASS


def test_a_reading_of_an_unfinished_check_is_kept(tmp_path: Path) -> None:
    text = """
[project]
name = "Rig"
[[part]]
tag = "T1"
[[check]]
id = "C01"
kind = "list"
part = "T1"
[[check.item]]
take = "reading"
name = "first"
function = "V="
meter = "MB-02"
limits = { high = "6 V" }
[[check.item]]
take = "reading"
name = "second"
function = "V="
meter = "MB-02"
limits = { high = "6 V" }
"""
    rig = Rig(tmp_path, text)
    with pytest.raises(InputEndedError):
        rig.go(ScriptedPerson({"C01/first": "5.00"}))
    readings = rig.book.view().reading_arrays()
    assert list(readings.table["value"]) == [5.00]
    rig.book.close()


def test_an_instrument_that_fails_stops_a_script_with_a_note(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.bench = Bench([Instrument(tag="MB-02", address="sim:MB-02")])
    monkeypatch.setattr(
        hands_module, "open_adapter", lambda *a, **k: ScriptedReader("MB-02", [], clock=rig.clock)
    )
    with pytest.raises(ReadTimeoutError):
        rig.go(ScriptedPerson({}))
    assert "no reading" in str(rig.kinds("trouble")[0]["message"])


def test_a_display_without_a_number_is_no_verdict(rig: Rig) -> None:
    """OL where volts are judged: indeterminate with what was shown, and the run goes on."""
    assert rig.go(ScriptedPerson(ALL | {"C01/voltage": "OL"})) is Verdict.INDETERMINATE
    assert "OL" in rig.results[0].reason


def test_an_implausible_reading_is_looked_into(tmp_path: Path) -> None:
    """Any check with an expected value: the diagnosis asks, its path is in the result."""
    text = PLAN.replace('function = "V="', 'function = "V="\nexpect = "5.0 V"', 1)
    rig = Rig(tmp_path, text, Bench([METER, Instrument(tag="MC-03", accuracy=METER.accuracy)]))

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
    assert rig.go(person, "C01") is Verdict.PASS
    (result,) = rig.results
    assert "part or meter?" in person.said
    assert result.details["diagnosis"]["path"]
    assert "looked into" in result.findings[-1]
    rig.book.close()


def test_nothing_is_looked_into_on_the_mains(tmp_path: Path) -> None:
    """The cheapest checks of a diagnosis are dangerous there: the person is told to power off instead."""
    text = PLAN.replace('function = "V="', 'function = "V~"\nexpect = "230 V"\nmains_referenced = true', 1)
    text = text.replace('limits.voltage = { low = "4.8 V", high = "5.2 V" }', "", 1)
    rig = Rig(tmp_path, text)
    person = ScriptedPerson({"C01/voltage": "0.3"})
    rig.go(person, "C01")
    assert "power off" in person.said
    assert person.keys == ["C01/voltage"]
    rig.book.close()


@pytest.mark.parametrize(
    "check",
    [
        'kind = "ratio"\nexpect = "60"\nscope = "SC-03"\nprimary = "A"\nsecondary = "B"',
        'kind = "inductance"\nscope = "SC-03"\nacross = "A"\nresistor_channel = "B"\nresistor = "1 kohm"',
        'kind = "list"\nitem = [{ take = "phase", name = "p", scope = "SC-03", primary = "A", secondary = "B", '
        + 'frequency = "50 Hz", limits = { high = "1 deg" } }]',
    ],
)
def test_a_scope_clip_on_a_mains_referenced_node_is_refused_in_the_plan(check: str, tmp_path: Path) -> None:
    head, _, tail = check.partition("\n")
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[project]\nname = "x"\n[[part]]\ntag = "T1"\n[[check]]\nid = "C1"\npart = "T1"\n'
        f"mains_referenced = true\n{head}\n{tail}\n",
        encoding="utf-8",
    )
    with pytest.raises(ConfigError, match="mains-referenced") as error:
        read_plan(plan)
    assert "protective earth" in error.value.hint + str(error.value)


def test_limits_are_fixed_before_the_reading(rig: Rig) -> None:
    """Exploratory readings open nothing, and limits edited after the reading re-open the check and say why."""
    plan = read_plan(rig.path)
    rig.go(ScriptedPerson(ALL))
    release_hold(plan, rig.book, "H1", rig.clock.utc_ns())
    rig.path.write_text(rig.path.read_text().replace('high = "5.2 V"', 'high = "5.3 V"'), encoding="utf-8")
    edited = read_plan(rig.path)
    state = read_state(edited, rig.book, rig.clock.utc_ns())
    assert state.checks["C01"].state is CheckState.STALE
    assert "edited after its reading" in state.checks["C01"].reason
    with pytest.raises(HoldRefusedError, match="C01"):
        release_hold(edited, rig.book, "H1", rig.clock.utc_ns())


def test_a_reading_without_limits_is_exploratory(tmp_path: Path) -> None:
    text = PLAN.replace('limits.voltage = { low = "4.8 V", high = "5.2 V" }', "", 1)
    rig = Rig(tmp_path, text)
    assert rig.go(ScriptedPerson(ALL)) is Verdict.NOT_DONE
    assert "exploratory" in rig.results[0].reason
    with pytest.raises(HoldRefusedError, match="C01"):
        release_hold(read_plan(rig.path), rig.book, "H1", rig.clock.utc_ns())
    rig.book.close()


# ---- check standards first ----


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


def test_the_round_is_offered_and_takes_the_surest_standard_of_each_reference(tmp_path: Path) -> None:
    rig = Rig(tmp_path, bench=STANDARDS)
    person = ScriptedPerson(ALL | ROUND | {"C01/hookup": "q"}, interactive=True)
    rig.go(person)
    assert "MB-02 never checked" in person.said
    assert [e["standard"] for e in rig.kinds("standard")] == ["CS-3", "CS-2"]
    assert rig.kinds("standard")[0]["verdict"] == "pass"
    rig.book.close()


def test_the_round_is_offered_once_a_session(tmp_path: Path) -> None:
    rig = Rig(tmp_path, bench=STANDARDS)
    rig.go(ScriptedPerson(ALL | ROUND | {"C01/hookup": "q"}, interactive=True))
    again = ScriptedPerson(ALL | {"C01/hookup": "q"}, interactive=True)
    rig.go(again)
    assert "start/standards" not in again.keys
    rig.clock.advance(3 * 86400.0)
    later = ScriptedPerson(ALL | {"start/standards": "n", "C01/hookup": "q"}, interactive=True)
    rig.go(later)
    assert "MB-02 3 days ago" in later.said
    rig.book.close()


def test_a_meter_that_fails_recalls_what_rested_on_it(tmp_path: Path) -> None:
    """5.40 V on a 5.000 V reference: told, recalled, and the open lead set is named by the shorted tips."""
    rig = Rig(tmp_path, bench=STANDARDS)
    rig.go(ScriptedPerson(ALL), "C01")
    person = ScriptedPerson(
        ALL | ROUND | {"start/MB-02/CS-3/reading": "5.40", "start/MB-02/tips/reading": "OL"}
    )
    rig.go(person, "C02", standards=True)
    assert "outside its specification" in person.said
    assert "recalled: C01" in person.said
    assert "a lead is open" in person.said
    assert rig.states()[0] == "recalled"
    rig.book.close()


def test_only_meters_that_the_checks_use_are_due(tmp_path: Path) -> None:
    """A scope check needs no meter; one that leaves the meter open may need any."""
    head = {"id": "C1", "part": "T1"}
    scope = RatioCheck(**head, expect="60", scope="SC-03", primary="A", secondary="B")
    bench = Bench([METER, Instrument(tag="MC-03")], list(STANDARDS.standards.values()))
    with Logbook.open(tmp_path / "x.logbook", clock=ManualClock(CLOCK_NS)) as book:

        def due(*checks: AnyCheck) -> list[str]:
            return [meter.tag for meter in due_meters(checks, bench, book, CLOCK_NS)]

        assert due(scope) == []
        assert due(ReadingCheck(**head, function=Function.DC_VOLTS, meter="MC-03")) == ["MC-03"]
        assert due(ReadingCheck(**head, function=Function.DC_VOLTS)) == ["MB-02", "MC-03"]


# ---- answers from a file ----


def test_a_file_may_hold_nothing_but_readings(rig: Rig) -> None:
    """Lines that name their prompt leave the hook-ups to be taken as done."""
    lines = [
        "# bench of today",
        "C01/voltage: 5.00",
        "C02/current: 0.500",
        "C03/voltage/jacks: y",
        "C03/voltage: 12.0",
    ]
    assert rig.go(FileOfAnswers(lines)) is Verdict.PASS


def test_a_file_out_of_order_is_named_with_its_line(rig: Rig) -> None:
    with pytest.raises(Exception, match="line 1 of the answers is for 'C02/current'") as error:
        rig.go(FileOfAnswers(["C02/current: 0.500"]))
    assert "C01/voltage: ..." in error.value.hint  # type: ignore[attr-defined]


def test_close_out_that_nobody_answers_claims_nothing(rig: Rig) -> None:
    assert rig.guide(ScriptedPerson({})).close_out()["left"] == "not said"
    assert rig.guide(ScriptedPerson({"close/left": "", "close/next": ""})).close_out()["left"] == "nothing"


# ---- slips of the plan and of the person ----


def test_mains_that_can_not_be_is_asked_again(tmp_path: Path) -> None:
    text = PLAN + (
        '\n[[check]]\nid = "C04"\nkind = "supply"\npart = "T1"\nnameplate = "24 V ac 40 VA"\nmeter = "MB-02"\n'
    )
    rig = Rig(tmp_path, text)
    person = ScriptedPerson({"C04/mains": ["500 V", "23 ohm", "231 V"], "C04/no_load": "27.3"})
    rig.go(person, "C04")
    assert person.keys.count("C04/mains") == 3
    assert "500 V where 230 V is nominal" in person.said
    rig.book.close()


def test_a_meter_that_is_nearly_on_the_bench_is_named(rig: Rig) -> None:
    rig.path.write_text(PLAN.replace("MB-02", "MB-20", 1), encoding="utf-8")
    person = ScriptedPerson(ALL)
    rig.go(person, "C01")
    assert "C01: meter MB-20 is not in the bench file; is it MB-02?" in person.said
