"""Look into a reading that looks wrong: the diagnosis asks, the person acts, until part or meter is found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import msgspec

from benchlog.diagnosis import Case, Diagnosis, Session, parse_evidence, plausible
from benchlog.diagnosis.answer import HAZARD
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.diagnosis.outcome import parse_shown
from benchlog.diagnosis.session import READ_AGAIN
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.guide.acquisition import Acquisition, SkippedError
from benchlog.guide.manual_reading import expected_quantity, shown_text
from benchlog.guide.person import Prompt
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function, Reading
from benchlog.result import Limits, Result
from benchlog.units import Quantity, format_quantity

__all__ = ["Doubt", "Resolved", "believed", "diagnose_with", "look_into", "with_diagnosis"]

MAX_CHECKS = 10
_ROUNDS = 2  # how often something is put right and read again before it is left as it is
_READ_AGAIN = ("lead", "setting", "supply", "none")
_OHMS = ("short_tips_ohms", "known_resistor", "ohms_output", "ohms_plug")
_DC = ("dc_same_points", "fresh_cell")
_TYPED = ("read_mains", "scope_output")
#: Actions that put a grounded clip on the node.
_SCOPE = ("scope_output",)


@dataclass(slots=True)
class Doubt:
    """A diagnosis and what it came to.

    Attributes
    ----------
    session : Session
        The engine's side of it.
    last : Diagnosis
        Its latest answer.
    path : list of (action, outcome as shown)
        What was done, in order.
    readings : list of Reading
        Everything read on the way.
    second : MeterReading or None
        What the second meter showed, if it was asked.
    """

    session: Session
    last: Diagnosis
    path: list[tuple[str, str]] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    second: MeterReading | None = None

    def take(self, action: str, shown: str) -> None:
        """Take in what a check showed."""
        self.session.update(parse_evidence((action, shown)))
        self.path.append((action, shown))
        self.last = self.session.state()

    def read_again(self, reading: Reading) -> None:
        """Take in the reading after what was decided was put right: it is confirmed, or more is wrong."""
        if self.decided and not self.last.confirmed:
            self.take(READ_AGAIN, shown_text(reading))

    @property
    def decided(self) -> bool:
        """Whether one cause is clearly the most likely."""
        return self.last.stop == "decided"

    @property
    def family(self) -> str:
        """Family of the leading cause: part, lead, setting, meter, supply, plan or none."""
        return self.last.causes[0].family

    def in_words(self) -> str:
        """The outcome in one line."""
        cause = self.last.causes[0]
        if self.decided:
            return f"{cause.label} (P {min(cause.probability, 0.99):.2f})"
        names = {c.id: c.label for c in self.last.causes}
        left = " or ".join(names[c] for c in self.last.survivors[:4])
        return f"{self.last.stop or 'broken off'}: {left}"

    def to_json(self) -> dict[str, Any]:
        """Path and answer for the record."""
        return {"path": [list(step) for step in self.path], **self.last.to_json()}


def diagnose_with(
    acquisition: Acquisition,
    first: MeterReading,
    expect_value: float,
    key: str,
    *,
    mains_nominal_v: float | None = None,
    seed: int = 1,
) -> Doubt:
    """Find out why a reading is not what was expected.

    Parameters
    ----------
    acquisition : Acquisition
        Takes the readings asked for.
    first : MeterReading
        The reading that looks wrong.
    expect_value : float
        What was expected, in the reading's unit.
    key : str
        Name of the step, for scripts.
    mains_nominal_v : float, optional
        Nominal mains.
    seed : int
        Of the engine's draws.
    """
    reading = first.reading
    case = Case(
        expected_quantity(expect_value, reading.function),
        parse_shown(shown_text(reading), what="reading"),
        mains_nominal_v=mains_nominal_v or 230.0,
        context=acquisition.context(reading.instrument),
    )
    session = Session(case, seed=seed)
    doubt = Doubt(session, session.state())
    _ask_on(acquisition, doubt, reading, key)
    return doubt


def _ask_on(acquisition: Acquisition, doubt: Doubt, reading: Reading, key: str) -> None:
    """Have the checks done that the engine asks for, until it stops."""
    unavailable: set[str] = set()
    while doubt.last.stop is None and len(doubt.path) < MAX_CHECKS:
        action = next((n for n in doubt.last.next if n.action not in unavailable), None)
        if action is None:
            break
        if HAZARD in doubt.last.cautions:
            acquisition.person.show(f"  ! {HAZARD}", style="bold")
        leading = doubt.last.causes[0]
        acquisition.person.show(
            f"  likely: {leading.label} ({leading.probability:.2f}); P(output live) {doubt.last.p_live:.2f}, treat it as live"
        )
        acquisition.person.show(f"  next check: {action.action.replace('_', ' ')}, {action.minutes:g} min")
        try:
            shown = _perform(acquisition, action.action, action.card, reading, key, doubt)
        except (SkippedError, UsageError) as reason:
            acquisition.person.show(f"  left out: {reason}")
            unavailable.add(action.action)
            continue
        doubt.take(action.action, shown)
    acquisition.person.show(f"  diagnosis: {doubt.in_words()}", style="bold")
    for caution in doubt.last.cautions:
        acquisition.person.show(f"  ! {caution}", style="bold")


@dataclass(frozen=True, slots=True)
class Resolved:
    """Readings after a diagnosis: the one to judge, the one that confirms it, and all that were taken."""

    judged: MeterReading
    second: MeterReading | None = None
    doubt: Doubt | None = None
    readings: tuple[Reading, ...] = ()


def believed(reading: MeterReading, expect_value: float | None, limits: Limits | None = None) -> bool:
    """Return whether a reading can be accepted without being looked into.

    It can when nothing is expected of it, when it lies within its limits, or near enough to what is expected.
    """
    if expect_value is None or expect_value == 0:
        return True
    shown = reading.reading
    if shown.value is None:
        return False
    if limits is not None and (limits.low is not None or limits.high is not None):
        low = -float("inf") if limits.low is None else limits.low
        high = float("inf") if limits.high is None else limits.high
        if low <= shown.value <= high:
            return True
    wanted = expected_quantity(expect_value, shown.function)
    quantity = Quantity(shown.value, shown.unit, shown.resolution, wanted.coupling, shown.displayed)
    return plausible(wanted, quantity, reading.settled().standard_uncertainty)


def look_into(
    acquisition: Acquisition,
    first: MeterReading,
    expect_value: float,
    key: str,
    what: str,
    *,
    mains_nominal_v: float | None = None,
) -> Resolved:
    """Diagnose a reading that looks wrong, repair what can be repaired, read again, let a second meter confirm.

    Parameters
    ----------
    acquisition : Acquisition
    first : MeterReading
        The reading that looks wrong.
    expect_value : float
        What was expected, in the reading's unit.
    key : str
        Name of the step, for scripts.
    what : str
        What is measured, for prompts.
    mains_nominal_v : float, optional
        Nominal mains.
    """
    shown = first.reading
    acquisition.person.show(
        f"  {shown.displayed} where {format_quantity(expect_value, shown.unit)} is expected: Part or meter?",
        style="bold",
    )
    if acquisition.mains_referenced:
        # The cheapest checks (a load, ohms, a scope) are the dangerous ones here.
        acquisition.person.show(
            "  not looked into on a mains-referenced node: power off, then prove the meter on a known source"
        )
        return Resolved(first, None, None, (shown,))
    if shown.unit not in ("V", "ohm", "A"):
        return Resolved(first, None, None, (shown,))
    doubt = diagnose_with(acquisition, first, expect_value, key, mains_nominal_v=mains_nominal_v)
    function, tag = shown.function, shown.instrument
    again, repeated = first, []
    for turn in range(_ROUNDS):
        if doubt.decided and doubt.family not in _READ_AGAIN:
            break
        step = key if turn == 0 else f"{key}/{turn + 1}"
        right = f"fix this first ({doubt.in_words()})" if doubt.decided else "not decided: set all up afresh"
        acquisition.do(f"{right}, then {tag} on the same points, {function}", f"{step}/mended")
        again = acquisition.reading(tag or None, function, what, f"{step}/again")
        repeated.append(again.reading)
        doubt.read_again(again.reading)
        if doubt.last.stop is not None:
            break
        _ask_on(acquisition, doubt, again.reading, f"{step}/more")
    readings = [shown, *doubt.readings, *repeated]
    second = doubt.second
    if second is None:
        others = [i.tag for i in acquisition.bench.instruments.values() if i.kind == "meter" and i.tag != tag]
        if not others:
            return Resolved(again, None, doubt, tuple(readings))
        acquisition.do(
            f"connect {others[0]} with its own leads to the same points, {function}", f"{key}/second"
        )
        second = acquisition.reading(others[0], function, what, f"{key}/second_reading")
        readings.append(second.reading)
        doubt.read_again(second.reading)
    if doubt.decided and doubt.family == "meter":
        return Resolved(second, None, doubt, tuple(readings))
    if again.reading.value is None or second.reading.value is None:
        return Resolved(again if second.reading.value is None else second, None, doubt, tuple(readings))
    better = min((again, second), key=lambda m: m.settled().standard_uncertainty)
    return Resolved(better, second if better is again else again, doubt, tuple(readings))


def with_diagnosis(result: Result, resolved: Resolved) -> Result:
    """Add the steps of a diagnosis to a result."""
    if resolved.doubt is None:
        return result
    first = resolved.readings[0].displayed
    return msgspec.structs.replace(
        result,
        details={**result.details, "diagnosis": resolved.doubt.to_json()},
        findings=(
            *result.findings,
            Finding(FindingKind.ENTRY, f"first reading {first} was looked into: {resolved.doubt.in_words()}"),
        ),
    )


def _perform(acquisition: Acquisition, action: str, card: str, first: Reading, key: str, doubt: Doubt) -> str:
    """Let the person do one check; returns its outcome as shown."""
    step = f"{key}/{action}"
    words = load_catalogue().actions[action].words
    if words:
        while True:
            answer = acquisition.ask(Prompt("choice", card, step, first.instrument, choices=words))
            if answer in words:
                return answer
            acquisition.person.show(f"  one of: {', '.join(words)}")
    if action in _SCOPE and acquisition.mains_referenced:
        raise UsageError("no scope clip on a mains-referenced node: its ground is protective earth")
    if action in _TYPED:
        text = acquisition.ask(Prompt("quantity", card, step))
        if not text:
            raise SkippedError("not at hand")
        return text
    acquisition.do(card, step)
    tag, function = first.instrument, first.function
    if action in _OHMS:
        function = Function.OHMS
    elif action in _DC:
        function = Function.DC_VOLTS
    elif action == "second_meter":
        tag = _other_meter(acquisition, first.instrument)
    taken = acquisition.reading(tag or None, function, action.replace("_", " "), f"{step}/reading")
    doubt.readings.append(taken.reading)
    if action == "second_meter":
        doubt.second = taken
    return shown_text(taken.reading)


def _other_meter(acquisition: Acquisition, tag: str) -> str:
    others = [i.tag for i in acquisition.bench.instruments.values() if i.kind == "meter" and i.tag != tag]
    if not others:
        raise UsageError("no second meter on the bench")
    return others[0]
