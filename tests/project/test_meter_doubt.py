"""A meter that failed its check standard proves nothing until it passes: plan, holds, recalls, one-shot commands.

The story: MB-02 fails on 5.000 V, is used all the same, gets a new battery, and is believed again.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers.desk import Desk

from benchlog.checks.crosscheck import check_crosscheck
from benchlog.checks.metered import Metered
from benchlog.clock import ManualClock
from benchlog.displayed import parse_displayed
from benchlog.logbook import Logbook
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.project.check_standard import StandardValue, check_standard, failure_of
from benchlog.project.meter_doubt import DOUBT_KINDS, Doubt, MeterDoubts, last_good, with_doubt
from benchlog.project.recall import Failure, RecallClass, recall_results
from benchlog.result import Result, Verdict

MINUTE_S = 60.0
PLAN = """
[project]
name = "P"
mains = "230 V"
[[part]]
tag = "T1"
[[check]]
id = "C02"
kind = "reading"
part = "T1"
function = "V="
meter = "MB-02"
limits.voltage = { low = "4 V", high = "6 V" }
[[hold]]
id = "H1"
step = "open the case of T1"
needs = ["C02"]
"""
MORE = """
[[standard]]
tag = "CS-9"
value = "9.000 V dc"
uncertainty = "0.05 %"
function = "V="
[[standard]]
tag = "CS-10"
value = "10.00 kohm"
uncertainty = "0.1 %"
function = "ohm"
"""


class Terminal(io.StringIO):
    """Text that passes for a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


class Record:
    """A logbook of check standards of MB-02, and what it makes doubtful."""

    def __init__(self, path: Path) -> None:
        self.clock = ManualClock(1_780_000_000_000_000_000)
        self.book = Logbook.open(path, clock=self.clock)

    def standard(self, verdict: str, standard: str = "CS-3", function: str = "V=", **more: Any) -> int:
        """Write a reading of a standard down; a minute passes."""
        body = {"meter": "MB-02", "standard": standard, "function": function, "as": "found", "error": 0.0}
        self.clock.advance(MINUTE_S)
        return self.book.append("standard", {**body, "verdict": verdict, **more}).seq

    def doubt(self, function: str = "V=", **more: Any) -> Doubt | None:
        """What the record says of MB-02."""
        return MeterDoubts(self.book.entries(DOUBT_KINDS)).of("MB-02", function, **more)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    """An empty record."""
    made = Record(tmp_path / "x.logbook")
    yield made
    made.book.close()


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A desk with a plan for MB-02 and two standards more."""
    made = Desk(tmp_path / "desk")
    made.write("bench.toml", made.bench.read_text(encoding="utf-8") + MORE)
    made.write("plan.toml", PLAN)
    return made


def test_a_failure_makes_every_function_of_that_reference_doubtful(record: Record) -> None:
    """V= failed: V~ and A too, ohms not; before it and after an as-left pass there is no doubt."""
    first = record.standard("pass")
    bad = record.standard("fail")
    assert [record.doubt(f) is not None for f in ("V=", "V~", "A=", "ohm", "ohm, V~")] == [
        True,
        True,
        True,
        False,
        True,
    ]
    assert record.doubt(at=first) is None
    found = record.doubt(at=bad + 1)
    assert found is not None
    assert found.reason == f"measured with MB-02 after it failed its check standard (entry {bad})"
    good = record.standard("pass", **{"as": "left"})
    assert record.doubt() is None
    record.book.append("note", {"text": "later"})
    assert record.doubt(at=good + 1) is None


@pytest.mark.parametrize(
    ("standard", "function", "minutes", "more", "ended"),
    [
        ("CS-3", "V=", 1, {}, True),
        ("CS-9", "V=", 1, {}, False),
        ("CS-9", "V=", 600, {}, True),
        ("CS-9", "V=", 1, {"as": "left"}, True),
        ("CS-V", "V~", 600, {}, False),
        ("CS-V", "V~", 1, {"as": "left"}, True),
        ("CS-10", "ohm", 600, {"as": "left"}, False),
    ],
)
def test_what_ends_a_doubt(
    record: Record, standard: str, function: str, minutes: float, more: dict[str, str], ended: bool
) -> None:
    """A lucky pass among fails doesn't, nor another reference; the same standard, another round, as left do."""
    record.standard("fail")
    record.clock.advance(minutes * MINUTE_S)
    record.standard("pass", standard, function, **more)
    assert (record.doubt() is None) is ended


