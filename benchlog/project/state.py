"""State of each check on its part, and which hold points may be released.

Pure: a plan, the logbook's entries and a time in; a frozen picture out. The rules:

- a result counts for a check only on the part the check names, for the check as it is now, with limits fixed before the
  reading (by the plan or computed, not typed with the reading);
- the latest result counts; a superseded one never does;
- what was measured, released or done on the simulated bench counts in practice only;
- a result measured outside the plan counts if it was adopted, with its own time and instruments;
- a result is stale if it is older than the check allows or the part is no longer in the state it was tested in;
- a recalled result counts only if the recall found it still valid;
- one measured with a meter in doubt (it failed its check standard and has not passed since) is indeterminate;
- a check that comes after a hold point waits until that is released;
- substituting a part re-opens its checks, those of everything it feeds, and every hold point that needs one of them,
since a release or step with the old part does not count for the new one. The new part starts in the state given in
the plan. A substitution in the plan counts immediately, recorded or not.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum

import msgspec

from benchlog.clock import DAY_NS
from benchlog.logbook import Logbook
from benchlog.logbook.chain import Entry
from benchlog.logbook.clock_steps import after_now, ago
from benchlog.logbook.recalled import Recalled, Recalls
from benchlog.plan import Check, Hold, Plan, Substitution
from benchlog.project.adoption import adopted
from benchlog.project.meter_doubt import MeterDoubts
from benchlog.result import Result, Verdict

#: Kinds of entries that decide the state of a project.
STATE_KINDS = (
    "result",
    "supersede",
    "recall",
    "recall undone",
    "standard",
    "substitution",
    "repair",
    "found bad",
    "adoption",
    "stop",
    "skip",
    "part",
    "release",
    "concession",
    "step",
)


class CheckState(StrEnum):
    """State of one check."""

    PASSED = "passed"
    FAILED = "failed"
    INDETERMINATE = "indeterminate"
    DUE = "due"
    BLOCKED = "blocked"
    STALE = "stale"
    RECALLED = "recalled"

    @property
    def words(self) -> str:
        """As people read it."""
        return {"indeterminate": "can't tell", "due": "to do"}.get(self.value, self.value)


class HoldState(StrEnum):
    """State of one hold point."""

    SHUT = "shut"
    READY = "ready to release"
    RELEASED = "released"
    CONCESSION = "released by concession"
    TAKEN = "taken"
    TAKEN_RECALLED = "taken on recalled evidence"

    @property
    def words(self) -> str:
        """As shown; the value is what scripts rely on."""
        return "not released" if self is HoldState.SHUT else self.value


class CheckStatus(msgspec.Struct, frozen=True):
    """One check: its state, why, the result that counts, and what recalls say of it."""

    check: Check
    state: CheckState
    reason: str
    result: Result | None = None
    entry: Entry | None = None
    recalls: tuple[Recalled, ...] = ()
    before: str = ""  #: Why what was done of it does not count; empty if nothing was, and if it is passed.

    @property
    def recall(self) -> str:
        """The most urgent of what recalls say of it, in words."""
        return self.recalls[0].words if self.recalls else ""


class HoldStatus(msgspec.Struct, frozen=True):
    """One hold point: its state, what is missing, the entry that released it or took the step, and its release.

    `released`, an entry of kind release or concession, stays after the step was taken.
    """

    hold: Hold
    state: HoldState
    missing: tuple[str, ...] = ()
    entry: Entry | None = None
    released: Entry | None = None

    @property
    def words(self) -> str:
        """Its state as shown."""
        shut_again = self.state is HoldState.SHUT and self.entry is not None
        return "released before, but no longer" if shut_again else self.state.words

    @property
    def concession(self) -> Entry | None:
        """The concession that released it, if one did."""
        return self.released if self.released is not None and self.released.kind == "concession" else None


class ProjectState(msgspec.Struct, frozen=True):
    """State of the project; `checks` and `holds` in the plan's order; `pending` substitutions are not recorded yet."""

    checks: dict[str, CheckStatus]
    holds: dict[str, HoldStatus]
    part_states: dict[str, str]
    substitutions: tuple[Entry, ...]
    recalls: tuple[Entry, ...]
    pending: tuple[Substitution, ...] = ()

    def held_by(self, check: Check) -> str | None:
        """Hold point before a check that is neither released nor taken."""
        return _held_by(check, self.holds)

    @property
    def next_check(self) -> CheckStatus | None:
        """The first check that is needed and can be done now."""
        return next(
            (s for s in self.checks.values() if s.state not in (CheckState.PASSED, CheckState.BLOCKED)), None
        )


