"""A second bench of faults, apart from the simulated bench and from the engine's model: draw, break, let a person act.

`draw_bench` sets up a good bench of one kind of reading, `FAULTS` breaks it by the engine's cause names (the vocabulary
is all they share), `SecondBench.act` does what a card asks and returns what a person would type.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from helpers.second_bench_circuit import OPEN, Contact, Leads, Meter, Signal, Source, ghost, shown

FUNCTION = {"ac_volts": "ac", "dc_volts": "dc", "ohms": "ohm", "current": "A ac", "scope": "ac"}


@dataclass
class SecondBench:
    """One bench with its person.

    `expected` is what the plan says in the unit of the reading; `function` the one that was meant, `dial` the one
    that is set. `held`, `subtracted`, `other` and `slip` are what settings do to the display.
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
    slips_again: bool = True
    settled: bool = True
    probe: float = 1.0
    scope_offset: float = 0.0
    scope_ac_only: bool = False
    plan_wrong: float = 0.02
    faults: tuple[str, ...] = ()
    calibrator: float = 3.0
    level: float = 0.2
    path: list[tuple[str, str]] = field(default_factory=list)

    @property
    def expect(self) -> str:
        """The expectation as typed."""
        unit = {"ohm": "ohm", "ac": "V ac", "dc": "V dc", "A ac": "A ac", "A dc": "A dc"}[self.function]
        return f"{self.expected:.4g} {unit}"

    # -- reading -------------------------------------------------------------------------------------------------

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

    notices: bool = False

    def first(self) -> str:
        """The reading that starts it."""
        text = self.read()
        self.settled = True
        return text

    # -- acting --------------------------------------------------------------------------------------------------

    def act(self, action: str) -> str:
        """Do a check, return its outcome as typed."""
        outcome = str(getattr(self, f"_{action}")())
        self.path.append((action, outcome))
        return outcome

    def _turn(self, *, away: bool = False) -> None:
        """The dial goes elsewhere and comes back: hold and relative end on most meters."""
        if self.function == "ohm" and not away:
            return  # it is on ohms already
        self.meter.turn(self.rng)
        if self.rng.random() < 0.7:
            self.held, self.subtracted = "", 0.0

    def _refit(self) -> None:
        """Clips off and on again."""
        self.level = ghost(self.rng)
        if self.rng.random() < 0.5:
            self.leads.stir(self.rng)
        if self.rng.random() < 0.5:
            self.source.stir(self.rng)
        if not self.contact.made and self.rng.random() < 0.1:
            self.contact.made = True

    def _look(self) -> str:
        seen = [
            ("lead in current jack", self.leads.in_current_jack, 0.95),
            ("wrong function", self.dial != self.function, 0.92),
            ("hold shown", bool(self.held), 0.93),
            ("relative shown", bool(self.subtracted), 0.92),
            ("other mode shown", bool(self.other), 0.93),
            ("wrong range", bool(self.slip), 0.85),
            ("battery symbol", self.meter.battery > 1.0, 0.5),
        ]
        return next((word for word, there, p in seen if there and self.rng.random() < p), "in order")

    def _reread(self) -> str:
        if self.rng.random() < 0.12:
            self.leads.stir(self.rng)
            self.source.stir(self.rng)
        return self.read()

    def _short_tips(self) -> str:
        if self.held:
            return self.held
        return self.display(Signal() if self.leads.sound else self.pick_up(), self.dial)

    def _short_tips_ohms(self) -> str:
        self._turn()
        if self.held:
            return self.held
        closed, parted = (self.display(Signal(ohms=ohms), "ohm") for ohms in (self.leads.ohms, OPEN))
        text = closed if self.leads.sound else parted
        follows = parted == "OL" != closed  # neither frozen nor dead on ohms
        if follows and not self.leads.broken and self._wiggle(self.leads.flaky, reads=True) == "jumps":
            text = "jumps"
        self.leads.stir(self.rng)
        self._refit()
        return text

    def _reselect_function(self) -> str:
        self.held, self.subtracted, self.other, self.slip, self.dial = "", 0.0, "", 0, self.function
        self.meter.turn(self.rng)
        self._refit()
        return self.read()

    def _dc_same_points(self) -> str:
        self._turn()
        self._refit()
        return self.held or self.display(self.at_tips(self.leads, self.contact), "dc")

    def _wiggle(self, loose: bool, reads: bool) -> str:
        still = self.held or self.meter.frozen or not reads
        p = 0.02 if still else 0.85 if loose else 0.03
        return "jumps" if self.rng.random() < p else "steady"

    @property
    def _reads(self) -> bool:
        return self.kind == "ohms" or self.source.powered

    def _wiggle_leads(self) -> str:
        answer = self._wiggle(self.leads.flaky, self._reads)
        self.leads.stir(self.rng)
        return answer

    def _wiggle_part(self) -> str:
        answer = self._wiggle(self.source.flaky, self._reads)
        self.source.stir(self.rng)
        return answer

    def _other_leads(self) -> str:
        if self.held:
            return self.held
        contact = Contact(
            self.contact.made or self.rng.random() < 0.12, self.contact.ohms, self.contact.swapped
        )
        if contact.swapped and not self.contact.at_part:
            contact.swapped = self.rng.random() < 0.2
        own = self.leads
        self.leads = Leads(0.2)
        text = self.display(self.at_tips(self.leads, contact), self.dial)
        self.leads = own
        self._refit()
        return text

    def _remake_contact(self) -> str:
        if self.rng.random() < 0.93:
            self.contact.made, self.contact.ohms = True, self.contact.ohms * 0.02
        if not self.contact.at_part and self.rng.random() < 0.8:
            self.contact.swapped = False
        self.leads.stir(self.rng)
        self.source.stir(self.rng)
        return self.read()

    def _lamp_in_outlet(self) -> str:
        return "lit" if self.source.mains_on and self.rng.random() < 0.99 else "dark"

    def _reread_nameplate(self) -> str:
        return "differs" if self.rng.random() < self.plan_wrong else "agrees"

    def _fresh_cell(self) -> str:
        self._turn(away=True)
        if self.held:
            return self.held
        cell = Signal(dc=self.rng.uniform(1.55, 1.63), floats=not self.leads.sound)
        if self.kind == "current":
            cell.floats = bool(self.leads.broken)
        return self.display(cell, "dc")

    def _known_resistor(self) -> str:
        self._turn()
        ohms = self.rng.uniform(9950, 10050) + self.leads.ohms if self.leads.sound else OPEN
        return self.held or self.display(Signal(ohms=ohms), "ohm")

    def _second_meter(self) -> str:
        self.level = ghost(self.rng)
        made = self.contact.made or self.rng.random() < 0.2
        swapped = self.contact.swapped and (self.contact.at_part or self.rng.random() < 0.2)
        signal = self.at_tips(Leads(0.2), Contact(made, self.contact.ohms, swapped))
        if self.leads.in_current_jack and self.rng.random() < 0.5:
            signal = Signal()  # the first meter was left on: the source is still shorted
        return self.spare.show(self.function, signal, self.rng)

    def _ohms_output(self) -> str:
        self._turn()
        self._refit()
        return self.held or self.display(self.at_tips(self.leads, self.contact, ohms=True), "ohm")

    def _ohms_plug(self) -> str:
        self._turn()
        ohms = OPEN if self.source.open_primary or not self.leads.sound else self.source.primary_ohms
        return self.held or self.display(Signal(ohms=ohms + self.leads.ohms), "ohm")

    def _load_150(self) -> str:
        self._refit()
        return self.read(load=150.0)

    def _scope_output(self) -> str:
        made = self.contact.made or self.rng.random() < 0.2
        signal = self.at_tips(Leads(), Contact(made, self.contact.ohms, self.contact.swapped))
        scope = Meter(counts=1000, gain=self.rng.uniform(0.975, 1.025))
        ac = self.function == "ac" and abs(signal.dc) < signal.ac
        if not ac and abs(signal.dc) > 0.2:
            return scope.show("dc", signal, self.rng)
        return scope.show("ac", signal, self.rng)

    def _generator_50hz(self) -> str:
        self._turn()
        sine = Signal(ac=5.0 * self.rng.uniform(0.995, 1.005)) if self.leads.sound else self.pick_up()
        return self.held or self.display(sine, "ac")

    def _read_mains(self) -> str:
        volts = self.source.mains if self.source.mains_on else 0.0
        return f"{volts * self.rng.uniform(0.995, 1.005):.1f} V ac"

    def _new_battery(self) -> str:
        self.meter.battery = 1.0
        self.held, self.subtracted, self.other, self.slip, self.dial = "", 0.0, "", 0, self.function
        self._refit()
        return self.read()

    def _probe_on_calibrator(self) -> str:
        if self.held or self.meter.frozen:
            return self.held or self.meter.frozen
        if not self.leads.sound:
            return shown(self.pick_up().ac * self.probe, 1000, "V", "", self.rng)
        gain = self.meter.gain * self.probe * self.meter.damaged
        return shown(self.calibrator * gain, 1000, "V", "", self.rng)

    def _ground_input(self) -> str:
        if self.held or self.meter.frozen:
            return self.held or self.meter.frozen
        level = (self.scope_offset * self.probe if self.scope_offset else 0.0) + self.meter.offset
        return shown(abs(level + self.rng.gauss(0, 0.004)), 1000, "V", "", self.rng)

    def _generator_at_frequency(self) -> str:
        level = self.expected if self.kind == "current" else 5.0
        broken = not self.leads.sound
        signal = self.pick_up() if broken else Signal(hertz=self.source.hertz)
        if self.function.endswith("dc") and self.kind == "current":
            signal.dc = 0.0 if broken else level
        else:
            in_loop = level * self.rng.uniform(0.99, 1.01)
            signal.ac = in_loop if not broken else 0.0 if self.kind == "current" else signal.ac
        return self.held or self.display(signal, "ac" if self.kind == "scope" else self.dial)

    def _ohms_jack_to_jack(self) -> str:
        self._turn()
        one_lead_open = self.leads.broken == "red" or (self.leads.flaky and self.leads.apart)
        ohms = OPEN if self.meter.fuse_blown or one_lead_open else self.leads.ohms / 2 + 0.05
        return self.meter.show("ohm", Signal(ohms=ohms), self.rng)

    def read_again(self, cause: str, family: str) -> str:
        """Put right what was decided, read the points again; a meter is exchanged, part and plan stay as they are."""
        if family == "meter":
            outcome = self._second_meter()
        else:
            self._put_right(cause)
            outcome = self.read()
        self.path.append(("reading_again", outcome))
        return outcome

    def _put_right(self, cause: str) -> None:
        if cause in ("lead_open", "lead_intermittent"):
            self.leads = Leads(0.2)
        for where, name, value in REMEDIES.get(cause, ()):
            setattr(getattr(self, where) if where else self, name, value)
        if cause == "wrong_function":
            self.dial = self.function


REMEDIES: dict[str, tuple[tuple[str, str, object], ...]] = {
    "contact_not_made": (("contact", "made", True),),
    "contact_resistance": (("contact", "ohms", 0.0), ("leads", "ohms", 0.2)),
    "reversed_polarity": (("contact", "swapped", False),),
    "lead_in_current_jack": (("leads", "in_current_jack", False),),
    "no_mains": (("source", "mains_on", True),),
    "range_slip": (("", "slip", 0),),
    "hold_engaged": (("", "held", ""),),
    "relative_mode": (("", "subtracted", 0.0),),
    "other_mode": (("", "other", ""),),
    "probe_setting": (("", "probe", 1.0),),
    "scope_coupling": (("", "scope_offset", 0.0), ("", "scope_ac_only", False)),
}
"""What a person sets to what when a cause is put right."""
