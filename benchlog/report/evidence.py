"""Results a certificate rests on: those of a plan's checks, or without a plan the latest of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.logbook import Entry
from benchlog.plan import Plan
from benchlog.project.meter_doubt import MeterDoubts, with_doubt
from benchlog.project.recall import RecallClass
from benchlog.project.state import CheckState, HoldStatus, project_state
from benchlog.result import Result, Verdict


@dataclass(frozen=True, slots=True)
class Counted:
    """One result that is shown, and what it counts as."""

    entry: Entry
    result: Result
    state: CheckState

    @property
    def name(self) -> str:
        """The plan's id of the check, or its kind."""
        return self.result.check_id or self.result.check


@dataclass(frozen=True, slots=True)
class Evidence:
    """What there is, and what there is not.

    Attributes
    ----------
    counted : tuple of Counted
        In the plan's order, or that of the record.
    standing : tuple of str
        Checks that are passed although their results were recalled.
    not_tested : tuple of str
    holds : tuple of HoldStatus
    substitutions, recalls : tuple of Entry
    """

    counted: tuple[Counted, ...]
    standing: tuple[str, ...]
    not_tested: tuple[str, ...]
    holds: tuple[HoldStatus, ...]
    substitutions: tuple[Entry, ...]
    recalls: tuple[Entry, ...]

    @property
    def results(self) -> tuple[tuple[Entry, Result], ...]:
        """The results shown."""
        return tuple((c.entry, c.result) for c in self.counted)


def evidence_of(plan: Plan | None, entries: Sequence[Entry], now_utc_ns: int) -> Evidence:
    """Evidence in a logbook's entries, as a plan asks for it where there is one."""
    return _of_record(entries) if plan is None else _of_plan(plan, entries, now_utc_ns)


def _of_plan(plan: Plan, entries: Sequence[Entry], now_utc_ns: int) -> Evidence:
    state = project_state(plan, entries, now_utc_ns)
    checks = state.checks.values()
    return Evidence(
        counted=tuple(Counted(s.entry, s.result, s.state) for s in checks if s.entry and s.result),
        standing=tuple(s.check.id for s in checks if s.recall and s.state is CheckState.PASSED),
        not_tested=tuple(
            f"{s.check.id} {s.check.title or s.check.part}: {s.reason}" for s in checks if s.entry is None
        ),
        holds=tuple(state.holds.values()),
        substitutions=state.substitutions,
        recalls=state.recalls,
    )


def _of_record(entries: Sequence[Entry]) -> Evidence:
    undone = {int(entry.body["entry"]) for entry in entries if entry.kind == "recall undone"}
    recalls = tuple(entry for entry in entries if entry.kind == "recall" and entry.seq not in undone)
    recalled = {
        int(item["entry"]): RecallClass(item["class"]) for entry in recalls for item in entry.body["results"]
    }
    counted = _latest_each(entries, recalled)
    return Evidence(
        counted=counted,
        standing=tuple(c.name for c in counted if c.entry.seq in recalled and c.state is CheckState.PASSED),
        not_tested=(),
        holds=(),
        substitutions=tuple(entry for entry in entries if entry.kind == "substitution"),
        recalls=recalls,
    )


def _latest_each(entries: Sequence[Entry], recalled: dict[int, RecallClass]) -> tuple[Counted, ...]:
    """Latest result of each check (or kind of check) on each part."""
    superseded = {int(entry.body["entry"]) for entry in entries if entry.kind == "supersede"}
    doubts = MeterDoubts(entries)
    states = {Verdict.PASS: CheckState.PASSED, Verdict.FAIL: CheckState.FAILED}
    latest: dict[tuple[str, str, str], Counted] = {}
    for entry in entries:
        if entry.kind != "result" or entry.seq in superseded:
            continue
        result = Result.from_json(entry.body)
        # Results that name neither part nor check of a plan are each a thing of their own.
        own = "" if result.check_id else f"entry {entry.seq}"
        key = (result.check_id, result.check, result.part or own)
        latest.pop(key, None)
        believed = with_doubt(result, doubts.behind(result, at=entry.seq))
        state = states.get(believed.overall, CheckState.INDETERMINATE)
        if not recalled.get(entry.seq, RecallClass.STANDS).counts:
            state = CheckState.RECALLED
        latest[key] = Counted(entry, result, state)
    return tuple(latest.values())
