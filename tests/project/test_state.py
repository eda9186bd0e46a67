"""Hold points and check states: the rules under which evidence counts."""

from __future__ import annotations

import msgspec
import pytest
from helpers.plan_text import hold, part, plan_text, reading_check
from helpers.planned_project import PlannedProject
from helpers.small_logbook import standard_body

from benchlog.errors import HoldRefusedError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.project.release import take_step
from benchlog.project.state import CheckState, HoldState, read_state
from benchlog.result import DesignCheck, Result, Verdict

PLAN = plan_text(
    part("T1", feeds=["REC"]),
    part("T2"),
    part("REC", stored_energy="1000 µF at 40 V: 0.8 J"),
    reading_check("C03", "V~", low="26 V", high="30 V"),
    reading_check("C04", "V~", low="20 V", after=["C03"], valid_days=30),
    reading_check("C13", "V=", high="40.9 V", part="REC"),
    hold("H1", "open the case of T1", "C03", "C04"),
    hold("H2", "mains on the bare transformer", "C13", after_holds=["H1"]),
    mains="230 V",
)


@pytest.fixture
def project(tmp_path):
    """An empty project."""
    with PlannedProject(tmp_path, PLAN) as made:
        yield made


def test_nothing_done_nothing_released(project):
    """Checks are due, later ones blocked, the hold is not released and says why."""
    assert project.state.checks["C03"].state is CheckState.DUE
    assert project.state.checks["C04"].state is CheckState.BLOCKED
    with pytest.raises(HoldRefusedError) as caught:
        project.release()
    assert "C03 to do" in str(caught.value)
    assert caught.value.exit_code == 1


def test_a_skipped_check_says_why_until_it_is_done(project):
    """Its reason is there; a result afterwards counts alone."""
    project.book.append("skip", {"check_id": "C03", "part": "T1", "reason": "no load at hand"})
    assert project.state.checks["C03"].state is CheckState.DUE
    assert (
        project.state.checks["C03"].reason == project.state.checks["C03"].before == "skipped: no load at hand"
    )
    project.record("C03")
    assert project.state.checks["C03"].state is CheckState.PASSED


PRACTISED = (Finding(FindingKind.SIMULATED, "practice"),)


def test_practice_releases_nothing_on_a_real_bench(project):
    """Results, releases and steps of the simulated bench count only while everything is practice."""
    for check in ("C03", "C04"):
        project.record(check, findings=PRACTISED)
    project.release(practice=True)
    take_step(project.plan, project.book, "H1", project.clock.utc_ns(), practice=True)
    assert project.state.holds["H1"].state is HoldState.TAKEN
    real = read_state(project.plan, project.book, project.clock.utc_ns(), practice=False)
    assert real.holds["H1"].state is HoldState.SHUT
    assert real.checks["C03"].reason == "practised on the simulated bench, not measured yet"
    with pytest.raises(HoldRefusedError, match="C03 to do: practised"):
        project.release(practice=False)
    project.record("C03")  # one real result, and practice no longer counts beside it
    assert project.state.checks["C03"].state is CheckState.PASSED
    assert project.state.checks["C04"].state is CheckState.DUE
    project.record("C03", Verdict.FAIL, findings=PRACTISED)  # nor does it take anything away
    assert project.state.checks["C03"].state is CheckState.PASSED


def test_only_what_was_done_before_is_said_of_last_time(project):
    """A check that was never begun has no last time, also while it waits for a hold point; a failed one has."""
    assert {status.before for status in project.state.checks.values()} == {""}
    assert CheckState.BLOCKED in {status.state for status in project.state.checks.values()}
    project.record("C03", Verdict.FAIL)
    assert project.state.checks["C03"].before == project.state.checks["C03"].reason != ""


def test_evidence_in_opens_the_hold(project):
    """Both passed: ready, released with the digests of its evidence, then taken."""
    first, second = project.record("C03"), project.record("C04")
    assert project.state.holds["H1"].state is HoldState.READY
    ref, word = project.release()
    assert word == "released"
    entry = next(e for e in project.book.entries("release") if e.seq == ref.seq)
    assert [e["entry"] for e in entry.body["rests_on"]] == [first, second]
    project.take()
    assert project.state.holds["H1"].state is HoldState.TAKEN


