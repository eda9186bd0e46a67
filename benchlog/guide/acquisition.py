"""How readings and captures come in during a guided run: from a link where there is one, else typed."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from types import TracebackType
from typing import Self

from benchlog.adapter import Adapter, Digitiser, Reader, Source
from benchlog.bench import Bench
from benchlog.capture import Capture
from benchlog.clock import Clock
from benchlog.errors import InstrumentError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.guide.cards import card_of, danger_lines
from benchlog.guide.linked import KeyPressedError, read_shown
from benchlog.guide.manual_reading import as_displayed, slip_questions
from benchlog.guide.person import InputEndedError, Person, Prompt
from benchlog.hookup import Hookup
from benchlog.metrology.meter_reading import MeterReading, correction
from benchlog.reading import Function, Reading
from benchlog.registry import make_adapter
from benchlog.result import Limits
from benchlog.units import format_quantity

__all__ = ["Acquisition", "SkippedError", "StoppedError", "TakenBackError", "UndoneError"]

_NO_UNDO = "  nothing to undo in this session"


class SkippedError(Exception):
    """The person skipped the step; the message is the reason typed."""


class StoppedError(Exception):
    """The person wants to stop here and continue another time."""


class UndoneError(Exception):
    """The person withdrew the last result; that check is done again before the present one."""


def _no_limits(expected: str, fixed: Mapping[str, Limits]) -> None:
    """Do nothing: outside a guided run there are no limits to record."""


class TakenBackError(Exception):
    """The person withdrew what was read in this check; it begins again."""


def _nothing_to_undo() -> bool:
    return False


def _by_data_sheet(metered: MeterReading) -> MeterReading:
    """Know no more of a meter than its data sheet."""
    return metered


def _not_kept(reading: Reading) -> str:
    """Keep nothing: for work without a logbook."""
    return ""


class Acquisition:
    """Takes readings and captures on a bench, with a person to move leads and type displays.

    Parameters
    ----------
    bench : Bench
    person : Person
    clock : Clock

    Attributes
    ----------
    kept : list of (Reading, str)
        Readings taken since `begin`, each with its reference.
    findings : list of Finding
        What was noticed on the way since `begin`: slips that were asked about.
    generators : set of str
        Generators that drove the part since `begin`.
    mains_referenced : bool
        The node under test is on the mains: no scope goes there.
    rested : bool
        The bench was not used for months: a diagnosis should know.
    cards : bool
        Whether hook-up cards are shown.
    know : callable
        Adds what is known of a meter to its reading.

    Notes
    -----
    Adapters are opened at first use and closed at the end. After a current measurement every volts step
    demands the jack confirmation: volts with a lead in the current jack is a short circuit.
    """

    def __init__(self, bench: Bench, person: Person, clock: Clock) -> None:
        self.bench = bench
        self.person = person
        self.clock = clock
        self.kept: list[tuple[Reading, str]] = []
        self.findings: list[Finding] = []
        self.generators: set[str] = set()
        self.mains_referenced = False
        self.rested = False
        self.cards = False
        self.know: Callable[[MeterReading], MeterReading] = _by_data_sheet
        self._keep: Callable[[Reading], str] = _not_kept
        self._undo: Callable[[], bool] = _nothing_to_undo
        self._take_back: Callable[[], bool] | None = None
        self.fix_limits: Callable[[str, Mapping[str, Limits]], None] = _no_limits
        self._adapters: dict[str, Adapter] = {}
        self._in_current_jack: set[str] = set()
        self._just_right: set[str] = set()
        self._after_current: set[str] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        with contextlib.ExitStack() as stack:
            for adapter in self._adapters.values():
                stack.callback(adapter.close)
        self._adapters.clear()

    def begin(
        self,
        *,
        mains_referenced: bool = False,
        keep: Callable[[Reading], str] = _not_kept,
        undo: Callable[[], bool] = _nothing_to_undo,
        take_back: Callable[[], bool] | None = None,
        fix_limits: Callable[[str, Mapping[str, Limits]], None] = _no_limits,
        know: Callable[[MeterReading], MeterReading] = _by_data_sheet,
    ) -> None:
        """Begin a check: nothing taken yet.

        Parameters
        ----------
        mains_referenced : bool
            The node under test is on the mains.
        keep : callable, optional
            Records a reading before it is confirmed as taken; returns a reference to it.
        undo : callable, optional
            Withdraws the last result; returns whether one was withdrawn.
        take_back : callable, optional
            Withdraws what was read since this moment; returns whether there was anything.
        fix_limits : callable, optional
            Shows and keeps what is expected and the limits to be judged by, where they hang on something read first.
        know : callable, optional
            Adds what is known of a meter to its reading; by default no more than its data sheet.
        """
        self.kept.clear()
        self.findings.clear()
        self.generators.clear()
        self.mains_referenced = mains_referenced
        self._keep, self._undo, self._take_back = keep, undo, take_back
        self.fix_limits, self.know = fix_limits, know

    def show_hookup(self, hookup: Hookup) -> None:
        """Say a hook-up aloud where speech is on, and show its card with the dangers where cards are wanted."""
        self.person.connect(hookup)
        if not self.cards:
            return
        card = card_of(hookup, self.bench)
        for danger in card.dangers:
            for line in danger_lines(danger):
                self.person.show(line, style="bold red")
        for line in card.lines():
            self.person.show(line)

    # ---- what is known of the meters ----

    def in_current_jack(self, tags: Iterable[str]) -> None:
        """Note that these meters measured current last, by the record."""
        self._in_current_jack.update(tags)
        self._after_current.update(tags)

    def read_right(self, tag: str) -> None:
        """Note that a meter just showed what was expected."""
        self._just_right.add(tag)
        self._after_current.discard(tag)

    def context(self, tag: str) -> tuple[str, ...]:
        """What a diagnosis should know of a meter before it begins."""
        instrument = self.bench.instruments.get(tag)
        known = {
            "linked meter": instrument is not None and instrument.linked,
            "after current": tag in self._after_current,
            "just read right": tag in self._just_right,
            "after rest": self.rested and tag not in self._just_right,
        }
        return tuple(word for word, so in known.items() if so)

    # ---- asking ----

    def ask(self, prompt: Prompt) -> str:
        """Ask, with s, u and q understood wherever they can't be meant as an answer.

        Raises
        ------
        SkippedError, StoppedError, UndoneError
            When the person wants that instead.
        """
        while True:
            answer = self.person.answer(prompt)
            low = answer.lower()
            if prompt.kind == "text" or answer in prompt.choices or low not in ("s", "u", "q"):
                return answer
            self.wish(low, prompt.key)

    def wish(self, key: str, step: str) -> None:
        """Do what s, u or q asks for; returns only when nothing was undone."""
        if key == "q":
            raise StoppedError
        if key == "s":
            raise SkippedError(self._why_skipped(step))
        if self.kept and self._take_back is not None:
            if self._take_back():
                raise TakenBackError
            return
        if self._undo():
            raise UndoneError
        self.person.show(_NO_UNDO)

    def _why_skipped(self, step: str) -> str:
        """Ask until there is a reason: a gap that nobody can explain later is not a record."""
        while True:
            reason = self.person.answer(Prompt("text", "why is it skipped?", f"{step}/skip")).strip()
            if reason:
                return reason
            self.person.show("  a few words, for the record")

    def do(self, text: str, key: str, instrument: str = "", function: Function | None = None) -> None:
        """Ask the person to do something, for instance to set a dial, until Enter alone confirms it.

        Raises
        ------
        SkippedError, StoppedError, UndoneError
            When the person wants that instead.
        """
        while answer := self.ask(Prompt("hookup", text, key, instrument, function)):
            self.person.show(
                f"  '{answer}' was not taken: press Enter alone when it is done; readings are asked for after that"
            )

    def confirm(self, text: str, key: str) -> bool:
        """Ask a yes-or-no question until it is answered."""
        while True:
            answer = self.ask(Prompt("confirm", text, key)).lower()
            if answer in ("y", "yes", "n", "no"):
                return answer[0] == "y"
            self.person.show("  answer y or n")

    # ---- taking ----

    def reading(
        self, meter: str | None, function: Function, what: str, key: str, *, expect: float | None = None
    ) -> MeterReading:
        """Take one settled reading of a function.

        Parameters
        ----------
        meter : str or None
            Tag; None asks which meter, or takes the bench's only one.
        function : Function
            What it must be set to.
        what : str
            What is measured, for the prompt.
        key : str
            Name of the step, for scripts.
        expect : float, optional
            What is expected, in the SI unit: a display near zero is then held longer, a slip asked about.
        """
        tag = meter or self._choose_meter(what, key)
        self._mind_the_jacks(tag, function, key)
        instrument = self.bench.instruments.get(tag)
        reading = (
            self._linked_reading(tag, function, what, key, expect)
            if instrument is not None and instrument.linked
            else self._typed_reading(tag, function, what, key, expect)
        )
        self.kept.append((reading, self._keep(reading)))
        self.person.show(f"  {tag} shows {reading.displayed} ({function}): taken")
        self.person.taken(reading)
        metered = self.know(MeterReading(reading, self.bench.accuracy(reading)))
        self.findings += correction(metered)
        return metered

    def capture(self, scope: str, channels: Sequence[str]) -> Capture:
        """Take one record of these channels with a scope of the bench."""
        return self.scope(scope).capture(channels, timeout_s=10.0)

    def scope(self, tag: str) -> Digitiser:
        """Return the open scope of that tag.

        Raises
        ------
        UsageError
            If it is none, or the node under test is mains-referenced.
        """
        if self.mains_referenced:
            raise UsageError(
                f"no clip of {tag} on a mains-referenced node: its ground is protective earth",
                hint="measure there with a rated meter and leads, or with an isolated probe; local rules apply",
            )
        adapter = self._adapter(tag)
        if not isinstance(adapter, Digitiser):
            raise UsageError(f"{tag} is not a scope", hint="the check's scope must be one in the bench file")
        return adapter

    def source(self, tag: str) -> Source:
        """Return the open generator of that tag."""
        adapter = self._adapter(tag)
        if not isinstance(adapter, Source):
            raise UsageError(
                f"{tag} is not a generator", hint="the check's generator must be one in the bench file"
            )
        self.generators.add(tag)
        return adapter

    def stamped(self, reading: Reading) -> Reading:
        """Give a typed reading the present time."""
        return reading.stamped(reading.instrument, self.clock.utc_ns(), self.clock.monotonic_ns())

    def _adapter(self, tag: str) -> Adapter:
        if tag not in self._adapters:
            instrument = self.bench.instrument(tag)
            adapter = make_adapter(
                instrument.address,
                tag,
                clock=self.clock,
                options=dict(instrument.options),
                kind=instrument.kind,
            )
            self._adapters[tag] = adapter.open()
        return self._adapters[tag]

    def _choose_meter(self, what: str, key: str) -> str:
        tags = tuple(i.tag for i in self.bench.instruments.values() if i.kind == "meter")
        if len(tags) == 1:
            return tags[0]
        if not tags:
            return "meter"
        while True:
            answer = self.ask(Prompt("choice", f"which meter for the {what}?", f"{key}/meter", choices=tags))
            if answer in tags:
                return answer
            self.person.show(f"  on the bench: {', '.join(tags)}")

    def _mind_the_jacks(self, tag: str, function: Function, key: str) -> None:
        if function.is_current:
            self._in_current_jack.add(tag)
            self._after_current.add(tag)
        elif function.is_volts and tag in self._in_current_jack:
            while not self.confirm(
                f"{tag} measured current: are both its leads back in the volts jacks?", f"{key}/jacks"
            ):
                self.person.show(
                    "  move them first: volts with a lead in the current jack is a short circuit",
                    style="bold",
                )
            self._in_current_jack.discard(tag)

    # ---- by link ----

    def _linked_reading(
        self, tag: str, function: Function, what: str, key: str, expect: float | None
    ) -> Reading:
        while True:
            try:
                adapter = self._adapter(tag)
                if not isinstance(adapter, Reader):
                    raise UsageError(f"{tag} is not a meter", hint="name a meter of the bench file")
                reading = read_shown(adapter, self.person, expect=expect)
            except KeyPressedError as pressed:
                if str(pressed) == "t":
                    return self._typed_reading(tag, function, what, key, expect)
                self.wish(str(pressed), key)
                continue
            except InstrumentError as error:
                if self._trouble(tag, error, key):
                    return self._typed_reading(tag, function, what, key, expect)
                continue
            wrong = sorted(flag for flag in reading.flags if flag.misleads)
            if reading.function is function and not wrong:
                return reading
            why = (
                f"is set to {reading.function}" if reading.function is not function else f"shows '{wrong[0]}'"
            )
            self.do(
                f"{tag} {why}; {what} needs {function} without hold or relative: set it",
                f"{key}/setting",
                tag,
                function,
            )

    def _trouble(self, tag: str, error: InstrumentError, key: str) -> bool:
        """Let a person decide what to do about a link: true to type the reading, false to try again."""
        if not self.person.interactive:
            raise error
        self.person.show(f"  {error}", style="bold")
        if error.hint:
            self.person.show(f"  try: {error.hint}")
        choices = ("try again", "type it")
        try:
            answer = self.ask(Prompt("choice", f"{tag}:", f"{key}/trouble", tag, choices=choices))
        except InputEndedError:
            raise error from None
        if answer == "try again" and (broken := self._adapters.pop(tag, None)) is not None:
            broken.close()
        return answer == "type it"

    # ---- typed ----

    def _typed_reading(
        self, tag: str, function: Function, what: str, key: str, expect: float | None
    ) -> Reading:
        while True:
            text = self.ask(
                Prompt("display", f"{what}: what does {tag} show on {function}?", key, tag, function)
            )
            try:
                reading = as_displayed(text, function, tag)
            except UsageError as error:
                self.person.show(f"  {error}; {error.hint}")
                continue
            if self._as_read(reading, expect, key):
                return self.stamped(reading)

    def _as_read(self, reading: Reading, expect: float | None, key: str) -> bool:
        """Ask about a slip; a value stays as read unless the person reads it again."""
        questions = slip_questions(reading, expect)
        for question in questions:
            self.person.show(f"  {question}", style="yellow")
        if not questions:
            return True
        assert expect is not None
        if self.person.interactive and not self.confirm(
            f"{reading.displayed} where {format_quantity(expect, reading.unit)} is expected: keep it as read?",
            f"{key}/slip",
        ):
            return False
        self.findings += [
            Finding(
                FindingKind.ENTRY,
                f"{reading.instrument or 'meter'} {reading.displayed}, kept as read: {question}",
            )
            for question in questions
        ]
        return True
