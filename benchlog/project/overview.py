"""Overview for resuming after months: next action, proof, meters to trust, what was left charged or loose."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

import msgspec

from benchlog.logbook import Logbook
from benchlog.logbook.chain import Entry
from benchlog.logbook.clock_steps import ClockDoubt, after_now, ago, clock_doubts
from benchlog.plan import Plan
from benchlog.project.meter_doubt import DOUBT_KINDS, MeterDoubts
from benchlog.project.state import CheckState, HoldState, ProjectState, project_state, read_state
from benchlog.result import Verdict, worst_verdict

__all__ = ["MeterTrust", "Overview", "Trust", "meter_trust", "overview"]

_REST_NS = 61 * 86_400_000_000_000  # batteries may have run down; common practice, no source


class Trust(StrEnum):
    """Whether a meter may be trusted."""

    GOOD = "trust"
    CHECK_FIRST = "check first"
    NONE = "do not trust"


class MeterTrust(msgspec.Struct, frozen=True):
    """Whether a meter may be trusted, and why; `dated` is the same text with the date, for paper."""

    tag: str
    word: Trust
    reason: str
    dated: str


class Overview(msgspec.Struct, frozen=True):
    """Everything the status screen shows."""

    plan: Plan
    state: ProjectState
    meters: tuple[MeterTrust, ...]
    left: str
    next_action: str
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


def overview(plan: Plan, book: Logbook | None, now_utc_ns: int) -> Overview:
    """Make the overview from a plan and a logbook (None: nothing recorded yet)."""
    if book is None:
        state = project_state(plan, (), now_utc_ns)
        return Overview(plan, state, (), "nothing recorded yet", _next_action(plan, state, ""), _energy(plan))
    state = read_state(plan, book, now_utc_ns)
    last_end = next(iter(book.entries("session end", newest_first=True, limit=1)), None)
    left = str(last_end.body.get("left", "not said")) if last_end else "not said"
    left = "not stated" if left == "not said" else left
    noted = str(last_end.body.get("next", "")) if last_end else ""
    meters = meter_trust(book.entries(DOUBT_KINDS), now_utc_ns)
    action = _next_action(plan, state, noted)
    return Overview(plan, state, meters, left, action, _energy(plan), clock_doubts(book, now_utc_ns))


def meter_trust(entries: Iterable[Entry], now_utc_ns: int) -> tuple[MeterTrust, ...]:
    """Judge each meter by its last check-standard reading and by what has put it in doubt.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds of `DOUBT_KINDS` matter.
    now_utc_ns : int
    """
    known = list(entries)
    doubts = MeterDoubts(known)
    last = {str(e.body["meter"]): e for e in known if e.kind == "standard"}
    found = []
    for tag in sorted({*last, *doubts.meters}):
        doubt = doubts.of(tag)
        if doubt is not None:
            ago_words = ago(doubt.utc_ns, now_utc_ns)
            told = doubt.standard or doubt.passed_on or doubt.cause
            why = f"{doubt.happened} {ago_words}" if told else f"recalled in entry {doubt.entry}"
            dated = f"in doubt since {doubt.time[:10]}: {doubt.happened or why}"
            found.append(MeterTrust(tag, Trust.NONE, why, dated))
            continue
        if tag not in last:
            continue  # blamed once, and the blame was taken back
        when, body = last[tag].utc_ns, last[tag].body
        dated = f"agreed with check standard {body['standard']} on {last[tag].time[:10]} ({body['function']})"
        ago_words = ago(when, now_utc_ns)
        if after_now(when, now_utc_ns):
            found.append(MeterTrust(tag, Trust.CHECK_FIRST, f"last check standard {ago_words}", dated))
        elif now_utc_ns - when > _REST_NS:
            why = f"last check standard {ago_words}; batteries may have run down"
            found.append(MeterTrust(tag, Trust.CHECK_FIRST, why, dated))
        else:
            found.append(MeterTrust(tag, Trust.GOOD, f"agreed with its check standard {ago_words}", dated))
    return tuple(found)


def _next_action(plan: Plan, state: ProjectState, noted: str) -> str:
    for hold in state.holds.values():
        if hold.state is HoldState.TAKEN_RECALLED:
            return f"{hold.hold.id} was taken on recalled evidence: look at it before anything else"
    status = state.next_check
    ready = [h for h in state.holds.values() if h.state is HoldState.READY]
    if ready and (status is None or status.state is CheckState.DUE):
        order = list(plan.checks)
        last_needed = max(order.index(c) for c in ready[0].hold.needs)
        if status is None or order.index(status.check.id) > last_needed:
            return f"release {ready[0].hold.id} ({ready[0].hold.step}): its evidence is in"
    if status is not None:
        word = {CheckState.RECALLED: "measure again", CheckState.STALE: "repeat"}.get(status.state, "do")
        return f"{word} {status.check.id} on {status.check.part}: {status.check.title or status.reason}"
    return noted if noted and noted != "go on with the plan" else "all checks are passed"


def _energy(plan: Plan) -> tuple[str, ...]:
    return tuple(f"{p.tag} {p.name}: {p.stored_energy}" for p in plan.parts.values() if p.stored_energy)
