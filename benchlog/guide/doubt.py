"""Diagnose a reading that looks wrong: the diagnosis asks, the user acts, until part or meter is found."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import msgspec

from benchlog.diagnosis import Case, Diagnosis, NextCheck, Session, parse_evidence
from benchlog.diagnosis.answer import NOTHING_FITS
from benchlog.diagnosis.case import MAINS_NOMINAL_V
from benchlog.diagnosis.catalogue import OTHER_METER
from benchlog.diagnosis.doubtful import display_text, expected_quantity
from benchlog.diagnosis.outcome import parse_shown
from benchlog.diagnosis.session import READ_AGAIN
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.dialogue import SkippedError
from benchlog.guide.inquiry import (
    Inquiry,
    card_text,
    choice_prompt,
    recorded,
    several_seen,
    survivors_in_words,
)
from benchlog.guide.person import InputEndedError, Prompt
from benchlog.metrology.conformity import whole_percent
from benchlog.metrology.meter_reading import MeterReading
from benchlog.number_format import format_quantity
from benchlog.reading import Function, Reading
from benchlog.result import Result

COMPARED_WITH_A_METER = "compared with a meter"
"""Context of a diagnosis: the expected value is another meter's reading."""
MAX_CHECKS = 10
_ROUNDS = 2  # how often something is fixed and read again at most
_ROWS = 3
_READ_AGAIN = ("lead", "setting", "supply", "none")
_OHMS = ("short_tips_ohms", "known_resistor", "ohms_output", "ohms_plug")
_DC = ("dc_same_points", "fresh_cell")
_TYPED = ("read_mains", "scope_output")
_SCOPE = ("scope_output",)  # connects a grounded clip to the points
_LOW_BATTERY, _NEW_BATTERY = "meter_battery_low", "new_battery"


@dataclass(slots=True)
class _Step:
    """State before a check of a diagnosis."""

    kept: int
    readings: int
    second: MeterReading | None