def test_taking_the_recall_back_takes_the_doubt_back(record: Record) -> None:
    """The wrong standard was used: as if it had never been. A blame by hand likewise."""
    bad = record.standard("fail")
    auto = record.book.append("recall", {"meter": "MB-02", "function": "V=", "to_entry": bad, "results": []})
    record.book.append("recall undone", {"entry": auto.seq, "meter": "MB-02", "reason": "wrong standard"})
    assert record.doubt() is None
    blamed = record.book.append(
        "recall", {"meter": "MB-02", "function": "V~", "to_entry": auto.seq, "results": []}
    )
    found = record.doubt("V~")
    assert found is not None
    assert found.reason == f"measured with MB-02 after it was found bad (entry {blamed.seq})"
    record.book.append("recall undone", {"entry": blamed.seq, "meter": "MB-02", "reason": "not so"})
    assert record.doubt("V~") is None


def test_a_lucky_pass_of_a_frozen_meter_is_not_last_good(record: Record) -> None:
    """Fail, pass, fail within minutes on three standards: last good is the one of the round before."""
    good = record.standard("pass")
    record.clock.advance(86400.0)
    record.standard("fail", "CS-1")
    record.standard("pass")
    record.standard("fail", "CS-9")
    entries = list(record.book.entries("standard"))
    found = last_good(entries, "MB-02", "V=")
    assert found is not None
    assert found.seq == good
    # Not written down yet: the failing reading itself counts too.
    lucky = last_good(entries[:3], "MB-02", "V=", failing=("CS-9", entries[3].utc_ns))
    assert lucky is not None
    assert lucky.seq == good
    assert last_good(entries[:1], "MB-02", "ohm") is None


def test_the_same_digits_on_different_standards_are_named(record: Record) -> None:
    """5.00 V on 5 V and on 9 V: the display may be frozen; and the pass on 5 V is not last good."""
    now = record.clock.utc_ns()
    shown = Metered(parse_displayed("5.00 V dc", instrument="MB-02"), parse_accuracy("0.8 % + 2"))
    first = check_standard(shown, StandardValue("CS-3", 5.0, 0.0025, "V"), [], now)
    assert first.verdict is Verdict.PASS
    assert first.findings == ()
    record.book.append("standard", first.body(as_left=False))
    history = list(record.book.entries("standard"))
    second = check_standard(shown, StandardValue("CS-9", 9.0, 0.0045, "V"), history, now)
    assert any("shows 5.00 V dc on 2 standards" in f and "frozen" in f for f in second.findings)
    assert failure_of(second, history, 99).last_good == 0


def test_a_result_in_doubt_is_indeterminate_but_a_failed_comparison_stays() -> None:
    """Pass and fail are no verdicts of a bad meter; that two meters differ is."""
    doubt = Doubt("MB-02", "V=", "CS-3", 7, "2026-06-06T10:00:00Z", 0)
    for check, verdict, becomes in (
        ("reading", Verdict.PASS, Verdict.INDETERMINATE),
        ("reading", Verdict.FAIL, Verdict.INDETERMINATE),
        ("crosscheck", Verdict.PASS, Verdict.INDETERMINATE),
        ("crosscheck", Verdict.FAIL, Verdict.FAIL),
        ("reading", Verdict.NOT_DONE, Verdict.NOT_DONE),
    ):
        seen = with_doubt(Result(check=check, verdict=verdict, reason="r"), [doubt])
        assert seen.verdict is becomes
        assert seen.findings[0] == (
            "MB-02 failed its check standard on 2026-06-06: its readings count as indeterminate until it "
            'passes (benchlog standard MB-02 CS-3 "what it shows" --as-left)'
        )


