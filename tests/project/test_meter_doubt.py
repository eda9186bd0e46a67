"""A meter that failed its check standard proves nothing until it passes: what the record makes doubtful.

The story: MB-02 fails on 5.000 V, is used all the same, gets a new battery, and is believed again.
"""

from __future__ import annotations

import pytest
from helpers.checked_meter import MINUTE_S, CheckedMeter, shown

from benchlog.project.check_standard import StandardValue, check_standard, failure_of
from benchlog.project.meter_doubt import Doubt, last_good, with_doubt
from benchlog.project.state import CheckState, HoldState
from benchlog.report.facts import gather
from benchlog.result import Result, Verdict


def test_a_failure_makes_every_function_of_that_reference_doubtful(record: CheckedMeter) -> None:
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
    record: CheckedMeter, standard: str, function: str, minutes: float, more: dict[str, str], ended: bool
) -> None:
    """A lucky pass among fails doesn't, nor another reference; the same standard, another round, as left do."""
    record.standard("fail")
    record.clock.advance(minutes * MINUTE_S)
    record.standard("pass", standard, function, **more)
    assert (record.doubt() is None) is ended


def test_taking_the_recall_back_takes_the_doubt_back(record: CheckedMeter) -> None:
    """The wrong standard was used: as if it had never been. A blame by hand likewise."""
    bad = record.standard("fail")
    auto = record.book.append(
        "recall", {"meter": "MB-02", "function": "V=", "reason": "", "to_entry": bad, "results": []}
    )
    record.book.append("recall undone", {"entry": auto.seq, "meter": "MB-02", "reason": "wrong standard"})
    assert record.doubt() is None
    blamed = record.book.append(
        "recall", {"meter": "MB-02", "function": "V~", "reason": "", "to_entry": auto.seq, "results": []}
    )
    found = record.doubt("V~")
    assert found is not None
    assert found.reason == f"measured with MB-02 after it was found bad (entry {blamed.seq})"
    record.book.append("recall undone", {"entry": blamed.seq, "meter": "MB-02", "reason": "not so"})
    assert record.doubt("V~") is None


def test_a_lucky_pass_of_a_frozen_meter_is_not_last_good(record: CheckedMeter) -> None:
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


def test_the_same_digits_on_different_standards_are_named(record: CheckedMeter) -> None:
    """5.00 V on 5 V and on 9 V: the display may be frozen; and the pass on 5 V is not last good."""
    now = record.clock.utc_ns()
    five = shown("5.00 V dc", "MB-02")
    first = check_standard(five, StandardValue("CS-3", 5.0, 0.0025, "V"), [], now)
    assert first.verdict is Verdict.PASS
    assert first.findings == ()
    record.book.append("standard", first.body(as_left=False))
    history = list(record.book.entries("standard"))
    second = check_standard(five, StandardValue("CS-9", 9.0, 0.0045, "V"), history, now)
    assert any("shows 5.00 V dc on 2 standards" in f and "frozen" in f for f in second.findings)
    assert failure_of(second, history, 99).last_good == 0


def test_a_result_in_doubt_is_indeterminate_but_a_failed_comparison_stays() -> None:
    """Pass and fail are not verdicts of a bad meter; that two meters differ is."""
    doubt = Doubt("MB-02", "V=", standard="CS-3", entry=7, time="2026-06-06T10:00:00Z")
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


def test_a_result_written_as_passed_does_not_count_either(record: CheckedMeter) -> None:
    """The record decides, not the verdict stored: a pass in doubt is indeterminate for the plan."""
    bad = record.standard("fail")
    for functions in ({"MB-02": "V="}, {}):
        record.record("C02", instruments=("MB-02",), functions=functions)
        status = record.state.checks["C02"]
        assert status.state is CheckState.INDETERMINATE
        assert status.reason == f"measured with MB-02 after it failed its check standard (entry {bad})"
        assert record.state.holds["H1"].state is HoldState.SHUT


def test_a_certificate_without_a_plan_does_not_count_it_either(record: CheckedMeter) -> None:
    """A pass written down while the meter was in doubt is indeterminate on paper."""
    record.standard("fail")
    passed = Result(
        check="reading", verdict=Verdict.PASS, reason="r", instruments=("MB-02",), functions={"MB-02": "V="}
    )
    record.book.append_result(passed)
    facts = gather(record.book, None, record.clock.utc_ns())
    assert [t.verdict for t in facts.tested] == ["indeterminate"]
    assert not facts.clean
    assert facts.meters[0].startswith("MB-02: in doubt since 2")
