"""One check of a plan with a person: card, expectation, reading, verdict, record."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import KW_ONLY, dataclass, field
from functools import partial

import msgspec

from benchlog.bench import Bench
from benchlog.clock import Clock
from benchlog.errors import AnalysisError, InstrumentError, UsageError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckContext, CheckOutcome
from benchlog.guide.dialogue import SkippedError, TakenBackError
from benchlog.guide.person import DANGER, InputEndedError, Person
from benchlog.guide.session_history import (
    known_of,
    note_found_bad,
    note_new_battery,
    supersede,
    withdraw_found_bad,
)
from benchlog.guide.steps import expectation, limits, measure
from benchlog.influence import OUTPUT
from benchlog.logbook import Logbook
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Check, Plan
from benchlog.plan.meter_kinds import CrossCheck
from benchlog.project.evidence import record_result
from benchlog.project.meter_doubt import DOUBT_KINDS, EVIDENCE_KINDS, MeterDoubts, with_doubt
from benchlog.project.meter_evidence import with_evidence
from benchlog.result import Limits, Result
from benchlog.wording import all_limits_words


@dataclass
class OneCheck:
    """Does checks of a plan, one at a time."""

    plan: Plan
    book: Logbook  #: Open for writing.
    bench: Bench
    _: KW_ONLY
    clock: Clock
    person: Person
    undo: Callable[[], bool]  #: Withdraws the last result; returns whether one was withdrawn.
    cards: bool = False  #: Show a hook-up card before each check.
    before: str = ""  #: Why the next check is due although it was begun before; said once.
    _limits_shown: str = field(default="", init=False)

    def run(self, check: Check, acquisition: Acquisition) -> Result | None:
        """Do a check and record it; None if it was skipped, or given up after an error.

        Raises
        ------
        StoppedError, UndoneError
            If the user stops, or withdraws the last result.
        InstrumentError
            If an instrument fails and there is nobody to ask.
        """
        while True:
            acquisition.cards = self.cards
            self._introduce(check, acquisition)
            try:
                measured = self._measured(check, acquisition)
            except SkippedError as skipped:
                self.book.append("skip", {"check_id": check.id, "part": check.part, "reason": str(skipped)})
                self.person.show(f"  skipped: {skipped}")
                return None
            except InputEndedError:
                raise
            except (AnalysisError, InstrumentError, UsageError) as error:
                if not self._once_more(check, error, acquisition):
                    return None
            else:
                return self._recorded(measured, acquisition)

    def _recorded(self, measured: CheckOutcome, acquisition: Acquisition) -> Result:
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
        return record_result(
            self.book,
            self.clock,
            result,
            readings=[r for r in measured.readings if not kept.get(id(r))],
            captures=measured.captures,
            simulated=bool(self.bench.simulated),
        )

    def _measured(self, check: Check, acquisition: Acquisition) -> CheckOutcome:
        """Do the steps of a check; start again from its hook-up if the user withdraws an answer."""
        while True:
            acquisition.begin(self._context(check, acquisition))
            try:
                with (
                    self._powered(check, acquisition),
                    acquisition.going_back(lambda: self._take_back(check, acquisition)),
                ):
                    wiring = check.wiring()
                    reads = wiring.function if wiring is not None else None
                    if check.hookup:
                        acquisition.do(check.hookup, f"{check.id}/hookup", reads=reads)
                    elif self.person.interactive and wiring is not None:
                        acquisition.do("connected as drawn?", f"{check.id}/hookup", reads=reads)
                    self._note_power(check, acquisition)
                    return measure(check, self.plan, acquisition)
            except TakenBackError:
                continue

    @contextmanager
    def _powered(self, check: Check, acquisition: Acquisition) -> Iterator[None]:
        """After a check that energises something, ask to power off, however it ends."""
        wiring = check.wiring()
        off = wiring.power_off if wiring is not None else ""
        try:
            yield
        finally:
            if off and acquisition.energised:
                self.person.caution(f"{check.part}: {off}")

    @staticmethod
    def _note_power(check: Check, acquisition: Acquisition) -> None:
        """Once the hook-up is confirmed, note what may stay energised."""
        wiring = check.wiring()
        powered = wiring is not None and wiring.power_off
        acquisition.energised = f"{check.part} may still be powered since {check.id}" if powered else ""

    def _context(self, check: Check, acquisition: Acquisition) -> CheckContext:
        return CheckContext(
            name=check.id,
            mains_referenced=check.mains_referenced,
            fed_by=getattr(check, "source", None) or "",
            by_file=getattr(check, "capture", None) == "file",
            keep=lambda reading, use: f"readings:{self.book.append_readings([reading], uses=[use]).seq}",
            supersede=partial(supersede, self.book),
            undo=self.undo,
            fix_limits=partial(self._fix_limits, check),
            know=partial(self._know, check, acquisition.bench),
            recorded=lambda tag, function: known_of(self.book, tag, function, self.clock.utc_ns()),
            found_bad=partial(note_found_bad, self.book, check.id),
            renewed=partial(note_new_battery, self.book),
        )

    def _take_back(self, check: Check, acquisition: Acquisition) -> bool:
        """Begin a check again; its readings are superseded, with a reason."""
        if not acquisition.withdraw(0, f" and begin {check.id} again", check.id):
            return False
        withdraw_found_bad(self.book, check.id, "its check was begun again")
        self.person.show(f"  {check.id} starts again at its hook-up")
        return True

    def _introduce(self, check: Check, acquisition: Acquisition) -> None:
        """Announce a check, show its card, record expectation and limits."""
        person, part = self.person, self.plan.parts[check.part]
        self._limits_shown = ""
        title = check.title or check.__struct_config__.tag
        person.new_check()
        number = 1 + list(self.plan.checks).index(check.id)
        person.show()
        name = f"{part.tag} {part.name}".strip()
        person.show(
            f"== {check.id}  check {number} of {len(self.plan.checks)}: {title}  ({name})", style="bold"
        )
        dangers = [check.caution] if check.caution else []
        if part.stored_energy:
            dangers.append(
                f"{part.tag} can store energy ({part.stored_energy}): power off, wait, measure it, discharge it through "
                "a resistor and measure again before you touch it"
            )
        if check.mains_referenced:
            dangers.append("connected to mains: rated meter and leads only, no scope clip; local rules apply")
        for danger in dangers:
            person.show(f"  ! {danger}", style=DANGER)
        if self.before:
            person.show(f"  last time: {self.before}")
            self.before = ""
        for doubt in self._doubted(check):  # before the meter is connected
            person.show(f"! {doubt}", style="bold")
        if (wiring := check.wiring()) is not None:
            acquisition.show_hookup(wiring)
        expected = expectation(check, self.plan)
        if expected:
            person.show(f"  expected: {expected}", style="bold")
        self._fix_limits(check, expected, limits(check, self.plan))

    def _doubted(self, check: Check) -> list[str]:
        """Cautions about the instruments a check names."""
        wiring = check.wiring()
        function = str(getattr(check, "function", None) or (wiring.function if wiring else None) or "")
        named = dict.fromkeys(check.meters_named if function else (), function)
        named |= {tag: "" for name in ("scope", "generator") if (tag := getattr(check, name, None))}
        if not named:
            return []
        doubts = self._doubts()
        found = {tag: doubt for tag, used in named.items() if (doubt := doubts.of(tag, used)) is not None}
        words = [doubt.caution for doubt in found.values()]
        if any(tag in found for tag in check.meters_named) and (good := self._good_meter(function, doubts)):
            words.append(f"{good} is not in doubt")
        return words

    def _good_meter(self, function: str, doubts: MeterDoubts) -> str:
        """A meter of the bench that is not in doubt in this function; empty if there is none."""
        meters = (i.tag for i in self.bench.instruments.values() if i.kind == "meter")
        return next((tag for tag in meters if doubts.of(tag, function) is None), "")

    def _fix_limits(self, check: Check, expected: str, fixed: Mapping[str, Limits]) -> None:
        """Show the limits, unless they are those shown last, and record them before the reading."""
        words = f"  limits: {all_limits_words(fixed)}" if fixed else ""
        if words and words != self._limits_shown:
            self.person.show(words, style="bold")
        self._limits_shown = words
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

    def _know(self, check: Check, bench: Bench, metered: MeterReading) -> MeterReading:
        """Add the meter's known error, unless the meter itself is being checked."""
        instrument = bench.instruments.get(metered.reading.instrument)
        if isinstance(check, CrossCheck) or (instrument is not None and instrument.data_sheet_only):
            return metered
        return with_evidence(metered, self.book.entries(EVIDENCE_KINDS), self.clock.utc_ns())

    def _once_more(
        self, check: Check, error: InstrumentError | AnalysisError | UsageError, acquisition: Acquisition
    ) -> bool:
        """Record an error and ask whether to try the check again; a script gets the error itself."""
        if isinstance(error, UsageError) and not self.person.interactive:
            raise error
        self.book.append("trouble", {"check_id": check.id, "message": str(error), "hint": error.hint})
        self.person.show(f"  {check.id} not done: {error}", style="bold")
        if error.hint:
            self.person.show(f"  try: {error.hint}")
        if not self.person.interactive:
            if isinstance(error, InstrumentError):
                raise error
            return False
        acquisition.begin(CheckContext(name=check.id, undo=self.undo))
        return acquisition.go_on(f"{check.id} is not done.", f"{check.id}/trouble", ("again",)) == "again"
