"""The second fault bench before anybody acts: what its parts do to a reading, and what a person would type of it."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from helpers.second_bench_circuit import OPEN, Contact, Leads, Meter, Signal, Source, ghost


@dataclass
class BenchAsFound:
    """One bench with its person.

    `expected` is what the plan says in the unit of the reading; `function` the one that was meant, `dial` the one
    that is set; `notices`, whether the person sees which. `held`, `subtracted`, `other` and `slip` are what settings do
    to the display.
    """

    kind: str
    rng: random.Random
    expected: float
    function: str
    source: Source
    leads: Leads
    contact: Contact
    meter: Meter
    spare: Meter
    dial: str = ""
    held: str = ""
    subtracted: float = 0.0
    other: str = ""
    slip: int = 0
    settled: bool = True
    probe: float = 1.0
    scope_offset: float = 0.0
    scope_ac_only: bool = False
    plan_wrong: float = 0.02
    faults: tuple[str, ...] = ()
    calibrator: float = 3.0
    level: float = 0.2
    notices: bool = False
    path: list[tuple[str, str]] = field(default_factory=list)

    @property
    def expect(self) -> str:
        """The expectation as typed."""
        unit = {"ohm": "ohm", "ac": "V ac", "dc": "V dc", "A ac": "A ac", "A dc": "A dc"}[self.function]
        return f"{self.expected:.4g} {unit}"

    def at_tips(self, leads: Leads, contact: Contact, *, load: float = OPEN, ohms: bool = False) -> Signal:
        """What a meter at the end of these leads sees of the part."""
        if ohms:  # unplugged, across the output
            inside = (
                OPEN
                if not self.source.connected
                else self.source.bleeder
                if self.function == "dc"
                else self.source.ohms
            )
            inner = Signal(ohms=inside)
        else:
            inner = self.source.signal(load)
        if not leads.sound or not contact.made:
            return self.pick_up()
        if inner.floats:
            return self.pick_up()
        added = leads.ohms + contact.ohms
        if self.kind == "current":
            added = max(0.0, leads.ohms - 0.45) + contact.ohms  # good leads are part of what was planned
        if self.kind == "current" and not ohms:
            share = self.source.ohms / (self.source.ohms + added)
            inner.ac, inner.dc = inner.ac * share, inner.dc * share
        elif self.kind == "ohms" or ohms:
            inner.ohms += added
        if contact.swapped:
            inner.dc = -inner.dc
        return inner

    def pick_up(self) -> Signal:
        """What a floating input shows: as long as nothing is moved about the same, mostly."""
        if self.rng.random() < 0.15:
            self.level = ghost(self.rng)
        return Signal(ac=self.level * math.exp(self.rng.gauss(0.0, 0.08)), ohms=OPEN, floats=True)

    def display(self, signal: Signal, function: str, meter: Meter | None = None) -> str:
        """What the doubted meter's display shows of a signal."""
        meter = meter or self.meter
        own = meter is self.meter
        if own and meter.frozen:
            return meter.frozen
        if own and self.leads.in_current_jack and function != "ohm":
            return meter.show(function, Signal(), self.rng)
        if own and self.leads.in_current_jack:
            return "OL"
        if self.kind == "scope" and own:
            signal = self._as_scope(signal, function)
        if own and self.other and function == self.dial:
            return self._other_mode(signal, function)
        text = meter.show(function, signal, self.rng)
        if own and function == self.dial and (self.subtracted or self.slip or not self.settled):
            text = self._mangled(text)
        return text

    def _as_scope(self, signal: Signal, function: str) -> Signal:
        if function == "ohm":
            return signal
        ac, dc = signal.ac, 0.0 if self.scope_ac_only else signal.dc
        dc += self.scope_offset
        rms = math.hypot(ac, dc) if function == "ac" else ac
        return Signal(rms * self.probe, dc * self.probe, signal.ohms, signal.floats, 1.0, signal.hertz)

    def _other_mode(self, signal: Signal, function: str) -> str:
        ac = function.endswith("ac")
        if self.other == "hertz" and ac:
            return f"{signal.hertz + self.rng.gauss(0, 0.01) if signal.ac > 0.3 else 0.0:.2f} Hz"
        if self.other == "peak":
            factor = math.sqrt(2.0) if ac else 1.0
            changed = Signal(signal.ac * factor, signal.dc * factor, signal.ohms, signal.floats)
        elif self.other == "minimum":  # from before the clips were on, or from when the tips touched
            changed = Signal(ohms=0.2)
        else:  # the highest since it was switched on
            old = self.source.signal()
            changed = Signal(
                max(signal.ac, 1.18 * old.ac),
                max(signal.dc, 1.18 * old.dc),
                max(signal.ohms, 1.18 * self.source.ohms),
            )
        return self.meter.show(function, changed, self.rng)

    def _mangled(self, text: str) -> str:
        if text == "OL":
            return text
        number, _, unit = text.partition(" ")
        value = float(number)
        decimals = len(number.partition(".")[2])
        if self.subtracted:
            value -= self.subtracted / (1000.0 if unit.startswith("k") else 1.0)
        if not self.settled:
            value *= self.rng.uniform(0.0, 0.9)
        if self.slip:
            value, decimals = value * 10.0**self.slip, max(0, decimals - self.slip)
        return f"{value:.{decimals}f} {unit}"

    def read(self, **at: float) -> str:
        """Read the points with the function at the dial, as found."""
        if self.held:
            return self.held
        signal = self.at_tips(self.leads, self.contact, load=at.get("load", OPEN))
        text = self.display(signal, self.dial)
        if self.kind == "ohms" and self.dial != "ohm":
            return text
        # A person who does not see the dial types the unit that was meant.
        if self.dial != self.function and self.dial[-2:] in ("ac", "dc") and not self.notices:
            text = text.replace(self.dial[-2:], self.function[-2:])
        return text

    def first(self) -> str:
        """The reading that starts it."""
        text = self.read()
        self.settled = True
        return text