@pytest.mark.parametrize("verdict", [Verdict.FAIL, Verdict.INDETERMINATE, Verdict.NOT_DONE])
def test_only_a_pass_counts(project, verdict):
    """Fail, indeterminate and not done all keep it closed."""
    project.record("C03", verdict)
    project.record("C04")
    with pytest.raises(HoldRefusedError):
        project.release()


def test_a_failed_design_check_keeps_it_shut(project):
    """A pass whose design check fails is not a pass for a hold point."""
    failed = DesignCheck(
        "capacitor_rating", Verdict.FAIL, 41.4, 35.0, "V", "35 V capacitor is not rated for 41.4 V"
    )
    project.record("C03", design_checks=(failed,))
    assert project.state.checks["C03"].state is CheckState.FAILED
    assert "35 V" in project.state.checks["C03"].reason


def test_a_passing_test_of_another_part_never_opens_a_hold(project):
    """The same check passed on T2 proves nothing about T1."""
    project.record("C03", part="T2")
    project.record("C04")
    assert project.state.checks["C03"].state is CheckState.DUE
    with pytest.raises(HoldRefusedError, match="T2"):
        project.release()


def test_typed_limits_prove_nothing(project):
    """Limits typed with the reading came after it."""
    project.record("C03", limits_set="typed")
    assert project.state.checks["C03"].state is CheckState.DUE


def test_an_edited_check_is_flagged(project):
    """Limits changed after the reading make the result stale."""
    project.record("C03", check_revision="000000000000")
    status = project.state.checks["C03"]
    assert status.state is CheckState.STALE
    assert "edited after its reading" in status.reason


def test_results_age(project):
    """C04 is good for 30 days."""
    project.record("C03")
    project.record("C04")
    project.days(29)
    assert project.state.holds["H1"].state is HoldState.READY
    project.days(2)
    assert project.state.checks["C04"].state is CheckState.STALE
    assert project.state.holds["H1"].state is HoldState.SHUT


def test_the_latest_result_counts_and_a_superseded_one_never(project):
    """A repeat replaces; superseding takes it back."""
    project.record("C03", Verdict.FAIL)
    second = project.record("C03")
    assert project.state.checks["C03"].state is CheckState.PASSED
    project.book.supersede(second, "wrong leads were used")
    assert project.state.checks["C03"].state is CheckState.FAILED


def test_substitution_reopens_the_part_and_what_it_feeds(project):
    """Another transformer re-opens C03, C04 and the rectifier's C13."""
    for check_id in ("C03", "C04", "C13"):
        project.record(check_id)
    project.release()
    project.book.append("substitution", {"part": "T1", "what": "18 V instead of 24 V", "reason": "supply"})
    assert {c: s.state for c, s in project.state.checks.items()} == dict.fromkeys(
        ("C03", "C04", "C13"), CheckState.STALE
    )
    assert project.state.holds["H1"].state is HoldState.SHUT


def test_a_changed_part_state_makes_results_stale(project):
    """Tested as received, now fitted."""
    project.record("C03")
    project.book.append("part", {"part": "T1", "state": "opened"})
    assert project.state.checks["C03"].state is CheckState.STALE


def recall(project, seq, kind="measure again"):
    """Recall one result with MB-02."""
    return project.book.append(
        "recall",
        {
            "meter": "MB-02",
            "function": "V=",
            "reason": "failed CS-3",
            "results": [{"entry": seq, "check_id": "C03", "part": "T1", "class": kind}],
        },
    )


def test_recall_before_the_step_closes_the_hold_and_names_the_check(project):
    """Recalled evidence: not released, C03 named."""
    seq = project.record("C03")
    project.record("C04")
    project.release()
    recall(project, seq)
    status = project.state.holds["H1"]
    assert status.state is HoldState.SHUT
    assert len(status.missing) == 1
    assert status.missing[0].startswith("C03 is recalled")


