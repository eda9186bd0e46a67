"""Overview for resuming after months: next action, evidence, meters to trust, what was left charged or loose."""

from __future__ import annotations

import msgspec

from benchlog.logbook import Logbook
from benchlog.logbook.clock_steps import ClockDoubt, clock_doubts
from benchlog.plan import Hold, Plan
from benchlog.project.meter_trust import MeterTrust, meter_trust
from benchlog.project.state import STATE_KINDS, CheckState, HoldState, ProjectState, project_state
from benchlog.result import Verdict, worst_verdict

#: Recorded at a session's end: nothing is left energised, charged or loose, or nobody answered that.
NOTHING, NOT_SAID = "nothing", "not said"
_SESSIONS = 100  # at most so many are looked at
#: Recorded by earlier versions where the user noted nothing for the next time.
_OLD_NOTHING = "go on with the plan"


class Overview(msgspec.Struct, frozen=True):
    """Everything the status screen shows."""

    plan: Plan
    state: ProjectState
    meters: tuple[MeterTrust, ...]
    left: str
    next_action: str
    noted: str  #: What the user wanted to do first next time; empty for nothing in particular.
    stored_energy: tuple[str, ...]
    clock: tuple[ClockDoubt, ...] = ()

    @property
    def exit_code(self) -> int:
        """Exit code of the worst check."""
        verdicts = {
            CheckState.PASSED: Verdict.PASS,
            CheckState.FAILED: Verdict.FAIL,
        }
        return worst_verdict(
            [verdicts.get(s.state, Verdict.INDETERMINATE) for s in self.state.checks.values()]
            or [Verdict.PASS]
        ).exit_code


def overview(plan: Plan, book: Logbook | None, now_utc_ns: int, *, practice: bool | None = None) -> Overview:
    """Make the overview from a plan and a logbook (None: nothing recorded yet).

    `practice`: as `benchlog.project.state.project_state` takes it.
    """
    if book is None:
        state = project_state(plan, (), now_utc_ns)
        return Overview(plan, state, (), "not recorded", _next_action(plan, state), "", _energy(plan))
    entries = list(book.entries(STATE_KINDS))  # those of `EVIDENCE_KINDS` are among them
    state = project_state(plan, entries, now_utc_ns, practice=practice)
    left = left_on_bench(book)
    left = "not stated" if left in ("", NOT_SAID) else left
    noted = noted_for_next_time(book)
    meters = meter_trust(entries, now_utc_ns)
    action = _next_action(plan, state)
    return Overview(plan, state, meters, left, action, noted, _energy(plan), clock_doubts(book, now_utc_ns))


def left_on_bench(book: Logbook) -> str:
    """What was left energised, charged or loose, as last recorded: `NOTHING`, `NOT_SAID`, or in words; empty if nobody was asked."""
    ends = book.entries("session end", newest_first=True, limit=_SESSIONS)
    return next((str(end.body["left"]) for end in ends if "left" in end.body), "")


def noted_for_next_time(book: Logbook) -> str:
    """What the user wanted to do first, as noted at the end of the last session; empty for nothing in particular."""
    ends = book.entries("session end", newest_first=True, limit=1)
    noted = next((str(end.body.get("next", "")) for end in ends), "")
    return "" if noted == _OLD_NOTHING else noted


def _after_recall(state: ProjectState, hold: Hold) -> str:
    """What to do where the step of a hold point was done on results that were recalled since."""
    lost = ", ".join(c for c in hold.needs if state.checks[c].state is CheckState.RECALLED)
    again = f"measure {lost} again with an instrument that is not in doubt, and " if lost else ""
    return f"{hold.id} was taken on evidence that was recalled since: {again}check what was done then before you go on"


def _next_action(plan: Plan, state: ProjectState) -> str:
    for hold in state.holds.values():
        if hold.state is HoldState.TAKEN_RECALLED:
            return _after_recall(state, hold.hold)
    status = state.next_check
    ready = [h for h in state.holds.values() if h.state is HoldState.READY]
    if ready and (status is None or status.state is CheckState.DUE):
        order = list(plan.checks)
        last_needed = max(order.index(c) for c in ready[0].hold.needs)
        if status is None or order.index(status.check.id) > last_needed:
            return f"release {ready[0].hold.id} ({ready[0].hold.step}): its checks have passed"
    if status is not None:
        word = {CheckState.RECALLED: "measure again", CheckState.STALE: "repeat"}.get(status.state, "do")
        return f"{word} {status.check.id} on {status.check.part}: {status.check.title or status.reason}"
    return "all checks are passed"


def _energy(plan: Plan) -> tuple[str, ...]:
    return tuple(f"{p.tag} {p.name}: {p.stored_energy}" for p in plan.parts.values() if p.stored_energy)