def project_state(
    plan: Plan, entries: Iterable[Entry], now_utc_ns: int, *, practice: bool | None = None
) -> ProjectState:
    """Compute the state of every check and hold point.

    Parameters
    ----------
    entries : iterable of Entry
        Of the kinds in `STATE_KINDS`, in order; others are ignored.
    now_utc_ns : int
        Now; the age of results is counted back from here.
    practice : bool, optional
        Whether the bench is the simulated one. Default: if all results are from it.
    """
    found = _Sorted(plan, entries, practice)
    checks: dict[str, CheckStatus] = {}
    for check in plan.checks.values():
        status = _check_status(check, found, now_utc_ns)
        missing = [
            other for other in check.after if other in checks and checks[other].state is not CheckState.PASSED
        ]
        if missing and status.state is CheckState.DUE:
            waits = f"waits for {', '.join(missing)}"
            status = CheckStatus(check, CheckState.BLOCKED, waits, before=status.before)
        checks[check.id] = status
    holds: dict[str, HoldStatus] = {}
    for hold in plan.holds.values():
        holds[hold.id] = _hold_status(hold, checks, holds, found)
    for status in [s for s in checks.values() if s.state is CheckState.DUE]:
        if hold_id := _held_by(status.check, holds):
            waits = f"comes after hold {hold_id}, which is not released"
            checks[status.check.id] = CheckStatus(
                status.check, CheckState.BLOCKED, waits, before=status.before
            )
    return ProjectState(
        checks,
        holds,
        found.part_states,
        tuple(found.substitutions),
        found.recalls.entries,
        tuple(found.pending),
    )


def _held_by(check: Check, holds: Mapping[str, HoldStatus]) -> str | None:
    """Id of the hold point before a check that is neither released nor taken."""
    if check.after_hold is None or holds[check.after_hold].state not in (HoldState.SHUT, HoldState.READY):
        return None
    return check.after_hold


def read_state(plan: Plan, book: Logbook, now_utc_ns: int, *, practice: bool | None = None) -> ProjectState:
    """Compute the project's state from the logbook."""
    return project_state(plan, book.entries(STATE_KINDS), now_utc_ns, practice=practice)


class _Sorted:
    """The entries that decide the state, sorted by kind."""

    def __init__(self, plan: Plan, entries: Iterable[Entry], practice: bool | None) -> None:
        self.plan = plan
        self.results: dict[str, list[Entry]] = {}
        self.superseded: dict[int, Entry] = {}
        self.substitutions: list[Entry] = []
        self.releases: dict[str, Entry] = {}
        self.steps: dict[str, Entry] = {}
        self.left_undone: dict[str, Entry] = {}
        self.adoptions: dict[int, Entry] = {}
        self._outside: dict[int, Entry] = {}
        self.part_states = {p.tag: p.state for p in plan.parts.values()}
        kept = list(entries)
        self.practice = all(map(_is_practice, kept)) if practice is None else practice
        for entry in kept:
            self._sort(entry)
        self.doubts = MeterDoubts(kept)
        self.recalls = Recalls(kept)
        known = {(e.body["part"], e.body["what"]) for e in self.substitutions}
        self.pending = [s for s in plan.substitutions if (s.part, s.what) not in known]

    def substituted_since(self, seq: int, *check_ids: str) -> str:
        """Tag of a part substituted after an entry that re-opens one of these checks; empty if there is none."""
        parts = [str(e.body["part"]) for e in self.substitutions if e.seq > seq]
        parts += [s.part for s in self.pending]
        return next((p for p in parts if not set(check_ids).isdisjoint(self.plan.reopened_by(p))), "")

    def _adopt(self, adoption: Entry) -> None:
        original = self._outside.get(int(adoption.body["entry"]))
        if original is not None and original.digest == adoption.body["digest"]:
            self.adoptions[original.seq] = adoption
            self.results.setdefault(str(adoption.body["check_id"]), []).append(original)

    def _sort(self, entry: Entry) -> None:
        body = entry.body
        match entry.kind:
            case "result":
                self.results.setdefault(str(body.get("check_id", "")), []).append(entry)
                self._outside[entry.seq] = entry
            case "adoption":
                self._adopt(entry)
            case "supersede":
                self.superseded[int(body["entry"])] = entry
            case "substitution":
                self.substitutions.append(entry)
                part = str(body["part"])
                if part in self.plan.parts:
                    self.part_states[part] = self.plan.parts[part].state
            case "part":
                self.part_states[str(body["part"])] = str(body["state"])
            case "release" | "concession" | "step" if body.get("practice") and not self.practice:
                pass
            case "release" | "concession":
                self.releases[str(body["hold"])] = entry
            case "step":
                self.steps[str(body["hold"])] = entry
            case "stop" | "skip":
                self.left_undone[str(body.get("check_id", ""))] = entry


def _is_practice(entry: Entry) -> bool:
    """Whether an entry is a result from the simulated bench, or none."""
    return entry.kind != "result" or Result.from_json(entry.body).practice