def test_recall_after_the_step_is_taken_on_recalled_evidence(project):
    """What is done can't be undone, but it is said."""
    seq = project.record("C03")
    project.record("C04")
    project.release()
    project.take()
    recall(project, seq)
    assert project.state.holds["H1"].state is HoldState.TAKEN_RECALLED
    seen = project.overview
    assert "evidence that was recalled since: measure C03 again" in seen.next_action


def test_a_recall_of_class_stands_changes_nothing_and_can_be_undone(project):
    """Class 'stands' keeps the pass; undoing a recall is a new entry."""
    seq = project.record("C03")
    project.record("C04")
    recall(project, seq, "stands with wider uncertainty")
    assert project.state.checks["C03"].state is CheckState.PASSED
    bad = recall(project, seq)
    assert project.state.checks["C03"].state is CheckState.RECALLED
    project.book.append("recall undone", {"entry": bad.seq, "reason": "wrong meter named"})
    assert project.state.checks["C03"].state is CheckState.PASSED


def test_of_several_recalls_the_most_urgent_decides(project):
    """A second recall that lets the result count does not lift the first, nor does taking the second back."""
    seq = project.record("C03")
    recall(project, seq)
    later = recall(project, seq, "stands")
    assert project.state.checks["C03"].state is CheckState.RECALLED
    project.book.append("recall undone", {"entry": later.seq, "reason": "wrong meter named"})
    assert project.state.checks["C03"].state is CheckState.RECALLED


def test_concession_needs_a_reason_and_says_what_was_missing(project):
    """A typed reason releases against the rule; one word is none; where all is in it is not needed."""
    with pytest.raises(UsageError, match="needs a reason of two words"):
        project.release(concession="ok")
    ref, word = project.release(concession="spare supply at hand, part was cheap")
    assert word == "released by concession"
    entry = next(e for e in project.book.entries("concession") if e.seq == ref.seq)
    assert len(entry.body["missing"]) == 2
    assert project.state.holds["H1"].state is HoldState.CONCESSION


def test_no_concession_without_need(project):
    """Evidence in: a concession is refused."""
    project.record("C03")
    project.record("C04")
    with pytest.raises(UsageError, match="needs no concession"):
        project.release(concession="just to be sure")


def test_a_step_needs_a_release_and_a_hold_its_predecessor(project):
    """H2 waits for H1; a step can't be recorded before its hold is released."""
    with pytest.raises(HoldRefusedError):
        project.take()
    project.record("C13")
    with pytest.raises(HoldRefusedError, match="H1 is not released"):
        project.release("H2")


def test_status_after_months_answers_the_five_questions(project):
    """What next, what is proven on T1, which meter to trust, what was substituted, is anything charged."""
    project.record("C03")
    project.book.append("standard", standard_body("MA-01", "pass"))
    project.book.append("standard", standard_body("MB-02", "fail"))
    project.book.append("substitution", {"part": "T2", "what": "other supplier", "reason": "sold out"})
    project.book.begin_session()
    project.book.end_session({"left": "C1 charged to 30 V", "next": "discharge C1"})
    project.days(90)
    seen = project.overview
    assert seen.next_action.startswith("do C04 on T1")
    assert seen.state.checks["C03"].state is CheckState.PASSED
    assert {m.tag: m.word for m in seen.meters} == {"MA-01": "check first", "MB-02": "do not trust"}
    assert [s.body["part"] for s in seen.state.substitutions] == ["T2"]
    assert (seen.left, seen.noted) == ("C1 charged to 30 V", "discharge C1")
    project.book.begin_session()
    project.book.end_session({"next": "go on with the plan"})  # as earlier versions wrote it
    assert (project.overview.left, project.overview.noted) == ("C1 charged to 30 V", "")
    assert seen.stored_energy == ("REC : 1000 µF at 40 V: 0.8 J",)


def test_result_json_round_trip(project):
    """What is read back from the logbook equals what was written."""
    project.record("C03")
    entry = next(iter(project.book.entries("result")))
    result = Result.from_json(entry.body)
    assert msgspec.to_builtins(Result.from_json(result.to_json())) == msgspec.to_builtins(result)
