"""Results shown on a certificate, and their history.

The results are those of a plan's checks, or without a plan the latest of each check. The history is earlier failures,
withdrawals and skipped checks, and what was done about them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from benchlog.finding import FindingKind
from benchlog.logbook import Entry
from benchlog.logbook.recalled import Recalled, Recalls
from benchlog.plan import Plan
from benchlog.project.meter_doubt import MeterDoubts, with_doubt
from benchlog.project.state import CheckState, HoldStatus, project_state
from benchlog.result import Result, Verdict

HISTORY_KINDS = ("result", "supersede", "skip", "substitution", "part")


def history(entries: Sequence[Entry], listed: Collection[int]) -> tuple[str, ...]:
    """One line for each earlier failure, withdrawal and skipped check, oldest first.

    Parameters
    ----------
    entries : sequence of Entry
        Of `HISTORY_KINDS`, in order.
    listed : collection of int
        Entries of the results in the table.

    Notes
    -----
    What was done about it: the part was replaced or changed its state, and the next result of the same check on that part.
    """
    results = {e.seq: Result.from_json(e.body) for e in entries if e.kind == "result"}
    withdrawn = {int(e.body["entry"]): e for e in entries if e.kind == "supersede"}
    lines = []
    for entry in entries:
        if entry.kind == "skip":
            check_id, part = str(entry.body.get("check_id", "")), str(entry.body.get("part", ""))
            said = f"skipped: {entry.body.get('reason', '')}"
        elif entry.kind == "result" and entry.seq not in listed:
            result = results[entry.seq]
            check_id, part = result.check_id or result.check, result.part
            said = _not_counted(result, withdrawn.get(entry.seq))
        else:
            continue
        if not said:
            continue
        done = "; ".join(_done(entries, entry.seq, check_id, part, results)) or "not measured again"
        name = " ".join(filter(None, (check_id.replace("_", " "), part)))
        lines.append(f"{name} ({entry.time[:10]}, entry {entry.seq}): {said}. Then: {done}")
    return tuple(lines)


def _not_counted(result: Result, withdrawal: Entry | None) -> str:
    """Why a result no longer counts; empty if the check was simply repeated."""
    if withdrawal is None and result.overall in (Verdict.PASS, Verdict.NOT_DONE):
        return ""
    asked = [f for f in result.findings if f.kind is FindingKind.ENTRY]
    said = "; ".join([f"{result.overall}: {result.overall_reason}", *asked])
    return said if withdrawal is None else f"withdrawn ({withdrawal.body.get('reason', '')}); it was {said}"


def failed_before(entries: Sequence[Entry], listed: Mapping[int, Result]) -> dict[tuple[str, str], list[int]]:
    """Earlier failures of listed results: for each check and part that was done again, the entries.

    Parameters
    ----------
    listed : mapping of int to Result
        Results in the table, by entry.
    """
    shown = {(r.check_id or r.check, r.part) for r in listed.values()}
    failed: dict[tuple[str, str], list[int]] = {}
    for entry in entries:
        if entry.kind == "result" and entry.seq not in listed:
            result = Result.from_json(entry.body)
            key = (result.check_id or result.check, result.part)
            if result.overall is Verdict.FAIL and key in shown:
                failed.setdefault(key, []).append(entry.seq)
    return failed


def _done(
    entries: Sequence[Entry], seq: int, check_id: str, part: str, results: dict[int, Result]
) -> list[str]:
    """Describe what was done to the part before its next result of the same check, and that result."""
    words = []
    for later in (e for e in entries if e.seq > seq):
        body = later.body
        if later.kind == "substitution" and body["part"] == part:
            words.append(f"{body['what']} ({body['reason']})")
        elif later.kind == "part" and body["part"] == part:
            words.append(f"{part} is now {body['state']}")
        elif later.kind == "result":
            result = results[later.seq]
            if (result.check_id or result.check, result.part) == (check_id, part):
                return [*words, f"{result.overall} in entry {later.seq}"]
    return words


@dataclass(frozen=True, slots=True)
class Counted:
    """One result that is shown, and what it counts as."""

    entry: Entry
    result: Result
    state: CheckState
    recalled: tuple[Recalled, ...] = ()  #: What recalls say of it.

    @property
    def name(self) -> str:
        """The plan's id of the check, or its kind in words."""
        return self.result.check_id or self.result.check.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Evidence:
    """The evidence found, and the checks without any."""

    counted: tuple[Counted, ...]  #: In the plan's order, or that of the record.
    not_tested: tuple[str, ...]
    holds: tuple[HoldStatus, ...]
    substitutions: tuple[Entry, ...]
    recalls: tuple[Entry, ...]

    @property
    def still_valid(self) -> tuple[Counted, ...]:
        """Checks that are passed although their results were recalled."""
        return tuple(c for c in self.counted if c.recalled and c.state is CheckState.PASSED)

    @property
    def results(self) -> tuple[tuple[Entry, Result], ...]:
        """The results shown."""
        return tuple((c.entry, c.result) for c in self.counted)


def evidence_of(plan: Plan | None, entries: Sequence[Entry], now_utc_ns: int) -> Evidence:
    """Collect the evidence in a logbook's entries; with a plan, for each of its checks."""
    return _of_record(entries) if plan is None else _of_plan(plan, entries, now_utc_ns)


def _of_plan(plan: Plan, entries: Sequence[Entry], now_utc_ns: int) -> Evidence:
    state = project_state(plan, entries, now_utc_ns)
    checks = state.checks.values()
    return Evidence(
        counted=tuple(Counted(s.entry, s.result, s.state, s.recalls) for s in checks if s.entry and s.result),
        not_tested=tuple(
            f"{s.check.id} {s.check.title or s.check.part}: {s.reason}" for s in checks if s.entry is None
        ),
        holds=tuple(state.holds.values()),
        substitutions=state.substitutions,
        recalls=state.recalls,
    )


def _of_record(entries: Sequence[Entry]) -> Evidence:
    recalls = Recalls(entries)
    counted = _latest_each(entries, recalls)
    return Evidence(
        counted=counted,
        not_tested=(),
        holds=(),
        substitutions=tuple(entry for entry in entries if entry.kind == "substitution"),
        recalls=recalls.entries,
    )


def _latest_each(entries: Sequence[Entry], recalls: Recalls) -> tuple[Counted, ...]:
    """Latest result of each check (or kind of check) on each part."""
    superseded = {int(entry.body["entry"]) for entry in entries if entry.kind == "supersede"}
    doubts = MeterDoubts(entries)
    states = {Verdict.PASS: CheckState.PASSED, Verdict.FAIL: CheckState.FAILED}
    latest: dict[tuple[str, str, str], Counted] = {}
    for entry in entries:
        if entry.kind != "result" or entry.seq in superseded:
            continue
        result = Result.from_json(entry.body)
        # A result that names neither a part nor a check of a plan is listed on its own.
        own = "" if result.check_id else f"entry {entry.seq}"
        key = (result.check_id, result.check, result.part or own)
        latest.pop(key, None)
        believed = with_doubt(result, doubts.behind(result, at=entry.seq))
        state = states.get(believed.overall, CheckState.INDETERMINATE)
        recalled = recalls.of(entry.seq)
        if recalled and not recalled[0].kind.counts:
            state = CheckState.RECALLED
        latest[key] = Counted(entry, result, state, recalled)
    return tuple(latest.values())