def _check_status(check: Check, found: _Sorted, now_utc_ns: int) -> CheckStatus:
    notes: list[str] = []
    for entry in reversed(found.results.get(check.id, ())):
        if entry.seq in found.superseded:
            notes.append("the last result was withdrawn")
            continue
        result = Result.from_json(entry.body)
        adoption = None if result.check_id else found.adoptions.get(entry.seq)
        if adoption is not None:
            if adoption.seq in found.superseded:
                notes.append("its adopted result no longer counts")
                continue
            result = adopted(result, adoption)
        if result.part != check.part:
            notes.append(f"a result is for {result.part or 'no part'}, not for {check.part}")
            continue
        if result.practice and not found.practice:
            notes.append("practised on the simulated bench, not measured yet")
            continue
        if result.limits_set == "typed" and adoption is None:
            notes.append("a result has limits typed with the reading; it proves nothing here")
            continue
        return _judged(check, found, entry, result, now_utc_ns)
    last = found.left_undone.get(check.id)
    if last is not None and all(entry.seq < last.seq for entry in found.results.get(check.id, ())):
        skipped = f"skipped: {last.body.get('reason', '')}"
        notes.append(skipped if last.kind == "skip" else f"broken off {ago(last.utc_ns, now_utc_ns)}")
    before = "; ".join(dict.fromkeys(notes))
    return CheckStatus(check, CheckState.DUE, before or "not done yet", before=before)


def _judged(check: Check, found: _Sorted, entry: Entry, result: Result, now_utc_ns: int) -> CheckStatus:
    recalls = found.recalls.of(entry.seq)
    if recalls and not recalls[0].kind.counts:
        state, reason = CheckState.RECALLED, recalls[0].words
    elif stale := _stale(check, found, entry, result, now_utc_ns):
        state, reason = CheckState.STALE, stale
    else:
        state, reason = _believed(found, entry, result)
    before = "" if state is CheckState.PASSED else reason
    return CheckStatus(check, state, reason, result, entry, recalls, before)


def _stale(check: Check, found: _Sorted, entry: Entry, result: Result, now_utc_ns: int) -> str:
    """Why a result is no longer current; empty if it is."""
    if substituted := found.substituted_since(entry.seq, check.id):
        return f"re-opened: {substituted} was substituted"
    if result.check_revision and result.check_revision != check.revision:
        return "the check was edited after its reading"
    wanted = check.state or found.part_states.get(check.part, "")
    if result.part_state and result.part_state != wanted:
        return f"tested {result.part_state!r}, needed {wanted!r}"
    if check.valid_days is None:
        return ""
    if after_now(entry.utc_ns, now_utc_ns):
        return f"its age is not known: measured {ago(entry.utc_ns, now_utc_ns)}"
    if now_utc_ns - entry.utc_ns > check.valid_days * DAY_NS:
        return f"{(now_utc_ns - entry.utc_ns) // DAY_NS} days old, good for {check.valid_days}"
    return ""


#: State of a check by the verdict of its result.
_STATES = {
    Verdict.PASS: CheckState.PASSED,
    Verdict.FAIL: CheckState.FAILED,
    Verdict.INDETERMINATE: CheckState.INDETERMINATE,
    Verdict.NOT_DONE: CheckState.DUE,
}


def _believed(found: _Sorted, entry: Entry, result: Result) -> tuple[CheckState, str]:
    """What a current result counts as; indeterminate with a meter in doubt, except for a comparison that failed."""
    doubts = found.doubts.behind(result, at=entry.seq)
    if doubts and result.overall is not Verdict.NOT_DONE:
        stays = result.check == "crosscheck" and result.overall is Verdict.FAIL
        return CheckState.FAILED if stays else CheckState.INDETERMINATE, doubts[0].reason
    return _STATES[result.overall], result.overall_reason


#: Holds that let those after them open.
_BEHIND = (HoldState.RELEASED, HoldState.CONCESSION, HoldState.TAKEN)


def _still_before(other: str, holds: dict[str, HoldStatus]) -> str:
    now = holds[other].state if other in holds else HoldState.SHUT
    return "" if now in _BEHIND else f"{other} is {now.words}"


def _hold_status(
    hold: Hold, checks: dict[str, CheckStatus], holds: dict[str, HoldStatus], found: _Sorted
) -> HoldStatus:
    missing = [_missing(checks[c]) for c in hold.needs if checks[c].state is not CheckState.PASSED]
    missing += filter(None, (_still_before(other, holds) for other in hold.after_holds))
    release, step = (_still(e.get(hold.id), hold, found) for e in (found.releases, found.steps))
    if step is not None:
        recalled = [c for c in hold.needs if checks[c].state is CheckState.RECALLED]
        state = HoldState.TAKEN_RECALLED if recalled else HoldState.TAKEN
        return HoldStatus(hold, state, tuple(_missing(checks[c]) for c in recalled), step, release)
    if release is not None and release.kind == "concession":
        state = HoldState.CONCESSION
    elif missing:
        state = HoldState.SHUT
    else:
        state = HoldState.RELEASED if release else HoldState.READY
    return HoldStatus(hold, state, tuple(missing), release, release)


def _missing(status: CheckStatus) -> str:
    if status.state is CheckState.RECALLED:
        return f"{status.check.id} is {status.reason}"
    return f"{status.check.id} {status.state.words}: {status.reason}"


def _still(entry: Entry | None, hold: Hold, found: _Sorted) -> Entry | None:
    """Return a release or step, unless a part it relied on was substituted later."""
    gone = entry is not None and found.substituted_since(entry.seq, *hold.needs)
    return None if gone else entry
