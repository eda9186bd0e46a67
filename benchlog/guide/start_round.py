"""Check of the meters before a session: tips shorted, then check standards."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchlog.bench import Bench, Standard
from benchlog.clock import DAY_NS
from benchlog.errors import BenchlogError
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.dialogue import SkippedError, TakenBackError
from benchlog.guide.person import Prompt
from benchlog.guide.session_history import withdraw_standard
from benchlog.logbook import Logbook
from benchlog.metrology.meter_reading import MeterReading
from benchlog.plan import Check, Plan
from benchlog.project.check_standard import StandardCheck, typing_slip
from benchlog.project.meter_doubt import says_nothing
from benchlog.project.standard_record import record_exploratory, record_standard, standard_of
from benchlog.reading import Function
from benchlog.result import Verdict
from benchlog.wording import MARKS

#: A check standard read earlier than this belongs to another session.
SESSION_NS = 12 * 3600 * 1_000_000_000
#: Two good leads have less than this together; more means a poor plug or tip (common practice, no source).
LEADS_OHM = 1.0


@dataclass(frozen=True, slots=True)
class DueMeter:
    """A meter to check, when it was last checked, and its standards, one per reference."""

    tag: str
    ago: str
    standards: tuple[Standard, ...]


def due_meters(checks: Iterable[Check], bench: Bench, book: Logbook, now_utc_ns: int) -> list[DueMeter]:
    """Return the meters of some checks that were not checked on a standard this session."""
    chosen = _best_standards(bench)
    if not chosen:
        return []
    last: dict[str, int] = {}
    superseded = book.superseded()
    for entry in book.entries("standard"):
        if entry.seq in superseded or says_nothing(entry):
            continue
        last[str(entry.body["meter"])] = entry.utc_ns
    found = []
    for tag in _meters(checks, bench):
        when = last.get(tag)
        if when is not None and now_utc_ns - when < SESSION_NS:
            continue
        days = (now_utc_ns - when) // DAY_NS if when is not None else 0
        ago = "never" if when is None else f"{days} days ago" if days > 1 else "yesterday"
        found.append(DueMeter(tag, ago, chosen))
    return found


def start_round(due: Sequence[DueMeter], plan: Plan, acquisition: Acquisition, book: Logbook) -> list[str]:
    """Do the round; returns the tags of meters that failed.

    Parameters
    ----------
    plan : Plan
        Says which hold points can be undone, if a meter fails.
    book : Logbook
        Open for writing.
    """
    undoable = [h.id for h in plan.holds.values() if not h.irreversible]
    failed = _Round(due, undoable, acquisition, book).run()
    for tag in failed:
        acquisition.person.show(
            f"  {tag} is outside its specification: change its battery, or measure with another meter",
            style="bold",
        )
    return failed


class _Round:
    """Steps of a round in order: for each meter its leads, then each standard; the last step can be undone."""

    def __init__(
        self, due: Sequence[DueMeter], undoable: Sequence[str], acquisition: Acquisition, book: Logbook
    ) -> None:
        self.acquisition = acquisition
        self.book = book
        self.undoable = undoable
        self.steps: list[tuple[str, Standard | None]] = []
        for meter in due:
            self.steps += [(meter.tag, None), *((meter.tag, standard) for standard in meter.standards)]
        self.next = 0
        self.done: list[tuple[int, int, bool]] = []  # step, entry before it, whether it passed

    def run(self) -> list[str]:
        """Do the round; returns the tags of meters that failed."""
        with self.acquisition.going_back(self._take_back):
            going_on = True
            while going_on:
                try:
                    going_on = self._go_on()
                except SkippedError as skipped:
                    tag = self.steps[self.next][0]
                    self.acquisition.person.show(f"  {tag} skipped: {skipped}")
                    while self.next < len(self.steps) and self.steps[self.next][0] == tag:
                        self.next += 1
                except TakenBackError:
                    pass
        return list(dict.fromkeys(self.steps[step][0] for step, _, passed in self.done if not passed))

    def _go_on(self) -> bool:
        """Do the next step; the last one can still be undone. False when all is done."""
        if self.next == len(self.steps):
            if self.acquisition.person.interactive:
                self.acquisition.go_on("Check standards done.", "start/next")
            return False
        before = self.book.head().seq
        passed = self._step(*self.steps[self.next])
        self.done.append((self.next, before, passed))
        self.next += 1
        return True

    def _step(self, tag: str, standard: Standard | None) -> bool:
        if standard is not None:
            return _on_standard(tag, standard, self.acquisition, self.book, self.undoable)
        _leads(tag, self.acquisition)
        return True

    def _take_back(self) -> bool | None:
        """Withdraw the last step's entries; it is done again."""
        if not self.done:
            return None
        step, before, _ = self.done[-1]
        tag, standard = self.steps[step]
        name = f"{tag} on {standard.tag}" if standard else f"{tag} with its tips shorted"
        if standard is not None:
            prompt = Prompt("text", f"withdraw {name}: what was wrong?", f"start/{tag}/undo")
            reason = self.acquisition.person.answer(prompt).strip()
            if not reason:
                self.acquisition.person.show("  not withdrawn: that needs a reason")
                return False
            withdraw_standard(self.book, before, reason)
        self.done.pop()
        self.next = step
        self.acquisition.person.show(f"  {name} again")
        return True


