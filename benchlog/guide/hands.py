"""How readings and captures come in during a guided run: from a link where there is one, else typed."""

from __future__ import annotations

import contextlib
import dataclasses
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from benchlog.adapter import Adapter, Digitiser, Reader, Source
from benchlog.agreeing import read_agreeing
from benchlog.bench import Bench
from benchlog.capture import Capture
from benchlog.checks.metered import Metered
from benchlog.clock import Clock
from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.guide.person import Person, Prompt
from benchlog.reading import Flag, Function, Reading
from benchlog.registry import open_adapter

__all__ = ["Hands", "SkippedError"]

SETTLE_S = 20.0
_CURRENT = (Function.AC_CURRENT, Function.DC_CURRENT)
_VOLTS = (Function.AC_VOLTS, Function.DC_VOLTS, Function.AC_DC_VOLTS)


class SkippedError(Exception):
    """The person skipped the step; the message is the reason typed."""


class Hands:
    """Takes readings and captures on a bench, with a person to move leads and type displays.

    Parameters
    ----------
    bench : Bench
    person : Person
    clock : Clock

    Notes
    -----
    Adapters are opened at first use and closed at the end. After a current measurement every volts step
    demands the jack confirmation: volts with a lead in the current jack is a short circuit.
    """

    def __init__(self, bench: Bench, person: Person, clock: Clock) -> None:
        self.bench = bench
        self.person = person
        self.clock = clock
        self._adapters: dict[str, Adapter] = {}
        self._in_current_jack: set[str] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        with contextlib.ExitStack() as stack:
            for adapter in self._adapters.values():
                stack.callback(adapter.close)
        self._adapters.clear()

    def do(self, text: str, key: str) -> None:
        """Ask the person to do something; `SkippedError` if they won't."""
        if self.person.answer(Prompt("hookup", text, key)).lower() == "s":
            reason = self.person.answer(Prompt("text", "why is it skipped?", f"{key}/skip"))
            raise SkippedError(reason or "no reason given")

    def confirm(self, text: str, key: str) -> bool:
        """Ask a yes-or-no question until it is answered."""
        while True:
            answer = self.person.answer(Prompt("confirm", text, key)).lower()
            if answer in ("y", "yes", "n", "no"):
                return answer[0] == "y"
            self.person.show("  answer y or n")

    def reading(self, meter: str | None, function: Function, what: str, key: str) -> Metered:
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
        """
        tag = meter or self._choose_meter(key)
        self._mind_the_jacks(tag, function, key)
        instrument = self.bench.instruments.get(tag)
        reading = (
            self._linked_reading(tag, function, what, key)
            if instrument is not None and instrument.linked
            else self._typed_reading(tag, function, what, key)
        )
        return Metered(reading, self.bench.accuracy(reading))

    def capture(self, scope: str, channels: Sequence[str]) -> Capture:
        """Take one record of these channels with a scope of the bench."""
        adapter = self._adapter(scope)
        if not isinstance(adapter, Digitiser):
            raise UsageError(f"{scope} is no scope", hint="the check's scope must be one in the bench file")
        return adapter.capture(channels, timeout_s=10.0)

    def scope(self, tag: str) -> Digitiser:
        """Return the open scope of that tag."""
        adapter = self._adapter(tag)
        if not isinstance(adapter, Digitiser):
            raise UsageError(f"{tag} is no scope")
        return adapter

    def source(self, tag: str) -> Source:
        """Return the open generator of that tag."""
        adapter = self._adapter(tag)
        if not isinstance(adapter, Source):
            raise UsageError(f"{tag} is no generator")
        return adapter

    def stamped(self, reading: Reading) -> Reading:
        """Give a typed reading the time of now."""
        return dataclasses.replace(reading, utc_ns=self.clock.utc_ns(), mono_ns=self.clock.monotonic_ns())

    def _adapter(self, tag: str) -> Adapter:
        if tag not in self._adapters:
            instrument = self.bench.instrument(tag)
            adapter = open_adapter(
                instrument.address,
                tag,
                clock=self.clock,
                options=dict(instrument.options),
                kind=instrument.kind,
            )
            self._adapters[tag] = adapter.open()
        return self._adapters[tag]

    def _choose_meter(self, key: str) -> str:
        tags = tuple(i.tag for i in self.bench.instruments.values() if i.kind == "meter")
        if len(tags) == 1:
            return tags[0]
        if not tags:
            return "meter"
        while True:
            answer = self.person.answer(Prompt("choice", "which meter?", f"{key}/meter", choices=tags))
            if answer in tags:
                return answer
            self.person.show(f"  on the bench: {', '.join(tags)}")

    def _mind_the_jacks(self, tag: str, function: Function, key: str) -> None:
        if function in _CURRENT:
            self._in_current_jack.add(tag)
        elif function in _VOLTS and tag in self._in_current_jack:
            while not self.confirm(
                f"{tag} measured current: are both its leads back in the volts jacks?", f"{key}/jacks"
            ):
                self.person.show(
                    "  move them first: volts with a lead in the current jack is a short circuit",
                    style="bold",
                )
            self._in_current_jack.discard(tag)

    def _linked_reading(self, tag: str, function: Function, what: str, key: str) -> Reading:
        adapter = self._adapter(tag)
        if not isinstance(adapter, Reader):
            raise UsageError(f"{tag} is no meter")
        while True:
            reading = read_agreeing(adapter, SETTLE_S, stable=True)
            wrong = [f for f in (Flag.HOLD, Flag.RELATIVE, Flag.MINIMUM, Flag.MAXIMUM) if f in reading.flags]
            if reading.function is function and not wrong:
                self.person.show(f"  {tag} shows {reading.displayed} ({function}), steady: taken")
                return reading
            why = (
                f"is set to {reading.function}" if reading.function is not function else f"shows '{wrong[0]}'"
            )
            self.do(
                f"{tag} {why}; {what} needs {function} without hold or relative: set it", f"{key}/setting"
            )

    def _typed_reading(self, tag: str, function: Function, what: str, key: str) -> Reading:
        while True:
            text = self.person.answer(
                Prompt("display", f"{what}: what does {tag} show on {function}?", key, tag, function)
            )
            if text.lower() == "s":
                reason = self.person.answer(Prompt("text", "why is it skipped?", f"{key}/skip"))
                raise SkippedError(reason or "no reason given")
            try:
                reading = parse_displayed(text, function, instrument=tag)
            except UsageError as error:
                self.person.show(f"  {error}; {error.hint}")
                continue
            return self.stamped(reading)