def test_a_hold_stays_shut_on_a_meter_that_failed(desk: Desk) -> None:
    """Fail, measure, release: refused with the reason; new battery, measured again: released."""
    plan = desk.folder / "plan.toml"
    desk.run("standard", "MB-02", "CS-3", "5.50 V dc")
    said = desk.answer(plan, "C02", ["", "5.00 V"])
    assert said.code == 3
    assert "until it passes" in said.words
    assert desk.status(plan)["check"]["C02"]["state"] == "indeterminate"
    refused = desk.run("release", plan, "H1")
    assert refused.code == 1
    assert "measured with MB-02 after it failed its check standard (entry" in refused.words
    desk.run("standard", "MB-02", "CS-3", "5.00 V dc", "--as-left")
    assert desk.status(plan)["check"]["C02"]["state"] == "indeterminate"
    assert desk.answer(plan, "C02", ["", "5.00 V"]).code == 0
    assert desk.run("release", plan, "H1").code == 0


def test_a_result_written_as_passed_does_not_count_either(record: Record, tmp_path: Path) -> None:
    """The record decides, not the verdict stored: a pass in doubt is indeterminate for the plan."""
    from benchlog.plan import read_plan
    from benchlog.project.state import CheckState, HoldState, read_state

    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    plan = read_plan(tmp_path / "plan.toml")
    bad = record.standard("fail")
    for functions, expected in (({"MB-02": "V="}, CheckState.INDETERMINATE), ({}, CheckState.INDETERMINATE)):
        record.book.append_result(
            Result(
                check="reading",
                verdict=Verdict.PASS,
                reason="r",
                check_id="C02",
                part="T1",
                instruments=("MB-02",),
                functions=functions,
                limits_set="plan",
            )
        )
        state = read_state(plan, record.book, record.clock.utc_ns())
        assert state.checks["C02"].state is expected
        assert (
            state.checks["C02"].reason
            == f"measured with MB-02 after it failed its check standard (entry {bad})"
        )
        assert state.holds["H1"].state is HoldState.SHUT


@pytest.mark.parametrize(
    "words",
    [
        ("supply", "--nameplate", "5 V dc 1 A", "--reading", "5.00 V dc", "--meter", "MB-02"),
        ("continuity", "--reading", "50.0 mV dc", "--meter", "MB-02", "--current", "0.500 A dc", "--max", "1 ohm"),
        ("crosscheck", "--reading", "MA-01=5.00 V dc", "--reading", "MB-02=5.00 V dc"),
    ],
)  # fmt: skip
def test_one_shot_commands_say_so(desk: Desk, words: tuple[str, ...]) -> None:
    """A finding with the date and the way out, exit code 3; ohms are not concerned."""
    before = desk.run(*words, "--no-record", "--json")
    assert before.code == 0
    desk.run("standard", "MB-02", "CS-3", "5.50 V dc")
    said = desk.run(*words, "--json")
    assert said.code == 3
    assert said.json["findings"][0].startswith("MB-02 failed its check standard on 2026-03-02: its readings")
    ohms = desk.run(
        "continuity", "--reading", "0.4 ohm", "--meter", "MB-02", "--max", "2 ohm", "--json"
    )  # ratiometric
    assert not any("failed its check standard" in f for f in ohms.json.get("findings", ()))


def compared(a: str, b: str) -> Result:
    """A comparison of MA-01 and MB-02."""
    statements = {"MA-01": "0.5 % + 2", "MB-02": "0.8 % + 2"}
    return check_crosscheck(
        [
            Metered(parse_displayed(text, instrument=tag), parse_accuracy(statements[tag]))
            for tag, text in (("MA-01", a), ("MB-02", b))
        ]
    )


def recalled(record: Record, result: Result, low: float, high: float) -> Any:
    """What becomes of a comparison when MB-02 was off by this."""
    ref = record.book.append_result(result)
    failure = Failure("MB-02", "V=", 0, ref.seq, low, high)
    (one,) = recall_results([e for e in record.book.entries("result") if e.seq == ref.seq], failure).results
    return one


