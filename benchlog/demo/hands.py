"""A pair of hands at the simulated bench: does what a prompt asks, and types what displays show.

It knows how leads are put where, never what a reading will be: every digit comes from the circuit model.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from benchlog.guide.person import Prompt

__all__ = ["DemoHands"]


class DemoHands:
    """Answers the prompts of a guided run by working the simulated bench.

    Parameters
    ----------
    bench : simulated bench
        From the adapters' package, loaded by name.
    say : callable
        Takes each line that a person would see.
    """

    def __init__(self, bench: Any, say: Callable[[str, str], None]) -> None:
        self.bench = bench
        self.say = say
        self.meter_leads = {"MA-01": "LA", "MB-02": "LB"}  # LB has a broken wire; nobody knows yet
        self.at = "T1.output"
        self.acts: dict[str, Callable[[], None]] = {
            "C01/hookup": self._unplug_to_plug,
            "C01/short_tips": lambda: self._short("MA-01", "ohm"),
            "C01/on_object": lambda: self._put("MA-01", "T1.plug", "ohm"),
            "C03/hookup": lambda: self._on_output("MB-02"),
            "C04/hookup": lambda: self._on_output("MA-01"),
            "C04/load": lambda: self.bench.load("T1.output", 15.0),
            "C04/unload": lambda: self.bench.load("T1.output", None),
            "C09/hookup": self._four_wire,
            "C07/hookup": lambda: self._ratio("CT1", 60),
            "C07/swap": self._swap,
            "C10/hookup": lambda: self._ratio("CT2", 100),
            "C10/swap": self._swap,
        }

    def show(self, text: str = "", *, style: str = "") -> None:
        """See `Person.show`."""
        self.say(text, style)

    def answer(self, prompt: Prompt) -> str:
        """Do what is asked on the bench; answer what its displays and cards show."""
        answer = self._answer(prompt)
        self.say(f"? {prompt.text}{'  ' + answer if answer else ''}", "dim")
        return answer

    def _answer(self, prompt: Prompt) -> str:
        check, _, step = prompt.key.partition("/")
        if prompt.kind == "hookup":
            if "/doubt/" in prompt.key:
                self._doubt(step.removeprefix("doubt/"))
            elif prompt.key in self.acts:
                self.acts[prompt.key]()
            return ""
        if prompt.kind == "display":
            function = prompt.function
            if function is not None and self.bench.meter(prompt.instrument).function is not function:
                self.bench.set_function(prompt.instrument, function)
            return str(self.bench.read_display(prompt.instrument))
        if step.endswith("mains"):
            return f"{self.bench.mains_monitor():.0f} V"
        if prompt.kind == "choice":
            return self._choice(step, prompt.choices)
        return "y" if prompt.kind == "confirm" else ""

    # ---- what hands do ----

    def _put(self, meter: str, at: str, function: str) -> None:
        self.bench.disconnect(meter)
        self.bench.set_function(meter, function)
        self.bench.connect(meter, at=at, leads=self.meter_leads[meter])

    def _short(self, meter: str, function: str) -> None:
        self.bench.connect(meter, at="T1.output", leads=self.meter_leads[meter])
        self.bench.short_tips(meter)
        self.bench.set_function(meter, function)

    def _unplug_to_plug(self) -> None:
        self.bench.unplug("T1")
        self._put("MA-01", "T1.plug", "ohm")

    def _on_output(self, meter: str) -> None:
        for other in self.meter_leads:
            self.bench.disconnect(other)
        self.bench.unplug("T1")
        self._put(meter, "T1.output", "V~")
        self.bench.plug("T1")

    def _four_wire(self) -> None:
        self.bench.unplug("T1")
        self.bench.four_wire("CT1", current_meter="MB-02", volt_meter="MA-01", amperes=0.5)

    def _ratio(self, winding: str, divider: int) -> None:
        self.bench.ratio_hookup(winding, divider=divider)

    def _swap(self) -> None:
        self.bench.swap_probes()

    def _doubt(self, step: str) -> None:
        """Carry out one check of a diagnosis on MB-02 and the output of T1."""
        meter = "MB-02"
        match step:
            case "short_tips":
                self.bench.short_tips(meter)
            case "short_tips_ohms":
                self.bench.short_tips(meter)
                self.bench.set_function(meter, "ohm")
            case "reselect_function" | "remake_contact" | "reread":
                self._put(meter, self.at, "V~")
            case "dc_same_points":
                self._put(meter, self.at, "V=")
            case "fresh_cell":
                self._put(meter, "CS-1", "V=")
            case "known_resistor":
                self._put(meter, "CS-2", "ohm")
            case "other_leads" | "mended":
                self.meter_leads[meter] = "LC"
                self._put(meter, self.at, "V~")
            case "second_meter" | "second":
                self._put("MA-01", self.at, "V~")
            case "ohms_output" | "ohms_plug":
                self.bench.unplug("T1")
                self._put(meter, "T1.output" if step == "ohms_output" else "T1.plug", "ohm")
            case "load_150":
                self._put(meter, self.at, "V~")
                self.bench.load(self.at, 150.0)
        if step not in ("ohms_output", "ohms_plug"):
            self.bench.plug("T1")
        if step != "load_150":
            self.bench.load(self.at, None)

    def _choice(self, step: str, choices: tuple[str, ...]) -> str:
        """What eyes see: dial, jacks and symbols of the meter; the lamp; the nameplate."""
        action = step.removeprefix("doubt/")
        if action == "look":
            return str(self.bench.look("MB-02"))
        if action == "lamp_in_outlet":
            return "lit" if self.bench.mains_monitor() > 100 else "dark"
        if action.startswith("wiggle"):
            return str(self.bench.wiggle("MB-02", action.removeprefix("wiggle_")))
        return choices[0]