@dataclass(slots=True)
class MeterDiagnosis:
    """A diagnosis of a meter's reading in a guided run: the user does each check, the meter is read."""

    acquisition: Acquisition  #: Takes the readings asked for.
    session: Session  #: The diagnosis engine's session.
    first: Reading  #: The reading that looks wrong.
    key: str  #: Name of the step, for scripts.
    readings: list[Reading] = field(default_factory=list)  #: All readings during it.
    second: MeterReading | None = None  #: Reading of the second meter, if any.
    renewed: bool = False  #: The meter has a new battery since.
    beside: str = ""  #: Tag of the meter whose reading of the same points is the expected value, if one is.
    _steps: list[_Step] = field(default_factory=list)

    @classmethod
    def begun(
        cls,
        acquisition: Acquisition,
        first: Reading,
        expect: float,
        key: str,
        mains_nominal_v: float | None,
        beside: str = "",
    ) -> MeterDiagnosis:
        """Begin with a reading and its expected value in the same unit, which a meter `beside` it may have shown."""
        known = acquisition.context(first.instrument, first.function)
        case = Case(
            expected_quantity(expect, first.function),
            parse_shown(display_text(first), what="reading"),
            mains_nominal_v=mains_nominal_v or MAINS_NOMINAL_V,
            context=(*known, COMPARED_WITH_A_METER) if beside else known,
            fed_by=acquisition.check.fed_by,
        )
        return cls(acquisition, Session(case), first, key, beside=beside)

    def ask_on(self, key: str = "") -> None:
        """Ask for the checks that the engine proposes, until it stops."""
        key = key or self.key
        inquiry = Inquiry(
            self.session,
            self.acquisition,
            lambda check: (check.action, self._done(check, key)),
            taken_back=self._taken_back,
            rows=_ROWS,
        )
        inquiry.go_on(most=MAX_CHECKS - len(self.session.done))
        self.acquisition.person.show(f"  diagnosis: {self.in_words()}", style="bold")

    def _taken_back(self) -> bool:
        if not self._steps:  # answered before the result was judged
            return False
        step = self._steps[-1]
        if not self.acquisition.withdraw(step.kept, "", self.key):
            return False
        self._steps.pop()
        del self.readings[step.readings :]
        self.second = step.second
        return True

    def _done(self, check: NextCheck, key: str) -> str:
        """Have one check done; returns its outcome as shown."""
        acquisition = self.acquisition
        before = _Step(len(acquisition.kept), len(self.readings), self.second)
        step = f"{key}/{check.action}"
        try:
            shown = self._asked(check, step) or self._read(check.action, card_text(check), step)
        except InputEndedError:
            raise
        except UsageError as error:
            raise SkippedError(str(error)) from None
        self._steps.append(before)
        return shown

    def _asked(self, check: NextCheck, step: str) -> str:
        """Outcome of a check that is seen or read elsewhere; empty for one that this meter reads."""
        acquisition, action = self.acquisition, check.action
        if prompt := choice_prompt(self.session, check, step, self.first.instrument):
            return several_seen(acquisition, prompt, acquisition.choose(prompt))
        if action in _SCOPE and acquisition.check.mains_referenced:
            raise SkippedError("no scope clip on a node connected to mains: it is protective earth")
        if action not in _TYPED:
            return ""
        while text := acquisition.ask(Prompt("quantity", card_text(check), step)):
            try:
                self.session.answer(action, text)
            except UsageError as error:
                acquisition.person.show(f"  not taken: {error}; {error.hint}")
            else:
                return text
        raise SkippedError("not at hand")

    def _read(self, action: str, card: str, step: str) -> str:
        acquisition, tag, function = self.acquisition, self.first.instrument, self.first.function
        if action == "second_meter":
            tag = self.other_meter()
        instrument = acquisition.bench.instruments.get(tag)
        if instrument is None or not instrument.linked:
            card = f"{card} Note the reading: you are asked for it next."
        acquisition.do(card, step, self.first.instrument)
        if action == _NEW_BATTERY:
            self.renewed = True
            acquisition.check.renewed(tag)
        if action in _OHMS:
            function = Function.OHMS
        elif action in _DC:
            function = Function.DC_VOLTS
        taken = acquisition.reading(tag or None, function, action.replace("_", " "), f"{step}/reading")
        self.readings.append(taken.reading)
        if action == "second_meter":
            self.second = taken
        word = self.session.catalogue.actions[action].or_word
        if word and acquisition.person.interactive:
            question = "Did the display jump while the leads were moved?"
            if acquisition.confirm(question, f"{step}/{word}"):
                return word
        return display_text(taken.reading)

    def other_meter(self) -> str:
        """Tag of a meter that has not read these points yet.

        Raises
        ------
        SkippedError
            If the bench has none.
        """
        used = (self.first.instrument, self.beside)
        meters = (i.tag for i in self.acquisition.bench.instruments.values() if i.kind == "meter")
        found = next((tag for tag in meters if tag not in used), "")
        if not found:
            raise SkippedError("no other meter on the bench")
        return found

    @property
    def good_again(self) -> bool:
        """Whether all that was found is a low battery, and the meter has a new one since."""
        return self.decided and self.state.causes[0].id == _LOW_BATTERY and self.renewed

    def offer_battery(self, key: str) -> None:
        """Offer a new battery if that is what the meter needs."""
        if self.decided and self.state.causes[0].id == _LOW_BATTERY and not self.renewed:
            self.renewed = self.acquisition.new_battery(self.first.instrument, "has a low battery", key)

    def read_again(self, reading: Reading) -> None:
        """Take the reading after the fix: it confirms the cause, or more is wrong."""
        if self.decided and not self.state.confirmed:
            self._take(READ_AGAIN, reading)

    def read_by_another(self, reading: Reading) -> None:
        """Take the reading of another meter: it confirms what was decided, else it is evidence like any other."""
        if self.decided:
            self.read_again(reading)
        else:
            self._take("second_meter", reading)

    def _take(self, action: str, reading: Reading) -> None:
        self._steps.append(_Step(len(self.acquisition.kept), len(self.readings), self.second))
        self.session.update(parse_evidence((action, display_text(reading))))

    @property
    def state(self) -> Diagnosis:
        """The engine's latest answer."""
        return self.session.state()

    @property
    def decided(self) -> bool:
        """Whether one cause is clearly the most likely."""
        return self.state.stop == "decided"

    @property
    def family(self) -> str:
        """Family of the leading cause: part, lead, setting, meter, other meter, supply, plan or none."""
        return self.state.causes[0].family

    def in_words(self) -> str:
        """Outcome in one line."""
        state = self.state
        cause = state.causes[0]
        if self.decided:
            return f"{cause.label} ({whole_percent(cause.probability)})"
        return f"not decided: {survivors_in_words(state)}" if state.stop != NOTHING_FITS else NOTHING_FITS

    def to_json(self) -> dict[str, Any]:
        """Steps and answer, for the record."""
        beside = {"beside": self.beside} if self.beside else {}
        return {**recorded(self.session, self.first.displayed), **beside}

    def note_doubt(self) -> None:
        """Put a meter found bad, or one with an unrepaired lead, in doubt for the following checks."""
        tag = self.first.instrument
        unmended = self.decided and self.family == "lead" and not self.state.confirmed
        if self.good_again:
            self.acquisition.person.show(
                f"  {tag} has a new battery now. Its earlier results may be wrong; to mark them: "
                f'benchlog recall {tag} --reason "low battery", then benchlog recall {tag} --repaired "new battery"',
                style="bold",
            )
        elif self.decided and self.family == OTHER_METER:
            self._found_bad(self.beside, f"it disagrees with {tag}, which reads right")
        elif self.state.meter_at_fault or unmended:
            self._found_bad(
                tag, self.state.causes[0].label if self.decided else survivors_in_words(self.state)
            )

    def _found_bad(self, tag: str, cause: str) -> None:
        if not tag:
            return
        self.acquisition.check.found_bad(tag, self.first.function, cause)
        self.acquisition.person.show(
            f'  {tag} is in doubt from now on: {cause}. Results with it are "can\'t tell" until it is fixed '
            "and passes a check standard.",
            style="bold",
        )