def test_a_recalled_comparison_is_done_again_with_the_reading_corrected(record: Record) -> None:
    """A gain error shifts the difference, it does not scale E_n; no unit "1", no "± 0"."""
    result = compared("10.00 V dc", "10.01 V dc")
    e_n = result.quantities["e_n"].value
    width = 0.01 / e_n
    again = recalled(record, result, 0.0, 0.10)
    assert again.kind is RecallClass.AGAIN
    # By hand: 10.01 V / 1.10 = 9.100 V, so MA-01 read 0.900 V more.
    assert f"E_n 0.00 to {(10.0 - 10.01 / 1.10) / width:.2f}" in again.reason
    assert "-10.00 mV to 900.0 mV" in again.reason
    wider = recalled(record, result, 0.0, 0.005)
    assert wider.kind is RecallClass.WIDER
    assert f"to {(10.0 - 10.01 / 1.005) / width:.2f}" in wider.reason
    assert recalled(record, result, 0.0, 0.0002).kind is RecallClass.STANDS
    for one in (again, wider):
        assert " 1," not in one.reason
        assert "±" not in one.reason


def test_equal_readings_are_compared_again_too(record: Record) -> None:
    """E_n 0 tells no width: the stated uncertainty stands in for it."""
    assert recalled(record, compared("10.00 V dc", "10.00 V dc"), 0.0, 0.10).kind is RecallClass.AGAIN


def test_a_slip_of_a_prefix_starts_no_recall_in_a_script(desk: Desk) -> None:
    """5.01 mV on 5 V: exit 3, the question in words, no recall; --as-read holds it against the meter."""
    said = desk.run("standard", "MB-02", "CS-3", "5.01 mV dc", "--json")
    assert said.code == 3
    assert said.json["verdict"] == "not done"
    assert said.json["recall"] is None
    assert "prefix" in said.json["reason"]
    with Logbook.open(desk.logbook, clock=desk.clock, mode="ro", create=False) as book:
        assert [e.kind for e in book.entries()][-1] == "exploratory"
        assert not list(book.entries(("standard", "recall")))
    stands = desk.run("standard", "MB-02", "CS-3", "5.01 mV dc", "--as-read", "--json")
    assert stands.code == 1
    assert stands.json["recall"] is not None


