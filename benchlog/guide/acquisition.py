"""Taking readings and captures in a guided run: over a link if there is one, else typed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Self

from benchlog.adapter import Digitiser, Source
from benchlog.bench import Bench
from benchlog.capture import Capture
from benchlog.clock import Clock
from benchlog.diagnosis.doubtful import possible_slips, unless_misread
from benchlog.diagnosis.slips import Slip
from benchlog.errors import InstrumentError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.guide.cards import card_of, danger_lines
from benchlog.guide.check_context import CheckContext
from benchlog.guide.dialogue import Dialogue
from benchlog.guide.file_capture import ask_capture
from benchlog.guide.instruments import OpenInstruments
from benchlog.guide.linked import KeyPressedError, read_shown
from benchlog.guide.manual_reading import as_displayed
from benchlog.guide.person import DANGER, InputEndedError, Person, Prompt
from benchlog.hookup import Hookup
from benchlog.metrology.meter_reading import MeterReading, correction
from benchlog.number_format import format_quantity
from benchlog.reading import Flag, Function, Reading
from benchlog.result import Limits, Result


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A reading to take; see `Acquisition.reading`."""

    tag: str
    function: Function
    what: str
    key: str
    expect: float | None
    limits: Limits | None


class Acquisition(Dialogue):
    """Takes readings and captures on a bench; a person moves leads and types displays.

    Attributes
    ----------
    check : CheckContext
        The check being done.
    kept : list of (Reading, str)
        Readings since `begin`, each with its reference.
    expected : float or None
        Expected value of the last reading, in its unit.
    findings : list of Finding
        Findings since `begin`: slips that were asked about.
    unasked : dict of str to tuple of Slip
        Slips in readings since `begin` that nobody could be asked about, by meter and display.
    generators : set of str
        Generators that drove the part since `begin`.
    energised : str
        What the last hook-up energised and is still on, in words; empty for nothing.
    rested : bool
        The bench was not used for months, which a diagnosis takes into account.
    cards : bool
        Whether hook-up cards are shown.

    Notes
    -----
    After a current measurement, each volts step first asks about the jacks: a volts measurement with a lead in the
    current jack is a short circuit.
    """

    def __init__(self, bench: Bench, person: Person, clock: Clock) -> None:
        super().__init__(person)
        self.bench = bench
        self.clock = clock
        self.check = CheckContext()
        self.kept: list[tuple[Reading, str]] = []
        self.expected: float | None = None
        self.findings: list[Finding] = []
        self.unasked: dict[str, tuple[Slip, ...]] = {}
        self.generators: set[str] = set()
        self.energised = ""
        self.rested = False
        self.cards = False
        self._instruments = OpenInstruments(bench, clock)
        self._in_current_jack: set[str] = set()
        self._just_right: set[str] = set()
        self._after_current: set[str] = set()
        self._low_battery: set[str] = set()  # meters for which a new battery was offered

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self._instruments.close_all()

    def begin(self, check: CheckContext | None = None) -> None:
        """Begin a check, without readings."""
        self.check = check or CheckContext()
        self._undo = self.check.undo
        self.kept.clear()
        self.expected = None
        self.findings.clear()
        self.unasked.clear()
        self.generators.clear()

    def show_hookup(self, hookup: Hookup) -> None:
        """Say a hook-up aloud if speech is on, and show its card with the dangers if cards are on."""
        self.person.connect(hookup)
        if not self.cards:
            return

        def lines(columns: int) -> list[tuple[str, str]]:
            card = card_of(hookup, self.bench, columns)
            dangers = [(line, DANGER) for danger in card.dangers for line in danger_lines(danger, columns)]
            return [*dangers, *((line, "") for line in card.lines(columns))]

        self.person.show_card(lines)

    # ---- what is known of the meters ----

    def in_current_jack(self, tags: Iterable[str]) -> None:
        """Note that, by the record, these meters last measured current."""
        self._in_current_jack.update(tags)
        self._after_current.update(tags)

    def read_right(self, tag: str) -> None:
        """Note that a meter just showed the expected value."""
        self._just_right.add(tag)
        self._after_current.discard(tag)

    def context(self, tag: str, function: Function) -> tuple[str, ...]:
        """Context of a meter for a diagnosis; what the record knows of it is also shown."""
        instrument = self.bench.instruments.get(tag)
        known = {
            "linked meter": instrument is not None and instrument.linked,
            "after current": tag in self._after_current,
            "just read right": tag in self._just_right,
            "after rest": self.rested and tag not in self._just_right,
        }
        recorded = self.check.recorded(tag, function)
        for one in recorded:
            self.person.show(f"  {one.line}")
        return (*(word for word, so in known.items() if so), *(one.context for one in recorded))

    # ---- taking ----

    def reading(
        self,
        meter: str | None,
        function: Function,
        what: str,
        key: str,
        *,
        expect: float | None = None,
        limits: Limits | None = None,
    ) -> MeterReading:
        """Take one settled reading of a function.

        Parameters
        ----------
        meter : str or None
            Tag; None asks for the meter, or uses the bench's only one.
        function : Function
            Function it must be set to.
        what : str
            What is measured, for the prompt.
        key : str
            Name of the step, for scripts.
        expect : float, optional
            Expected value, in the SI unit: a display near zero is then held longer, and slips are asked about.
        limits : Limits, optional
            Within which a value would be if it were not for a slip.
        """
        tag = meter or self._choose_meter(what, key)
        self._mind_the_jacks(tag, function, key)
        instrument = self.bench.instruments.get(tag)
        linked = instrument is not None and instrument.linked
        wanted = _Wanted(tag, function, what, key, expect, limits)
        reading = self._linked_reading(wanted) if linked else self._typed_reading(wanted)
        self.kept.append((reading, self.check.keep(reading, what)))
        self.expected = expect
        self._answers += 1
        self.person.show(f"  {tag} shows {reading.displayed} ({function}): taken")
        self.person.taken(reading)
        metered = self.check.know(MeterReading(reading, self.bench.accuracy(reading)))
        self.findings += [found for found in correction(metered) if found not in self.findings]
        return metered

    def unless_misread(self, result: Result) -> Result:
        """Return a result that condemns nothing by a reading which may be a slip, where nobody could be asked."""
        for shown, slips in self.unasked.items():
            result = unless_misread(result, shown, slips, "read the display again: digits, point, prefix")
        self.unasked.clear()
        return result

    def is_looked_into(self, reading: Reading) -> None:
        """Note that a diagnosis asks about a reading: no slip in it is left unasked."""
        self.unasked.pop(_by(reading), None)

    def withdraw(self, first: int, question: str, key: str) -> bool:
        """Withdraw the readings from this number on, with a reason; False if none is given."""
        taken = self.kept[first:]
        if not taken:
            return True
        shown = ", ".join(reading.displayed for reading, _ in taken)
        prompt = Prompt("text", f"withdraw {shown}{question}: what was wrong?", f"{key}/undo")
        reason = self.person.answer(prompt).strip()
        if not reason:
            self.person.show("  not withdrawn: that needs a reason")
            return False
        for reference in dict.fromkeys(reference for _, reference in taken if reference):
            self.check.supersede(reference, reason)
        del self.kept[first:]
        return True

    def doubtful_reading(self, tag: str = "") -> Reading | None:
        """The last reading, or the last of a meter, if a diagnosis can use it."""
        reading = next((r for r, _ in reversed(self.kept) if tag in ("", r.instrument)), None)
        if reading is None or reading.unit not in ("V", "ohm", "A") or self.check.mains_referenced:
            return None
        return reading

    def capture(self, scope: str, channels: Sequence[str], *, which: str = "") -> Capture:
        """Take one record of these channels with a scope of the bench, or ask for the file if it has no link.

        `which` names the record in that question.
        """
        if self.takes_files(scope):
            self._refuse_mains(scope)
            options = self.bench.instruments[scope].options if scope in self.bench.instruments else {}
            capture = ask_capture(self, scope, channels, f"{self.check.name}/file", options, which)
            self._answers += 1
            return capture
        return self.scope(scope).capture(channels, timeout_s=10.0)

    def takes_files(self, scope: str) -> bool:
        """Whether a scope's records are files that the user names."""
        instrument = self.bench.instruments.get(scope)
        unlinked = instrument is not None and instrument.kind == "scope" and not instrument.linked
        return self.check.by_file or unlinked

    def scope(self, tag: str) -> Digitiser:
        """Return the open scope of that tag.

        Raises
        ------
        UsageError
            If it is not a scope, or the node under test is connected to mains.
        """
        self._refuse_mains(tag)
        return self._instruments.scope(tag)

    def _refuse_mains(self, tag: str) -> None:
        if self.check.mains_referenced:
            raise UsageError(
                f"{tag} can't be used on a node connected to mains: its ground clip is protective earth",
                hint="measure there with a rated meter and leads, or with an isolated probe; local rules apply",
            )

    def source(self, tag: str) -> Source:
        """Return the open generator of that tag."""
        source = self._instruments.generator(tag)
        self.generators.add(tag)
        return source

    def stamped(self, reading: Reading) -> Reading:
        """Give a typed reading the present time."""
        return reading.stamped(reading.instrument, self.clock.utc_ns(), self.clock.monotonic_ns())

    def _choose_meter(self, what: str, key: str) -> str:
        tags = tuple(i.tag for i in self.bench.instruments.values() if i.kind == "meter")
        if len(tags) < 2:
            return tags[0] if tags else "meter"
        return self.choose(Prompt("choice", f"which meter for the {what}?", f"{key}/meter", choices=tags))

    def _mind_the_jacks(self, tag: str, function: Function, key: str) -> None:
        if function.is_current:
            self._in_current_jack.add(tag)
            self._after_current.add(tag)
        elif function.is_volts and tag in self._in_current_jack:
            while not self.confirm(
                f"{tag} measured current last: are both its leads back in the volts jacks?", f"{key}/jacks"
            ):
                self.person.show(
                    "  move them first: volts with a lead in the current jack is a short circuit",
                    style="bold",
                )
            self._in_current_jack.discard(tag)

    def new_battery(self, tag: str, why: str, key: str) -> bool:
        """Offer a new battery for a meter, once in a run; whether it has one now, which is recorded."""
        if not self.person.interactive or tag in self._low_battery:
            return False
        self._low_battery.add(tag)
        if not self.confirm(f"{tag} {why}. Put a new battery in now?", f"{key}/battery"):
            return False
        self.do(
            f"power off, the leads of {tag} off and out of it, then open it: new battery. Close it, connect as before, power on",
            f"{key}/new_battery",
            tag,
        )
        self.check.renewed(tag)
        self._just_right.discard(tag)
        self._instruments.close(tag)
        return True

    # ---- by link ----

    def _linked_reading(self, wanted: _Wanted) -> Reading:
        tag, function, key = wanted.tag, wanted.function, wanted.key
        while True:
            try:
                reading = read_shown(self._instruments.meter(tag), self.person, expect=wanted.expect)
            except KeyPressedError as pressed:
                if str(pressed) == "t":
                    return self._typed_reading(wanted)
                self.wish(str(pressed), key)
                continue
            except InstrumentError as error:
                if self._trouble(tag, error, key):
                    return self._typed_reading(wanted)
                continue
            if Flag.LOW_BATTERY in reading.flags and self.new_battery(tag, "shows its battery symbol", key):
                continue
            wrong = sorted(flag for flag in reading.flags if flag.misleads)
            if reading.function is function and not wrong:
                return reading
            set_right = reading.function is function
            why = f"shows '{wrong[0]}'" if set_right else f"is set to {reading.function}"
            self.do(
                f"{tag} {why}; {wanted.what} needs {function} without hold or relative: set it",
                f"{key}/setting",
                tag,
                function,
            )

    def _trouble(self, tag: str, error: InstrumentError, key: str) -> bool:
        """Ask what to do about a link: true to type the reading, false to try again."""
        if not self.person.interactive:
            raise error
        self.person.show(f"  {error}", style="bold")
        if error.hint:
            self.person.show(f"  try: {error.hint}")
        prompt = Prompt("choice", f"{tag}:", f"{key}/trouble", tag, choices=("try again", "type it"))
        try:
            answer = self.ask(prompt)
        except InputEndedError:
            raise error from None
        if answer == "try again":
            self._instruments.close(tag)
        return answer == "type it"

    # ---- typed ----

    def _typed_reading(self, wanted: _Wanted) -> Reading:
        tag, function, key = wanted.tag, wanted.function, wanted.key
        prompt = Prompt("display", f"{wanted.what}: what does {tag} show on {function}?", key, tag, function)
        while True:
            text = self.typed_early(function, key) or self.ask(prompt)
            try:
                reading = as_displayed(text, function, tag)
            except UsageError as error:
                why = f"{error.message.removeprefix('reading: ')}; {error.hint}"
                self.person.show(f"  {why if text else 'type the digits as shown, or s to skip'}")
                continue
            if self._as_read(reading, wanted):
                return self.stamped(reading)

    def _as_read(self, reading: Reading, wanted: _Wanted) -> bool:
        """Ask about a slip, or about digits left out; a value stays as read unless the person reads it again."""
        slips = possible_slips(reading, expect := wanted.expect, limits=wanted.limits)
        asked = [f"{reading.displayed} is {slip.question}" for slip in slips]
        if self.person.interactive and (digits := self.bench.other_digits(reading)):
            asked.append(f"{digits}.")
        for question in asked:
            self.person.show(f"  {question}", style="yellow")
        if not asked:
            return True
        expected = f", {format_quantity(expect, reading.unit)} is expected" if expect and slips else ""
        question = f"{reading.displayed}{expected}: keep it as read?"
        if not self.person.interactive:
            self.unasked[_by(reading)] = slips
        elif not self.confirm(question, f"{wanted.key}/slip", undo_is_no=True):
            return False
        self.findings += [Finding(FindingKind.ENTRY, slip.noted_of(_by(reading))) for slip in slips]
        return True


def _by(reading: Reading) -> str:
    """A reading with the meter that showed it."""
    return f"{reading.instrument or 'meter'} {reading.displayed}"
