"""The guided run itself: which check is next, what is frozen before it, what is written after it."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import msgspec

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import InstrumentError
from benchlog.guide.hands import Hands, SkippedError
from benchlog.guide.person import Person, Prompt
from benchlog.guide.steps import expectation, measure
from benchlog.logbook import Logbook
from benchlog.plan import AnyCheck, Plan
from benchlog.project.evidence import record_result
from benchlog.project.state import CheckState, ProjectState, read_state
from benchlog.result import Result, Verdict, worst_verdict

__all__ = ["Guide", "note_plan"]


def note_plan(plan: Plan, book: Logbook) -> None:
    """Write down the plan's digest when it changed, and substitutions that are not in the logbook yet."""
    digest = hashlib.sha256(Path(plan.path).read_bytes()).hexdigest()
    revisions = {c.id: c.revision for c in plan.checks.values()}
    last = next(iter(book.entries("plan", newest_first=True, limit=1)), None)
    if last is None or last.body.get("sha256") != digest:
        book.append("plan", {"project": plan.project.name, "sha256": digest, "checks": revisions})
    known = [(e.body["part"], e.body["what"]) for e in book.entries("substitution")]
    for substitution in plan.substitutions:
        if (substitution.part, substitution.what) not in known:
            book.append("substitution", msgspec.to_builtins(substitution))


class Guide:
    """Leads a person through a plan.

    Parameters
    ----------
    plan : Plan
    bench : Bench
    book : Logbook
        Open for writing.
    clock : Clock
    person : Person
    show : callable
        Shows a result.
    """

    def __init__(
        self,
        plan: Plan,
        bench: Bench,
        book: Logbook,
        *,
        clock: Clock,
        person: Person,
        show: Callable[[Result], None],
    ) -> None:
        self.plan = plan
        self.bench = bench
        self.book = book
        self.clock = clock
        self.person = person
        self.show = show

    def run(self, only: Sequence[str] = ()) -> Verdict:
        """Do the checks that need doing, in the plan's order, or only those named; returns the worst verdict."""
        note_plan(self.plan, self.book)
        verdicts: list[Verdict] = []
        with Hands(self.bench, self.person, self.clock) as hands:
            for check in self._todo(only):
                result = self.run_check(check, hands)
                verdicts.append(result.overall if result else Verdict.NOT_DONE)
        if not verdicts:
            self.person.show("nothing is due")
            return Verdict.PASS
        return worst_verdict(verdicts)

    def _todo(self, only: Sequence[str]) -> Iterator[AnyCheck]:
        if only:
            yield from [self.plan.check(check_id) for check_id in only]
            return
        tried: set[str] = set()
        while True:
            state = read_state(self.plan, self.book, self.clock.utc_ns())
            waiting = [
                s.check
                for s in state.checks.values()
                if s.state not in (CheckState.PASSED, CheckState.BLOCKED) and s.check.id not in tried
            ]
            ahead = self._hold_before(waiting[0], state) if waiting else None
            if not waiting:
                return
            if ahead:
                self.person.show(
                    f"{waiting[0].id} comes after hold {ahead}: benchlog release {self.plan.path} {ahead}"
                )
                return
            tried.add(waiting[0].id)
            yield waiting[0]

    def _hold_before(self, check: AnyCheck, state: ProjectState) -> str | None:
        """A hold point that is ready but not released, and that stands before this check in the plan."""
        order = list(self.plan.checks)
        for hold_id, status in state.holds.items():
            last = max(order.index(c) for c in status.hold.needs)
            if status.state.value in ("shut", "ready to release") and order.index(check.id) > last:
                return hold_id
        return None

    def run_check(self, check: AnyCheck, hands: Hands) -> Result | None:
        """Do one check: card, expectation, reading, verdict, record. None when it was skipped or broke off."""
        person, part = self.person, self.plan.parts[check.part]
        person.show()
        person.show(
            f"== {check.id}  {check.title or type(check).__name__}  ({part.tag} {part.name})".rstrip(),
            style="bold",
        )
        if check.caution:
            person.show(f"  ! {check.caution}", style="bold red")
        if check.mains_referenced:
            person.show(
                "  ! mains-referenced: rated meter and leads only, no scope clip; local rules apply",
                style="bold red",
            )
        expected = expectation(check, self.plan)
        person.show(f"  expected: {expected}")
        self.book.append(
            "expectation",
            {
                "check_id": check.id,
                "revision": check.revision,
                "part": check.part,
                "expected": expected,
                "limits": {n: msgspec.to_builtins(limit) for n, limit in check.parsed_limits().items()},
            },
        )
        try:
            if check.hookup:
                hands.do(check.hookup, f"{check.id}/hookup")
            measured = measure(check, self.plan, hands)
        except SkippedError as skipped:
            self.book.append("skip", {"check_id": check.id, "part": check.part, "reason": str(skipped)})
            person.show(f"  skipped: {skipped}")
            return None
        except InstrumentError as error:
            self.book.append("trouble", {"check_id": check.id, "message": str(error), "hint": error.hint})
            person.show(f"  {error}", style="bold")
            person.show(f"  try: {error.hint}" if error.hint else "")
            raise
        result = record_result(
            self.book, self.clock, measured.result, readings=measured.readings, captures=measured.captures
        )
        self.show(result)
        return result

    def close_out(self) -> dict[str, str]:
        """Ask for the session's last lines: what is left energised, charged or loose, and the next action."""
        left = self.person.answer(
            Prompt("text", "anything left energised, charged or loose? [nothing]", "close/left")
        )
        action = self.person.answer(Prompt("text", "next action? [go on with the plan]", "close/next"))
        return {"left": left or "nothing", "next": action or "go on with the plan"}
