"""The guided run of a plan."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import msgspec

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckContext
from benchlog.guide.dialogue import SkippedError, StoppedError, UndoneError
from benchlog.guide.look_further import look_further
from benchlog.guide.one_check import OneCheck
from benchlog.guide.person import InputEndedError, Person, Prompt
from benchlog.guide.session_history import (
    last_of_session,
    meters_left_on_current,
    months_of_rest,
    note_new_battery,
    withdraw,
)
from benchlog.guide.start_round import due_meters, misspelt_meters, start_round
from benchlog.guide.steps import limits
from benchlog.logbook import Logbook
from benchlog.plan import Check, Plan
from benchlog.project.adoption import adopt, find_adoptable
from benchlog.project.evidence import record_plan
from benchlog.project.overview import NOT_SAID, NOTHING, left_on_bench, noted_for_next_time
from benchlog.project.state import CheckState, HoldState, ProjectState, read_state
from benchlog.result import Result, Verdict, worst_verdict


class Guide:
    """Leads a person through a plan.

    Parameters
    ----------
    book : Logbook
        Open for writing.
    show : callable
        Shows a result.
    cards : bool
        Show a hook-up card before each check.
    standards : bool, optional
        Do the check-standard round first, or don't; None asks if a person is there.

    Attributes
    ----------
    stopped : bool
        The user stopped before the end.
    interrupted : bool
        It was stopped by Ctrl-C.
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
        cards: bool = False,
        standards: bool | None = None,
    ) -> None:
        self.plan = plan
        self.bench = bench
        self.book = book
        self.clock = clock
        self.person = person
        self.show = show
        self.standards = standards
        self.stopped = False
        self.interrupted = False
        self._checks = OneCheck(plan, book, bench, clock=clock, person=person, undo=self._undo, cards=cards)
        self._verdicts: dict[str, Verdict] = {}
        self._tried: set[str] = set()
        self._refused: set[str] = set()  # checks for which the user refused an earlier result
        self._last_done = self._energised = ""

    def run(self, only: Sequence[str] = ()) -> Verdict:
        """Do the checks that are due, in the plan's order, or only those named; returns the worst verdict."""
        record_plan(self.plan, self.book)
        todo = [self.plan.check(check_id) for check_id in only]
        for line in misspelt_meters(todo or self.plan.checks.values(), self.bench):
            self.person.show(f"  ! {line}", style="bold")
        with Acquisition(self.bench, self.person, self.clock) as acquisition:
            acquisition.in_current_jack(meters_left_on_current(self.book))
            acquisition.rested = months_of_rest(self.book, self.clock.utc_ns())
            if self._left_before(acquisition) and self._standards_first(
                todo or list(self.plan.checks.values()), acquisition
            ):
                self._run(todo, bool(only), acquisition)
            self._last_done, self._energised = acquisition.last_done, acquisition.energised
        self._say_ready()
        if self.stopped:
            return worst_verdict([*self._verdicts.values(), Verdict.NOT_DONE])
        if not self._verdicts:
            self.person.show("nothing is due")
            return Verdict.PASS
        return worst_verdict(list(self._verdicts.values()))

    def _run(self, todo: list[Check], named: bool, acquisition: Acquisition) -> None:
        while (check := self._next(todo, named)) is not None:
            before = dict(self._verdicts)
            try:
                self._until_settled(check, todo, named, acquisition)
            except UndoneError:
                undone = next((c for c in before if c not in self._verdicts), None)
                if named:
                    again = [self.plan.check(undone)] if undone and undone != check.id else []
                    todo[:0] = [*again, check]
                self._tried.discard(check.id)
            except (StoppedError, KeyboardInterrupt) as stop:
                if check.id not in self._verdicts:
                    self.book.append("stop", {"check_id": check.id, "part": check.part})
                self._stop(check.id, stop)
                return

    def _until_settled(self, check: Check, todo: list[Check], named: bool, acquisition: Acquisition) -> None:
        """Do a check, repeated as often as the user wants; its verdict stays on the screen until they go on."""
        if self._counted(check, acquisition):
            self._wish(check, None, acquisition, last=not (todo if named else self._more_to_do()))
            return
        wish = "again"
        while wish == "again":
            result = self.run_check(check, acquisition)
            self._verdicts[check.id] = result.overall if result else Verdict.NOT_DONE
            last = not (todo if named else self._more_to_do())
            if not self.person.interactive or (result is None and not last):
                return
            wish = "diagnose"
            while wish == "diagnose":
                wish = self._wish(check, result, acquisition, last=last)
                if wish == "diagnose" and result is not None:
                    found = look_further(acquisition, result, f"{check.id}/doubt", self.plan.mains_nominal_v)
                    if found is not None:
                        diagnosis = found.to_json()
                        self.book.append("diagnosis", {"check_id": check.id, **diagnosis})
                        details = {**result.details, "diagnosis": diagnosis}  # the next one goes on from here
                        result = msgspec.structs.replace(result, details=details)

    def _counted(self, check: Check, acquisition: Acquisition) -> bool:
        """Offer to adopt a result that was measured outside the plan with the plan's limits."""
        if not self.person.interactive or check.id in self._refused:
            return False
        kinds = ("result", "supersede", "adoption", "substitution")
        found = find_adoptable(check, limits(check, self.plan), self.book.entries(kinds), self.clock.utc_ns())
        if found is None:
            return False
        entry, result = found
        state = check.state or read_state(self.plan, self.book, self.clock.utc_ns()).part_states[check.part]
        self.person.show()
        self.person.show(f"{check.id}: measured outside the plan on {entry.time[:10]}", style="bold")
        self.person.show(f"  {result.reason}")
        self.person.show(
            f"  with {', '.join(result.instruments) or 'no named instrument'}; entry {entry.seq}"
        )
        acquisition.begin(CheckContext(name=check.id, undo=self._undo))
        question = f"It has the plan's limits. Count it for {check.id}?"
        if state:
            question = f"It has the plan's limits. Was {check.part} '{state}' then, and should it count for {check.id}?"
        if not acquisition.confirm(question, f"{check.id}/count"):
            self._refused.add(check.id)
            return False
        adopt(self.book, check, entry, state)
        self._verdicts[check.id] = Verdict.PASS
        self.person.show(f"  {check.id} has passed with entry {entry.seq}.")
        return True

    def _wish(self, check: Check, result: Result | None, acquisition: Acquisition, *, last: bool) -> str:
        wishes: tuple[str, ...] = ()
        verdict = result.overall if result is not None else self._verdicts[check.id]
        if result is not None and result.overall in (Verdict.FAIL, Verdict.INDETERMINATE):
            wishes = ("again", "diagnose") if acquisition.doubtful_reading() is not None else ("again",)
        if last:
            done = f"{check.id}: {verdict.words}. That was the last check."
            return acquisition.go_on(done, "close/last", wishes, last=True)
        return acquisition.go_on(f"{check.id}: {verdict.words}.", f"{check.id}/next", wishes)

    def run_check(self, check: Check, acquisition: Acquisition) -> Result | None:
        """Do one check once and show its result; see `OneCheck.run`."""
        result = self._checks.run(check, acquisition)
        if result is not None:
            self.show(result)
        return result

    def _left_before(self, acquisition: Acquisition) -> bool:
        """Say what was noted at the end of the last session, and have what it left on switched off; False if the user stopped."""
        if noted := noted_for_next_time(self.book):
            self.person.show(f"you noted for this time: {noted}")
        left = left_on_bench(self.book)
        if left in ("", NOTHING):
            return True
        words = "nobody said what was left on the bench last time"
        words = words if left == NOT_SAID else f"left on the bench last time: {left}"
        self.person.show(f"! {words}", style="bold")
        if not self.person.interactive:
            return True
        acquisition.begin()
        try:
            if acquisition.confirm("Is anything still energised, charged or loose?", "start/left"):
                acquisition.energised = left
                acquisition.do(
                    "switch it off, unplug it, wait, prove it dead, before a lead is moved", "start/off"
                )
                acquisition.energised = ""
        except SkippedError:
            pass
        except (StoppedError, KeyboardInterrupt) as stop:
            self._stop("what was left on the bench", stop)
            return False
        return True

    def _standards_first(self, checks: Sequence[Check], acquisition: Acquisition) -> bool:
        """Offer the check-standard round; False if the user stopped during it."""
        due = due_meters(checks, self.bench, self.book, self.clock.utc_ns())
        if not due:
            return True
        names = ", ".join(f"{meter.tag} {meter.ago}" for meter in due)
        acquisition.begin(CheckContext(renewed=partial(note_new_battery, self.book)))
        try:
            if self.standards is None and self.person.interactive:
                self.person.show(f"last checked on a known value: {names}")
                wanted = acquisition.confirm(
                    "Check the meters on known values first (2 min)?", "start/standards"
                )
            else:
                wanted = bool(self.standards)
            if wanted:
                start_round(due, self.plan, acquisition, self.book)
            elif not self.person.interactive and self.standards is None:
                self.person.show(f"last checked on a known value: {names}; --standards checks them first")
        except SkippedError:
            pass
        except (StoppedError, KeyboardInterrupt) as stop:
            self._stop("the check standards", stop)
            return False
        return True

    def _next(self, todo: list[Check], named: bool) -> Check | None:
        """Check to do now: the next of those named, else the first that is due and was not tried yet."""
        state = read_state(self.plan, self.book, self.clock.utc_ns())
        if named:
            while todo and (hold := state.held_by(todo[0])):
                self._verdicts[todo[0].id] = Verdict.NOT_DONE
                self._wait_for(hold, todo.pop(0))
            if not todo:
                return None
            self._checks.before = state.checks[todo[0].id].before
            return todo.pop(0)
        waiting: list[Check] = [
            s.check
            for s in state.checks.values()
            if s.state not in (CheckState.PASSED, CheckState.BLOCKED) and s.check.id not in self._tried
        ]
        waiting = [check for check in waiting if not state.held_by(check)]
        if not waiting:
            held = next((c for c in self.plan.checks.values() if self._waits(c, state)), None)
            if held is not None and (hold := state.held_by(held)):
                self._wait_for(hold, held)
            return None
        self._tried.add(waiting[0].id)
        self._checks.before = state.checks[waiting[0].id].before
        return waiting[0]

    def _waits(self, check: Check, state: ProjectState) -> bool:
        passed = state.checks[check.id].state is CheckState.PASSED
        return state.held_by(check) is not None and not passed

    def _wait_for(self, hold_id: str, check: Check) -> None:
        self.person.show(
            f"{check.id} waits for hold point {hold_id}: benchlog release {self.plan.path} {hold_id}"
        )

    def _say_ready(self) -> None:
        """List the hold points that can be released now."""
        state = read_state(self.plan, self.book, self.clock.utc_ns())
        for hold_id, status in state.holds.items():
            if status.state is HoldState.READY:
                step = self.plan.hold(hold_id).step
                self.person.show(
                    f"{hold_id} ({step}) can be released now: benchlog release {self.plan.path} {hold_id}"
                )

    # ---- undo, stop, close ----

    def _undo(self) -> bool:
        """Supersede the last result of this session, with a reason."""
        last = last_of_session(self.book)
        if last is None:
            return False
        check_id = str(last.body.get("check_id", ""))
        verdict = last.body.get("verdict", "counted")
        reason = self.person.answer(
            Prompt(
                "text", f"undo {check_id} ({verdict}, entry {last.seq}): what was wrong?", f"{check_id}/undo"
            )
        ).strip()
        if not reason:
            self.person.show("  not undone: that needs a reason")
            return False
        withdraw(self.book, last, reason)
        self.person.show(f"  {check_id}, entry {last.seq}, is withdrawn: {reason}")
        self._verdicts.pop(check_id, None)
        self._tried.discard(check_id)
        return True

    def _more_to_do(self) -> bool:
        state = read_state(self.plan, self.book, self.clock.utc_ns())
        return any(
            s.state not in (CheckState.PASSED, CheckState.BLOCKED)
            and s.check.id not in self._tried
            and not state.held_by(s.check)
            for s in state.checks.values()
        )

    def _stop(self, where: str, stop: BaseException) -> None:
        """Stop here; Ctrl-C ends a script at once, while a person is first asked what is left energised."""
        self.stopped, self.interrupted = True, isinstance(stop, KeyboardInterrupt)
        if self.interrupted and not self.person.interactive:
            raise stop
        self.person.show()
        self.person.show(f"  Stopped at {where}. Saved; run the same command to continue.")

    def _left(self) -> str:
        """Ask what is left energised; a person sees what will be recorded and can correct it."""
        if self.stopped and self._last_done and self.person.interactive:
            self.person.show(f"  the last step done was: {self._last_done}")
        # A habitual Enter must not record that nothing is plugged in.
        must_say = bool(self._energised) and self.person.interactive
        default = f"({self._energised}; 'nothing' if it is off)" if must_say else f"[{NOTHING}]"
        while True:
            left = self.person.answer(
                Prompt("text", f"anything left energised, charged or loose? {default}", "close/left")
            ).strip()
            if not left and must_say:
                self.person.show("  type what is left, or 'nothing'")
                continue
            if left.lower() in ("", NOTHING) or not self.person.interactive:
                return left.lower() if left.lower() == NOTHING else left
            right = Prompt("confirm", f"Note '{left}' as left on the bench?", "close/left/right")
            while (answer := self.person.answer(right).lower()) not in ("y", "yes", "n", "no"):
                self.person.show("  type y or n")
            if answer[0] == "y":
                return left

    def close_out(self) -> dict[str, str]:
        """Ask what is left energised, charged or loose, and for the next action."""
        try:
            left = self._left()
            action = self.person.answer(
                Prompt("text", "What will you do first next time? [go on with the plan]", "close/next")
            )
        except (InputEndedError, KeyboardInterrupt):
            # Nobody confirmed that nothing is charged, so the record must not say so.
            return {"left": NOT_SAID}
        return {"left": left or NOTHING} | ({"next": action} if action else {})
