"""The scripted operator of the demo: does on the simulated bench what each prompt asks."""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from benchlog.demo.simulated_operator import SimulatedOperator, doubt_step
from benchlog.guide.person import Prompt
from benchlog.plan import Plan, read_plan
from benchlog.reading import Function

_DOUBTED = "MB-02"


def story_plan() -> Plan:
    """The demo's plan."""
    return read_plan(Path(str(files("benchlog.demo") / "kc1.toml")))


class StoryOperator(SimulatedOperator):
    """Answers the prompts of the demo's checks, by their keys.

    Parameters
    ----------
    bench, person, say
        See `SimulatedOperator`.
    """

    def __init__(self, bench: Any, person: Any, say: Callable[[str, str], None]) -> None:
        super().__init__(bench, person, say)
        self.meter_of = {"C05": _DOUBTED, "C13": _DOUBTED}  # a meter found bad is replaced
        self._shown = ""  # display of the doubted meter after the last check of a diagnosis
        hook = bench.hookups
        self.acts = {
            "C01/primary/hookup": lambda: self.dead("MA-01", "T1.plug", Function.OHMS),
            "C01/secondary,_drop_at_0.500_A/hookup": lambda: self.drop("MA-01", "T1.output", 0.5),
            "C02/hookup": lambda: self.isolation("MA-01"),
            "C03/hookup": lambda: self._supply(_DOUBTED, leads="LB"),
            "C04/hookup": lambda: self._supply("MA-01"),
            "C04/load": lambda: self.bench.load("T1.output", 15.0),
            "C04/unload": lambda: self.bench.load("T1.output", None),
            "C05/hookup": lambda: self._supply(self.meter_of["C05"]),
            "C06/K1,_ten_turns/hookup": lambda: hook.test_winding("K1"),
            "C06/K2,_ten_turns/hookup": lambda: hook.test_winding("K2"),
            "C07/hookup": lambda: hook.ratio("CT1", divided=True),
            "C07/swap": self.swap_probes,
            "C08/hookup": lambda: hook.inductance("CT1"),
            "C08/swap": self.swap_probes,
            "C09/hookup": lambda: self.drop("MA-01", "CT1", 0.5),
            "C10/hookup": lambda: hook.ratio("CT2", divided=True),
            "C10/swap": self.swap_probes,
            "C11/hookup": lambda: self.two_resistors("MA-01"),
            "C11/to_reference": lambda: self.put("MA-01", "CS-4", Function.DC_VOLTS),
            "C12/amplifier_out/hookup": self._cascade,
            "C13/hookup": lambda: self.rectifier(self.meter_of["C13"]),
            "C14/earth_bond,_drop_at_1.00_A/hookup": lambda: self.drop("MA-01", "BOND", 1.0),
            "C15/across_the_load,_relay_off/hookup": self._lamps,
            "C15/relay_off,_lamp_unscrewed/hookup": lambda: self.bench.screw_lamp(False),
            "C16/amplifier_out_at_full_power/hookup": self._element,
        }

    def _supply(self, meter: str, leads: str = "") -> None:
        self.clear()
        self.put(meter, "T1.output", Function.AC_VOLTS, leads)
        self.bench.hookups.supply()

    def _cascade(self) -> None:
        self.clear()
        self.put("MA-01", "AMP.output", Function.AC_VOLTS)
        self.bench.hookups.cascade()

    def _lamps(self) -> None:
        self.clear()
        self.put("MA-01", "LAMP", Function.AC_VOLTS)
        self.bench.hookups.lamps(on=False)

    def _element(self) -> None:
        self.clear()
        self.put("MA-01", "AMP.output", Function.AC_VOLTS)
        self.bench.hookups.element(on=True)

    def on_standard(self, meter: str, standard: str, function: Function) -> str:
        """Put a meter on a check standard and read it, with ac or dc by its dial."""
        self.clear()
        self.put(meter, standard, function)
        return str(self.person.read(meter))

    def on_point(self, point: str, function: Function, *meters: str) -> None:
        """Put several meters on one point."""
        self.clear()
        for meter in meters:
            self.put(meter, point, function)

    # ---- what the operator sees ----

    def display(self, prompt: Prompt) -> str:
        """See `SimulatedOperator.display`; some instruments are borrowed."""
        if prompt.instrument not in self.bench.meters:
            return self._borrowed(prompt.key)
        return self._shown if doubt_step(prompt.key).endswith("/reading") else super().display(prompt)

    def _borrowed(self, key: str) -> str:
        """Read an instrument that is not on the bench: insulation tester, thermometer."""
        if key.startswith("C04b"):
            return str(self.bench.insulation("T1.p1", "T1.s1"))
        if key.startswith("C14"):
            return str(self.bench.insulation("KC1.mains", "KC1.earth"))
        return f"{self.bench.heat_sink_degc():.0f} degC"

    def look_into(self, step: str) -> None:
        """Carry out one check of a diagnosis on the doubted meter."""
        if step in ("second_meter", "second"):
            self.put("MA-01", "T1.output", Function.AC_VOLTS)
        elif step == "mended":
            self.put(_DOUBTED, "T1.output", Function.AC_VOLTS)
        else:
            self._shown = str(self.person.act(step))

    def yes_or_no(self, key: str) -> str:
        """Answer yes or no; look at the lamps if the question is about them."""
        if key.startswith("C15/relay_on"):
            self.bench.hookups.lamps(on=True)
            return "y" if self.bench.lit("LAMP") and self.bench.lit("SERIES-LAMP") else "n"
        return "y"
