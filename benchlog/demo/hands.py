"""A pair of hands at the simulated bench: does what a prompt asks, and types what displays show.

It knows which lead goes where, never what a reading will be: every digit comes out of the circuit model.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from benchlog.guide.person import Person, Prompt
from benchlog.reading import Function

__all__ = ["DemoHands", "HandsOn"]

_DOUBTED = "MB-02"


class DemoHands(Person):
    """Answers the prompts of a guided run by working the simulated bench.

    Parameters
    ----------
    bench : simulated bench
    person : its person, who can carry out the checks of a diagnosis
    say : callable
        Takes text and style of each line that a person would see.
    """

    def __init__(self, bench: Any, person: Any, say: Callable[[str, str], None]) -> None:
        self.bench = bench
        self.person = person
        self.say = say
        self.meter_of = {"C05": _DOUBTED, "C13": _DOUBTED}  # a meter found bad is replaced by the other one
        self._shown = ""  # what the last check of a diagnosis left on the doubted meter's display
        hook = bench.hookups
        self.acts: dict[str, Callable[[], None]] = {
            "C01/primary/hookup": lambda: self._dead("MA-01", "T1.plug", Function.OHMS),
            "C01/secondary,_drop_at_0.500_A/hookup": lambda: self._drop("T1.output", 0.5),
            "C02/hookup": self._isolation,
            "C03/hookup": lambda: self._supply(_DOUBTED, leads="LB"),
            "C04/hookup": lambda: self._supply("MA-01"),
            "C04/load": lambda: self._loaded(15.0),
            "C04/unload": lambda: self.bench.load("T1.output", None),
            "C05/hookup": lambda: self._supply(self.meter_of["C05"]),
            "C06/K1,_ten_turns/hookup": lambda: hook.test_winding("K1"),
            "C06/K2,_ten_turns/hookup": lambda: hook.test_winding("K2"),
            "C07/hookup": lambda: hook.ratio("CT1", divided=True),
            "C07/swap": self._swap_probes,
            "C08/hookup": lambda: hook.inductance("CT1"),
            "C08/swap": self._swap_probes,
            "C09/hookup": lambda: self._drop("CT1", 0.5),
            "C10/hookup": lambda: hook.ratio("CT2", divided=True),
            "C10/swap": self._swap_probes,
            "C11/hookup": self._two_resistors,
            "C11/to_reference": lambda: self._put("MA-01", "CS-4", Function.DC_VOLTS),
            "C12/amplifier_out/hookup": self._cascade,
            "C13/hookup": self._rectifier,
            "C14/earth_bond,_drop_at_1.00_A/hookup": lambda: self._drop("BOND", 1.0),
            "C15/across_the_load,_relay_off/hookup": self._lamps,
            "C15/relay_off,_lamp_unscrewed/hookup": lambda: self.bench.screw_lamp(False),
            "C16/amplifier_out_at_full_power/hookup": self._element,
        }

    def show(self, text: str = "", *, style: str = "") -> None:
        """See `Person.show`."""
        self.say(text, style)

    def answer(self, prompt: Prompt) -> str:
        """Do what is asked on the bench; answer what displays and cards show."""
        answer = self._answer(prompt)
        self.say(f"  ? {prompt.text}{'  → ' + answer if answer else ''}", "dim")
        return answer

    def _answer(self, prompt: Prompt) -> str:
        step = prompt.key.rpartition("/doubt/")[2] if "/doubt/" in prompt.key else ""
        if prompt.kind == "hookup":
            if step:
                self._doubt(step)
            elif prompt.key in self.acts:
                self.acts[prompt.key]()
            return ""
        if prompt.kind == "display":
            return self._display(prompt, step)
        if prompt.kind == "choice" and step:
            return str(self.person.act(step))
        if prompt.kind == "quantity":
            return str(self.bench.read_mains())
        if prompt.kind == "confirm":
            return self._confirm(prompt.key)
        return ""

    # ---- what hands do ----

    def _put(self, meter: str, at: str, function: Function, leads: str = "LA") -> None:
        """Tips off, dial, tips on: the dial never turns on a live point."""
        self.bench.disconnect(meter)
        self.bench.set_function(meter, function)
        self.bench.connect(meter, at=at, leads="LC" if meter == _DOUBTED and leads == "LA" else leads)

    def _clear(self) -> None:
        self.bench.hookups.clear()
        for meter in self.bench.meters:
            self.bench.disconnect(meter)

    def _dead(self, meter: str, at: str, function: Function) -> None:
        self._clear()
        self._put(meter, at, function)

    def _drop(self, at: str, ampere: float) -> None:
        self._clear()
        self.bench.hookups.four_wire(at, ampere)
        self._put("MA-01", at, Function.DC_VOLTS)

    def _isolation(self) -> None:
        self._clear()
        self.bench.hookups.isolation()
        self._put("MA-01", "T1.isolation", Function.DC_VOLTS)

    def _supply(self, meter: str, leads: str = "LA") -> None:
        self._clear()
        self._put(meter, "T1.output", Function.AC_VOLTS, leads)
        self.bench.hookups.supply()

    def _loaded(self, ohm: float) -> None:
        self.bench.load("T1.output", ohm)

    def _swap_probes(self) -> None:
        with self.bench.scene.change():
            first, second = self.bench.scope.channels.values()
            first.clip, second.clip = second.clip, first.clip

    def _two_resistors(self) -> None:
        self._clear()
        self.bench.hookups.two_resistors()
        self._put("MA-01", "RB", Function.DC_VOLTS)

    def _cascade(self) -> None:
        self._clear()
        self._put("MA-01", "AMP.output", Function.AC_VOLTS)
        self.bench.hookups.cascade()

    def _rectifier(self) -> None:
        self._clear()
        self._put(self.meter_of["C13"], "REC.output", Function.DC_VOLTS)
        self.bench.hookups.rectifier()

    def _lamps(self) -> None:
        self._clear()
        self._put("MA-01", "LAMP", Function.AC_VOLTS)
        self.bench.hookups.lamps(on=False)

    def _element(self) -> None:
        self._clear()
        self._put("MA-01", "AMP.output", Function.AC_VOLTS)
        self.bench.hookups.element(on=True)

    def on_standard(self, meter: str, standard: str, function: Function) -> str:
        """Put a meter on a check standard and read it off, with ac or dc as the dial says."""
        self._clear()
        self._put(meter, standard, function)
        return str(self.person.read(meter))

    def on_point(self, point: str, function: Function, *meters: str) -> None:
        """Put several meters on one point."""
        self._clear()
        for meter in meters:
            self._put(meter, point, function)

    # ---- what eyes see ----

    def _display(self, prompt: Prompt, step: str) -> str:
        tag, function = prompt.instrument, prompt.function
        if tag not in self.bench.meters:
            return self._borrowed(prompt.key)
        if step.endswith("/reading"):
            return self._shown
        if function is not None and self.bench.meter(tag).function is not function:
            self.bench.set_function(tag, function)
        return str(self.bench.read_display(tag))

    def _borrowed(self, key: str) -> str:
        """Instruments that are not on the bench: insulation tester, thermometer."""
        if key.startswith("C04b"):
            return str(self.bench.insulation("T1.p1", "T1.s1"))
        if key.startswith("C14"):
            return str(self.bench.insulation("KC1.mains", "KC1.earth"))
        return f"{self.bench.heat_sink_degc():.0f} degC"

    def _doubt(self, step: str) -> None:
        """Carry out one check of a diagnosis on the doubted meter."""
        if step in ("second_meter", "second"):
            self._put("MA-01", "T1.output", Function.AC_VOLTS)
        elif step == "mended":
            self._put(_DOUBTED, "T1.output", Function.AC_VOLTS, "LC")
        else:
            self._shown = str(self.person.act(step))

    def _confirm(self, key: str) -> str:
        """Yes-or-no answers; the lamps are looked at."""
        if key.startswith("C15/relay_on"):
            self.bench.hookups.lamps(on=True)
            return "y" if self.bench.lit("LAMP") and self.bench.lit("SERIES-LAMP") else "n"
        return "y"


class HandsOn(DemoHands):
    """The same bench worked by a person: leads go on at Enter, displays are shown, the person types what they show.

    Parameters
    ----------
    bench, person, say
        As for `DemoHands`.
    typist : Person
        At the keyboard.
    """

    def __init__(self, bench: Any, person: Any, say: Callable[[str, str], None], typist: Person) -> None:
        super().__init__(bench, person, say)
        self.typist = typist

    def answer(self, prompt: Prompt) -> str:
        """Show what the bench shows, let the person answer, then do what was asked."""
        if prompt.kind == "hookup":
            answer = self.typist.answer(prompt)
            if answer.lower() != "s":
                self._answer(prompt)
            return answer
        if prompt.kind != "text":
            self.say(f"    on the bench: {self._answer(prompt)}", "bold")
        return self.typist.answer(prompt)
