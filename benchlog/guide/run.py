"""The guided run: which check is next, what is fixed before it, what is recorded after it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import msgspec

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import AnalysisError, InstrumentError
from benchlog.guide.acquisition import Acquisition, SkippedError, StoppedError, TakenBackError, UndoneError
from benchlog.guide.cards import danger_lines
from benchlog.guide.check_outcome import CheckOutcome
from benchlog.guide.person import InputEndedError, Person, Prompt
from benchlog.guide.session_history import last_of_session, meters_left_on_current, months_of_rest
from benchlog.guide.start_round import due_meters, misspelt_meters, start_round
from benchlog.guide.steps import expectation, limits, measure
from benchlog.influence import OUTPUT
from benchlog.logbook import Logbook
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Check, Plan
from benchlog.plan.meter_kinds import CrossCheck
from benchlog.project.evidence import record_plan, record_result
from benchlog.project.meter_doubt import DOUBT_KINDS, MeterDoubts, with_doubt
from benchlog.project.meter_evidence import EVIDENCE_KINDS, with_evidence
from benchlog.project.state import CheckState, ProjectState, read_state
from benchlog.reading import Reading
from benchlog.result import Limits, Result, Verdict, worst_verdict
from benchlog.wording import all_limits_words

__all__ = ["Guide"]


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
    cards : bool
        Show a hook-up card before each check.
    standards : bool, optional
        Do the check-standard round first, or don't; None asks a person who can be asked.

    Attributes
    ----------
    stopped : bool
        The person stopped before the end.
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
        self.cards = cards
        self.standards = standards
        self.stopped = False
        self._verdicts: dict[str, Verdict] = {}
        self._tried: set[str] = set()

    def run(self, only: Sequence[str] = ()) -> Verdict:
        """Do the checks that need doing, in the plan's order, or only those named; returns the worst verdict."""
        record_plan(self.plan, self.book)
        todo = [self.plan.check(check_id) for check_id in only]
        for line in misspelt_meters(todo or self.plan.checks.values(), self.bench):
            self.person.show(f"  ! {line}", style="bold")
        with Acquisition(self.bench, self.person, self.clock) as acquisition:
            acquisition.in_current_jack(meters_left_on_current(self.book))
            acquisition.rested = months_of_rest(self.book, self.clock.utc_ns())
            if not self._standards_first(todo or list(self.plan.checks.values()), acquisition):
                return Verdict.NOT_DONE
            while (check := self._next(todo, bool(only))) is not None:
                before = dict(self._verdicts)
                try:
                    result = self.run_check(check, acquisition)
                except UndoneError:
                    undone = next((c for c in before if c not in self._verdicts), None)
                    if only:
                        again = [self.plan.check(undone)] if undone and undone != check.id else []
                        todo[:0] = [*again, check]
                    self._tried.discard(check.id)
                    continue
                except StoppedError:
                    self._stop(check)
                    break
                self._verdicts[check.id] = result.overall if result else Verdict.NOT_DONE
                if self._undone_at_the_end(todo, bool(only), acquisition):
                    todo[:0] = [check] if only else []
        if self.stopped:
            return worst_verdict([*self._verdicts.values(), Verdict.NOT_DONE])
        if not self._verdicts:
            self.person.show("nothing is due")
            return Verdict.PASS
        return worst_verdict(list(self._verdicts.values()))

    def _standards_first(self, checks: Sequence[Check], acquisition: Acquisition) -> bool:
        """Offer the check-standard round; False when the person stopped during it."""
        due = due_meters(checks, self.bench, self.book, self.clock.utc_ns())
        if not due:
            return True
        names = ", ".join(f"{meter.tag} {meter.ago}" for meter in due)
        acquisition.begin()
        try:
            if self.standards is None and self.person.interactive:
                self.person.show(f"check standards: {names}")
                wanted = acquisition.confirm("two minutes for the meters first?", "start/standards")
            else:
                wanted = bool(self.standards)
            if wanted:
                start_round(due, self.plan, acquisition, self.book)
            elif not self.person.interactive and self.standards is None:
                self.person.show(f"check standards: {names}; --standards reads them first")
        except SkippedError:
            pass
        except StoppedError:
            self.stopped = True
            return False
        return True

    def _next(self, todo: list[Check], named: bool) -> Check | None:
        """Check to do now: the next of those named, else the first that needs doing and was not tried yet."""
        state = read_state(self.plan, self.book, self.clock.utc_ns())
        if named:
            while todo and (hold := state.held_by(todo[0])):
                self._verdicts[todo[0].id] = Verdict.NOT_DONE
                self._wait_for(hold, todo.pop(0))
            return todo.pop(0) if todo else None
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
        return waiting[0]

    def _waits(self, check: Check, state: ProjectState) -> bool:
        passed = state.checks[check.id].state is CheckState.PASSED
        return state.held_by(check) is not None and not passed

    def _wait_for(self, hold_id: str, check: Check) -> None:
        self.person.show(
            f"{check.id} comes after hold {hold_id}: benchlog release {self.plan.path} {hold_id}"
        )

    # ---- one check ----

    def run_check(self, check: Check, acquisition: Acquisition) -> Result | None:
        """Do one check: card, expectation, reading, verdict, record. None when it was skipped or gave no result.

        Raises
        ------
        StoppedError, UndoneError
            When the person wants to stop, or took the last result back.
        InstrumentError
            When an instrument fails and nobody can be asked.
        """
        person = self.person
        acquisition.cards = self.cards
        self._introduce(check, acquisition)
        try:
            measured = self._measured(check, acquisition)
        except SkippedError as skipped:
            self.book.append("skip", {"check_id": check.id, "part": check.part, "reason": str(skipped)})
            person.show(f"  skipped: {skipped}")
            return None
        except InstrumentError as error:
            self._trouble(check, error)
            raise
        except AnalysisError as error:
            self._trouble(check, error)
            return None
        kept = {id(reading): reference for reading, reference in acquisition.kept}
        references = dict.fromkeys(reference for reference in kept.values() if reference)
        result = msgspec.structs.replace(
            measured.result,
            evidence=(*measured.result.evidence, *references),
            findings=(*measured.result.findings, *acquisition.findings),
            instruments=tuple(dict.fromkeys((*measured.result.instruments, *sorted(acquisition.generators)))),
            functions={**measured.result.functions, **dict.fromkeys(acquisition.generators, OUTPUT)},
        )
        result = with_doubt(result, self._doubts().behind(result))
        result = record_result(
            self.book,
            self.clock,
            result,
            readings=[r for r in measured.readings if not kept.get(id(r))],
            captures=measured.captures,
        )
        self.show(result)
        return result

    def _measured(self, check: Check, acquisition: Acquisition) -> CheckOutcome:
        """Do the steps of a check; start again from its hook-up where the person withdraws what was read."""
        while True:
            acquisition.begin(
                mains_referenced=check.mains_referenced,
                keep=self._keep,
                undo=self._undo,
                take_back=lambda: self._take_back(check, acquisition),
                fix_limits=lambda expected, fixed: self._fix_limits(check, expected, fixed),
                know=partial(self._know, check),
            )
            try:
                if check.hookup:
                    acquisition.do(check.hookup, f"{check.id}/hookup")
                elif self.person.interactive and check.wiring() is not None:
                    acquisition.do("connected as drawn?", f"{check.id}/hookup")
                return measure(check, self.plan, acquisition)
            except TakenBackError:
                continue

    def _take_back(self, check: Check, acquisition: Acquisition) -> bool:
        """Supersede what was read in a check so far, with a reason."""
        shown = ", ".join(reading.displayed for reading, _ in acquisition.kept)
        question = f"take back {shown} and begin {check.id} again: what was wrong?"
        reason = self.person.answer(Prompt("text", question, f"{check.id}/undo")).strip()
        if not reason:
            self.person.show("  not taken back: that needs a reason")
            return False
        for reference in dict.fromkeys(reference for _, reference in acquisition.kept if reference):
            self.book.supersede(int(reference.partition(":")[2]), reason)
        self.person.show(f"  {shown} is withdrawn: {reason}; {check.id} again from its hook-up")
        return True

    def _introduce(self, check: Check, acquisition: Acquisition) -> None:
        """Announce a check, show its card, fix expectation and limits."""
        person, part = self.person, self.plan.parts[check.part]
        title = check.title or check.__struct_config__.tag
        person.show()
        name = f"{part.tag} {part.name}".strip()
        person.show(f"== {check.id}  {title}  ({name})", style="bold")
        dangers = [check.caution] if check.caution else []
        if check.mains_referenced:
            dangers.append("mains-referenced: rated meter and leads only, no scope clip; local rules apply")
        for line in (line for danger in dangers for line in danger_lines(danger)):
            person.show(line, style="bold red")
        if (wiring := check.wiring()) is not None:
            acquisition.show_hookup(wiring)
        function = str(getattr(check, "function", ""))
        named = dict.fromkeys(check.meters_named if function else (), function)
        named |= {tag: "" for name in ("scope", "generator") if (tag := getattr(check, name, None))}
        doubts = self._doubts() if named else None
        for doubt in (doubts.of(tag, used) for tag, used in named.items()) if doubts else ():
            if doubt is not None:
                person.show(f"! {doubt.caution}", style="bold")
        expected = expectation(check, self.plan)
        if expected:
            person.show(f"  expected: {expected}", style="bold")
        self._fix_limits(check, expected, limits(check, self.plan))

    def _fix_limits(self, check: Check, expected: str, fixed: Mapping[str, Limits]) -> None:
        """Show the limits a result will be judged by, and write them down before it is read."""
        if fixed:
            self.person.show(f"  limits: {all_limits_words(fixed)}", style="bold")
        self.book.append(
            "expectation",
            {
                "check_id": check.id,
                "revision": check.revision,
                "part": check.part,
                "expected": expected,
                "limits": {n: msgspec.to_builtins(limit) for n, limit in fixed.items()},
            },
        )

    def _doubts(self) -> MeterDoubts:
        return MeterDoubts(self.book.entries(DOUBT_KINDS))

    def _know(self, check: Check, metered: MeterReading) -> MeterReading:
        """Add what the record knows of a meter, unless it is itself what is checked."""
        instrument = self.bench.instruments.get(metered.reading.instrument)
        if isinstance(check, CrossCheck) or (instrument is not None and instrument.data_sheet_only):
            return metered
        return with_evidence(metered, self.book.entries(EVIDENCE_KINDS), self.clock.utc_ns())

    def _keep(self, reading: Reading) -> str:
        return f"readings:{self.book.append_readings([reading]).seq}"

    def _trouble(self, check: Check, error: InstrumentError | AnalysisError) -> None:
        self.book.append("trouble", {"check_id": check.id, "message": str(error), "hint": error.hint})
        self.person.show(f"  {check.id} not done: {error}", style="bold")
        if error.hint:
            self.person.show(f"  try: {error.hint}")

    # ---- undo, stop, close ----

    def _undo(self) -> bool:
        """Supersede the last result of this session, with a reason."""
        last = last_of_session(self.book)
        if last is None:
            return False
        check_id = str(last.body.get("check_id", ""))
        verdict = last.body.get("verdict", "")
        reason = self.person.answer(
            Prompt(
                "text", f"undo {check_id} ({verdict}, entry {last.seq}): what was wrong?", f"{check_id}/undo"
            )
        ).strip()
        if not reason:
            self.person.show("  not undone: a result is only taken back with a reason")
            return False
        self.book.supersede(last.seq, reason)
        self.person.show(f"  {check_id}, entry {last.seq}, is withdrawn: {reason}")
        self._verdicts.pop(check_id, None)
        self._tried.discard(check_id)
        return True

    def _undone_at_the_end(self, todo: list[Check], named: bool, acquisition: Acquisition) -> bool:
        """Offer to withdraw the last result: after the last check there is no later prompt to do it at."""
        if not self.person.interactive or (todo if named else self._more_to_do()):
            return False
        acquisition.begin(undo=self._undo)
        try:
            acquisition.do("last check done", "close/last")
        except UndoneError:
            return True
        except (SkippedError, StoppedError):
            pass
        return False

    def _more_to_do(self) -> bool:
        state = read_state(self.plan, self.book, self.clock.utc_ns())
        return any(
            s.state not in (CheckState.PASSED, CheckState.BLOCKED)
            and s.check.id not in self._tried
            and not state.held_by(s.check)
            for s in state.checks.values()
        )

    def _stop(self, check: Check) -> None:
        self.stopped = True
        self.book.append("stop", {"check_id": check.id, "part": check.part})
        self.person.show(f"  stopped at {check.id}; Saved. Run the same command to continue")

    def _left(self) -> str:
        """Ask what is left; a person sees what will be recorded, and may type it again."""
        while True:
            left = self.person.answer(
                Prompt("text", "anything left energised, charged or loose? [nothing]", "close/left")
            )
            if not left or not self.person.interactive:
                return left
            right = Prompt("confirm", f"written down as left: '{left}'; right?", "close/left/right")
            answer = ""
            while answer not in ("y", "yes", "n", "no"):
                answer = self.person.answer(right).lower()
            if answer[0] == "y":
                return left

    def close_out(self) -> dict[str, str]:
        """Ask for the session's last lines: what is left energised, charged or loose, and the next action."""
        try:
            left = self._left()
            action = self.person.answer(Prompt("text", "next action? [go on with the plan]", "close/next"))
        except InputEndedError:
            # Nobody said that nothing is charged; the record must not say it either.
            return {"left": "not said", "next": "go on with the plan"}
        return {"left": left or "nothing", "next": action or "go on with the plan"}