@dataclass(frozen=True, slots=True)
class Resolved:
    """Readings after a diagnosis: the one to judge, the one that confirms it, and all readings."""

    judged: MeterReading
    second: MeterReading | None = None
    doubt: MeterDiagnosis | None = None
    readings: tuple[Reading, ...] = ()


def look_into(
    acquisition: Acquisition,
    first: MeterReading,
    expect_value: float,
    key: str,
    what: str,
    *,
    mains_nominal_v: float | None = None,
) -> Resolved:
    """Diagnose a reading that looks wrong, have it fixed if possible, read again, confirm with a second meter.

    Parameters
    ----------
    first : MeterReading
        The reading that looks wrong.
    expect_value : float
        Expected value, in the reading's unit.
    key : str
        Name of the step, for scripts.
    what : str
        What is measured, for prompts.
    mains_nominal_v : float, optional
        Nominal mains.
    """
    shown = first.reading
    acquisition.is_looked_into(shown)
    acquisition.person.show(
        f"  {shown.displayed}, but {format_quantity(expect_value, shown.unit)} expected. Part or meter?",
        style="bold",
    )
    if acquisition.check.mains_referenced:
        # The cheapest checks (a load, ohms, a scope) are the dangerous ones here.
        acquisition.person.show(
            "  no diagnosis on a node connected to mains: power off, then prove the meter on a known source"
        )
    if acquisition.check.mains_referenced or shown.unit not in ("V", "ohm", "A"):
        return Resolved(first, None, None, (shown,))
    doubt = MeterDiagnosis.begun(acquisition, shown, expect_value, key, mains_nominal_v)
    doubt.ask_on()
    again = _mended(doubt, what)
    second = doubt.second or _second_meter(doubt, what)
    doubt.note_doubt()
    readings = (shown, *doubt.readings)
    judged, confirming = _to_judge(doubt, again or first, second)
    return Resolved(judged, confirming, doubt, readings)


def _mended(doubt: MeterDiagnosis, what: str) -> MeterReading | None:
    """Have the fault fixed and read again; returns the last such reading, None if there was nothing to fix."""
    acquisition, function, tag = doubt.acquisition, doubt.first.function, doubt.first.instrument
    again, power = None, doubt.session.source_words
    for turn in range(_ROUNDS):
        step = doubt.key if turn == 0 else f"{doubt.key}/{turn + 1}"
        doubt.offer_battery(step)
        if doubt.decided and doubt.family not in _READ_AGAIN and not doubt.good_again:
            break
        todo = "With the new battery," if doubt.good_again else f"Fix this first: {doubt.in_words()}. Then"
        right = todo if doubt.decided else "Not decided: set everything up again,"
        acquisition.do(
            f"{power['off']}. {right} {tag} on the same points while dead, {function}, {power['on']}",
            f"{step}/mended",
            tag,
        )
        again = acquisition.reading(tag or None, function, what, f"{step}/again")
        doubt.readings.append(again.reading)
        doubt.read_again(again.reading)
        if doubt.state.stop is not None:
            break
        doubt.ask_on(f"{step}/more")
    return again


def _second_meter(doubt: MeterDiagnosis, what: str) -> MeterReading | None:
    """Read the same points with another meter; None if there is none."""
    acquisition, function = doubt.acquisition, doubt.first.function
    try:
        other = doubt.other_meter()
    except SkippedError:
        return None
    power = doubt.session.source_words
    acquisition.do(
        f"{power['off']}. {doubt.first.displayed} was not expected, so confirm it with a second meter: {other} with its "
        f"own leads on the same points while dead, {function}, {power['on']}",
        f"{doubt.key}/second",
        doubt.first.instrument,
    )
    second = acquisition.reading(other, function, what, f"{doubt.key}/second_reading")
    doubt.readings.append(second.reading)
    doubt.read_by_another(second.reading)
    return second


def _to_judge(
    doubt: MeterDiagnosis, again: MeterReading, second: MeterReading | None
) -> tuple[MeterReading, MeterReading | None]:
    """Reading to judge, and reading that confirms it."""
    if second is None:
        return again, None
    if doubt.state.meter_at_fault and not doubt.good_again:
        return second, None
    if again.reading.value is None or second.reading.value is None:
        return (again if second.reading.value is None else second), None
    better = min((again, second), key=lambda m: m.settled().standard_uncertainty)
    return better, second if better is again else again


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
            Finding(FindingKind.ENTRY, f"first reading {first} was diagnosed: {resolved.doubt.in_words()}"),
        ),
    )