def misspelt_meters(checks: Iterable[Check], bench: Bench) -> list[str]:
    """Find meters of a plan that are not in the bench file but have nearly the name of one that is."""
    found = []
    for check in checks:
        for tag in check.meters_named:
            near = difflib.get_close_matches(tag, bench.instruments, n=1, cutoff=0.7)
            if tag not in bench.instruments and near:
                found.append(f"{check.id}: meter {tag} is not in the bench file; is it {near[0]}?")
    return found


def _leads(tag: str, acquisition: Acquisition) -> None:
    """Check the leads, tips shorted on ohms, to find an open lead before it spoils a reading."""
    key = f"start/{tag}/tips"
    acquisition.do(f"{tag}: set it to ohms and short the tips", key)
    taken = acquisition.reading(tag, Function.OHMS, "tips shorted", f"{key}/reading")
    shown = taken.reading
    if shown.value is None:
        acquisition.person.show(
            f"  ! {tag} shows {shown.displayed}: a lead is open, or not plugged in", style="bold"
        )
    elif shown.value > LEADS_OHM:
        acquisition.person.show(f"  ! {tag} shows {shown.displayed}: a poor lead, plug or tip", style="bold")


def _on_standard(
    tag: str, standard: Standard, acquisition: Acquisition, book: Logbook, undoable: Sequence[str]
) -> bool:
    key = f"start/{tag}/{standard.tag}"
    passed = _read_on(tag, standard, acquisition, book, undoable, key)
    if not passed and acquisition.new_battery(tag, "is outside its specification", key):
        passed = _read_on(tag, standard, acquisition, book, undoable, f"{key}/left", as_left=True)
    return passed


def _read_on(
    tag: str,
    standard: Standard,
    acquisition: Acquisition,
    book: Logbook,
    undoable: Sequence[str],
    key: str,
    *,
    as_left: bool = False,
) -> bool:
    """Read a standard, judge and record it; whether the meter passed."""
    value = standard_of(standard)
    acquisition.do(f"{tag} on {standard.tag}, {standard.value}: dial {standard.function}", key)
    taken: MeterReading = acquisition.reading(
        tag, standard.function, standard.tag, f"{key}/reading", expect=value.value
    )
    slip = typing_slip(taken, value)
    if slip and not acquisition.person.interactive:  # a person was already asked and kept the value
        record_exploratory(book, taken, value, slip)
        acquisition.person.show(f"  {tag} not judged: {slip}", style="bold")
        return True
    try:
        check, _, recall = record_standard(
            book,
            taken,
            value,
            acquisition.clock.utc_ns(),
            as_left=as_left,
            undoable=undoable,
            step=acquisition.bench.display_step(taken.reading),
        )
    except BenchlogError as error:
        acquisition.person.show(f"  not judged: {error}", style="bold")
        return True
    acquisition.person.show(
        f"  {MARKS[check.verdict.value]} {check.verdict.words}  {tag} on {standard.tag}: {_score(check)}",
        style="bold",
    )
    for finding in check.findings:
        acquisition.person.show(f"    {finding}")
    if recall is not None:
        nothing = "nothing more than listed above" if recall.known else "no earlier result used it"
        names = ", ".join(r.check_id or r.check for r in recall.results) or nothing
        acquisition.person.show(f"    recalled: {names}", style="bold")
    if check.verdict is Verdict.PASS:
        acquisition.read_right(tag)
    return check.verdict is not Verdict.FAIL


def _score(check: StandardCheck) -> str:
    """E_n; it says nothing where digits are missing."""
    return "too coarse" if check.verdict is Verdict.INDETERMINATE else f"E_n {abs(check.e_n):.2f}"


def _best_standards(bench: Bench) -> tuple[Standard, ...]:
    """The most accurate standard of each function."""
    best: dict[Function, tuple[float, Standard]] = {}
    for standard in bench.standards.values():
        value = standard_of(standard)
        width = value.half_width / abs(value.value)
        if standard.function not in best or width < best[standard.function][0]:
            best[standard.function] = (width, standard)
    return tuple(standard for _, standard in best.values())


def _meters(checks: Iterable[Check], bench: Bench) -> list[str]:
    """Meters named by the checks; all meters of the bench if a check lets the user choose."""
    checks = list(checks)
    named = [tag for check in checks for tag in check.meters_named]
    meters = [i.tag for i in bench.instruments.values() if i.kind == "meter"]
    if any(check.meter_left_open for check in checks):
        return meters
    return [tag for tag in meters if tag in named]