def test_the_question_comes_first_at_a_terminal(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A person who reads the display again types it anew."""
    monkeypatch.setattr("helpers.desk.io.StringIO", Terminal)
    said = desk.run("standard", "MB-02", "CS-3", "5.01 mV dc", "--json", stdin="5.01 V dc\n")
    assert said.code == 0
    assert "what does the display show" in said.err


def test_the_round_ends_in_exit_3_when_nothing_was_read(desk: Desk) -> None:
    """At the end of the input it says what is missing, on a line of its own."""
    nothing = desk.run("standard", "MB-02", stdin="")
    assert nothing.code == 3
    assert "the input ended: CS-3, CS-9, CS-10 not read" in nothing.err.splitlines()
    left_out = desk.run("standard", "MB-02", stdin="\n\n\n")
    assert left_out.code == 3
    assert "no standard was read" in left_out.err
    half = desk.run("standard", "MB-02", stdin="5.01\n")
    assert half.code == 3
    failed = desk.run("standard", "MB-02", stdin="5.50\n")
    assert failed.code == 1


def test_the_round_reads_a_linked_meter(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Enter takes the reading over the link, s leaves a standard out."""
    text = desk.bench.read_text(encoding="utf-8")
    desk.bench.write_text(text.replace('address = "typed:"', 'address = "sim:MB-02"'), encoding="utf-8")
    asked = []

    def link(ctx: object, meter: str, function: Any = None, **more: Any) -> Any:
        asked.append((meter, str(function)))
        return parse_displayed("5.01 V dc", instrument=meter)

    monkeypatch.setattr("benchlog.cli.typed.live_reading", link)
    said = desk.run("standard", "MB-02", "--json", stdin="\ns\ns\n")
    assert said.code == 0
    assert asked == [("MB-02", "V=")]
    assert [line["details"]["standard"] for line in said.lines] == ["CS-3"]


def test_a_second_failure_in_a_round_points_to_the_list_above(desk: Desk) -> None:
    """What is listed is not denied by the next line."""
    desk.run("supply", "--nameplate", "5 V dc 1 A", "--reading", "5.00 V dc", "--meter", "MB-02")
    said = desk.run("standard", "MB-02", stdin="5.50\n9.90\n\n")
    assert said.code == 1
    assert "nothing more than listed above" in said.words
    assert "nothing in the logbook rested on it" not in said.words


def test_no_chart_alarm_before_there_is_a_base_line(desk: Desk) -> None:
    """One earlier reading is no base line: only with E_n near its limit does the chart speak."""
    desk.run("standard", "MB-02", "CS-3", "5.00 V dc")
    quiet = desk.run("standard", "MB-02", "CS-3", "5.03 V dc", "--json").json
    assert quiet["findings"] == []
    assert quiet["details"]["chart"]["signal"] == "quiet"
    loud = desk.run("standard", "MB-02", "CS-3", "5.06 V dc", "--json").json
    assert loud["findings"][0].startswith("chart alarm: ")
    assert loud["findings"][0].endswith(" standard deviations from its own base line (alarm above 3)")


def test_status_names_meters_never_checked(desk: Desk) -> None:
    """Meters of the bench file without a check standard, and a session that left no note."""
    plan = desk.folder / "plan.toml"
    desk.run("standard", "MB-02", "CS-3", "5.01 V dc")
    said = desk.run("status", plan)
    assert "meter MA-01: never checked against a standard" in said.words
    assert "MB-02: never checked" not in said.words
    assert "left at the last session: nothing noted" in said.words
    assert desk.status(plan)["never_checked"] == ["MA-01"]


def test_a_certificate_without_a_plan_does_not_count_it_either(record: Record) -> None:
    """A pass written down while the meter was in doubt is indeterminate on paper."""
    from benchlog.report.facts import gather

    record.standard("fail")
    passed = Result(
        check="reading", verdict=Verdict.PASS, reason="r", instruments=("MB-02",), functions={"MB-02": "V="}
    )
    record.book.append_result(passed)
    facts = gather(record.book, None, record.clock.utc_ns())
    assert [t.verdict for t in facts.tested] == ["indeterminate"]
    assert not facts.clean
    assert [(m.tag, m.word) for m in facts.meters] == [("MB-02", "do not trust")]


def test_a_list_keeps_every_function_a_meter_was_used_on(desk: Desk) -> None:
    """Volts, then ohms with one meter: the volts failed, so the list is in doubt, whatever was last."""
    item = '[[check.item]]\ntake = "reading"\nname = "{0}"\nfunction = "{1}"\nmeter = "MB-02"\nlimits = {{ high = "{2}" }}\n'
    listed = '[[check]]\nid = "C02"\nkind = "list"\npart = "T1"\n'
    listed += item.format("rail", "V=", "6 V") + item.format("lead", "ohm", "2 ohm")
    start, end = PLAN.index("[[check]]"), PLAN.index("[[hold]]")
    plan = desk.write("list.toml", PLAN[:start] + listed + PLAN[end:])
    answers = ["C02/rail: 5.00 V", "C02/lead: 0.4 ohm"]
    assert desk.answer(plan, "C02", answers).code == 0
    desk.run("standard", "MB-02", "CS-3", "5.50 V dc")
    assert desk.answer(plan, "C02", answers).code == 3
    assert desk.status(plan)["hold"]["H1"]["state"] == "shut"


def test_the_round_of_a_scripted_session_asks_about_a_prefix_too(desk: Desk) -> None:
    """run --standards from a file: millivolts on 5 V are kept as exploratory, nothing is recalled."""
    said = desk.answer(
        desk.folder / "plan.toml",
        "C02",
        ["start/MB-02/tips/reading: 0.2 ohm", "start/MB-02/CS-3/reading: 5.01 mV",
         "start/MB-02/CS-10/reading: 10.00 kohm", "C02/reading: 5.00 V"],
        "--standards",
    )  # fmt: skip
    assert "prefix" in said.words
    with Logbook.open(desk.logbook, clock=desk.clock, mode="ro", create=False) as book:
        assert [e.body["displayed"] for e in book.entries("exploratory")] == ["5.01 mV"]
        assert not list(book.entries("recall"))
