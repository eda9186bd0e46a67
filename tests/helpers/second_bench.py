"""A second bench of faults, apart from the simulated bench and from the engine's model: draw, break, let a person act.

`draw_bench` sets up a good bench of one kind of reading, `FAULTS` breaks it by the engine's cause names (the vocabulary
is all they share), `SecondBench.act` does what a card asks and returns what a person would type.
"""

from __future__ import annotations

from helpers.second_bench_circuit import OPEN, Contact, Leads, Meter, Signal, ghost, shown
from helpers.second_bench_reading import BenchAsFound


class SecondBench(BenchAsFound):
    """The bench with a person who does what a card asks."""

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
