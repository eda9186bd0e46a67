"""Checks of a diagnosis, carried out on the simulated bench.

Each action changes wiring, dial or leads, reads the display, and restores everything if possible. Outcomes are as a person
would type them: ``"27.07 V ac"``, ``"OL"``, ``"lit"``.
"""

from __future__ import annotations

from collections.abc import Callable

from benchlog.clock import ManualClock
from benchlog.errors import UsageError
from benchlog.reading import Flag, Function
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.signal import rms

_MINUTES = {
    "look": 0.3,
    "reread": 0.2,
    "short_tips": 0.3,
    "short_tips_ohms": 0.7,
    "reselect_function": 0.4,
    "dc_same_points": 0.3,
    "wiggle_leads": 0.6,
    "wiggle_part": 0.6,
    "other_leads": 1.0,
    "remake_contact": 1.0,
    "lamp_in_outlet": 1.0,
    "reread_nameplate": 1.0,
    "fresh_cell": 1.2,
    "known_resistor": 1.5,
    "second_meter": 1.5,
    "ohms_output": 1.5,
    "ohms_plug": 2.0,
    "load_150": 2.0,
    "scope_output": 3.0,
    "generator_50hz": 3.0,
    "read_mains": 0.5,
    "new_battery": 4.0,
}
_COUPLING = {
    Function.AC_VOLTS: " ac",
    Function.AC_CURRENT: " ac",
    Function.DC_VOLTS: " dc",
    Function.DC_CURRENT: " dc",
}


class Person:
    """A person with a meter on a point.

    Parameters
    ----------
    meter : str
        The meter in doubt; its tips are on `point`.
    part : str
        Supply whose output is measured.
    intended : str or Function
        What the dial is meant to be on.
    plan_agrees : bool
        Whether the nameplate says what the plan expects.
    """

    def __init__(
        self,
        bench: SimulatedBench,
        meter: str = "MA-01",
        *,
        part: str = "T1",
        intended: str | Function = Function.AC_VOLTS,
        plan_agrees: bool = True,
    ) -> None:
        self.bench = bench
        self.tag = meter
        self.part = part
        self.point = f"{part}.output"
        self.intended = Function(intended)
        self.plan_agrees = plan_agrees

    @property
    def actions(self) -> dict[str, Callable[[], str]]:
        """What can be done, by name."""
        return {name: getattr(self, f"_{name}") for name in _MINUTES}

    def act(self, action: str) -> str:
        """Carry out one action and return its outcome; `UsageError` for an unknown action."""
        if action not in _MINUTES:
            raise UsageError(f"no action {action!r}", hint=f"known: {', '.join(_MINUTES)}")
        if isinstance(self.bench.clock, ManualClock):
            self.bench.clock.advance(60.0 * _MINUTES[action])
        return self.actions[action]()

    def read(self, tag: str = "") -> str:
        """Read a display, with ac or dc by the dial."""
        meter = self.bench.meter(tag or self.tag)
        text = self.bench.read_display(meter.tag)
        shown = meter.held or meter.frozen
        function = shown.function if shown is not None else meter.function
        return text if text == "OL" else text + _COUPLING.get(function, "")

    @property
    def _meter(self) -> HandheldMeter:
        return self.bench.meter(self.tag)

    def _with_dial(self, function: Function, at: str | tuple[str, str]) -> str:
        """Read with another function on another point, then restore dial and tips."""
        meter = self._meter
        hookup, before, index = meter.hookup, meter.function, meter.range_index
        self.bench.set_function(self.tag, function)
        self.bench.connect(self.tag, at=at)
        outcome = self.read()
        with self.bench.scene.change():
            meter.hookup = hookup
        self.bench.set_function(self.tag, before, range_index=index)
        return outcome

    def _look(self) -> str:
        meter, scene = self._meter, self.bench.scene
        shown = meter.display(scene, scene.now_s(), 0)
        seen = {
            "lead in current jack": meter.jack == "current" and self.intended.unit != "A",
            "hold shown": Flag.HOLD in shown.flags,
            "relative shown": Flag.RELATIVE in shown.flags,
            "other mode shown": bool(shown.flags & {Flag.MAXIMUM, Flag.MINIMUM, Flag.PEAK, Flag.LOW_PASS})
            or meter.function is Function.FREQUENCY,
            "wrong function": meter.function is not self.intended,
            "wrong range": meter.range_index is not None,
            "battery symbol": Flag.LOW_BATTERY in shown.flags,
        }
        return next((words for words, true in seen.items() if true), "in order")

    def _reread(self) -> str:
        if isinstance(self.bench.clock, ManualClock):
            self.bench.clock.advance(10.0)
        return self.read()

    def _short_tips(self) -> str:
        hookup = self._meter.hookup
        self.bench.short_tips(self.tag)
        outcome = self.read()
        with self.bench.scene.change():
            self._meter.hookup = hookup
        return outcome

    def _short_tips_ohms(self) -> str:
        if self._wiggle_leads() == "jumps":
            return "jumps"
        return self._with_dial(Function.OHMS, (f"{self.tag}.tips", f"{self.tag}.tips"))

    def _reselect_function(self) -> str:
        self.bench.set_function(self.tag, self.intended)
        return self.read()

    def _dc_same_points(self) -> str:
        return self._with_dial(Function.DC_VOLTS, self.point)

    def _wiggle_leads(self) -> str:
        hookup = self._meter.hookup
        loose = hookup is not None and self.bench.scene.leads[hookup.leads].intermittent
        return "jumps" if loose else "steady"

    def _wiggle_part(self) -> str:
        return "jumps" if self.bench.transformer.intermittent else "steady"

    def _other_leads(self) -> str:
        hookup, jack = self._meter.hookup, self._meter.jack
        self.bench.connect(self.tag, at=self._at, leads="LD", jack="volts")
        outcome = self.read()
        if hookup is not None:  # restore the suspect leads: only one change between two readings
            self.bench.connect(self.tag, at=hookup.at, leads=hookup.leads, jack=jack)
        return outcome

    @property
    def _at(self) -> tuple[str, str]:
        hookup = self._meter.hookup
        return hookup.at if hookup is not None else self.bench.scene.nodes(self.point)

    def _remake_contact(self) -> str:
        with self.bench.scene.change():
            self.bench.scene.contacts.pop(self._at[0], None)
        return self.read()

    def _lamp_in_outlet(self) -> str:
        scene = self.bench.scene
        return "lit" if rms(scene.spectrum("OUTLET.L", "OUTLET.N", scene.now_s())) > 100 else "dark"

    def _reread_nameplate(self) -> str:
        return "agrees" if self.plan_agrees else "differs"

    def _fresh_cell(self) -> str:
        return self._with_dial(Function.DC_VOLTS, "CS-1")

    def _known_resistor(self) -> str:
        return self._with_dial(Function.OHMS, "CS-2")

    def _second_meter(self) -> str:
        """The other meter with its own leads; the first one's tips are off meanwhile, so that it does not load the point."""
        other = next(tag for tag in self.bench.meters if tag != self.tag)
        at, hookup = self._at, self._meter.hookup
        self.bench.disconnect(self.tag)
        self.bench.set_function(other, self.intended)
        self.bench.connect(other, at=at)
        outcome = self.read(other)
        self.bench.disconnect(other)
        with self.bench.scene.change():
            self._meter.hookup = hookup
        return outcome

    def _ohms_output(self) -> str:
        return self._unplugged(self.point)

    def _ohms_plug(self) -> str:
        return self._unplugged(f"{self.part}.plug")

    def _unplugged(self, point: str) -> str:
        self.bench.unplug(self.part)
        outcome = self._with_dial(Function.OHMS, point)
        self.bench.plug(self.part)
        return outcome

    def _load_150(self) -> str:
        self.bench.load(self.point, 150.0)
        outcome = self.read()
        self.bench.load(self.point, None)
        return outcome

    def _scope_output(self) -> str:
        """What the scope's screen shows of channel 1, as an rms value; the meter's tips come off meanwhile."""
        bench, hookup = self.bench, self._meter.hookup
        bench.disconnect(self.tag)
        bench.probe("CH1", at=self.point, attenuation=10.0)
        channel = bench.scope.channels["CH1"]
        spectrum = bench.scene.spectrum(*bench.scene.nodes(self.point), bench.scene.now_s())
        channel.probe = 10.0
        channel.volts_per_division = next(
            step for step in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100) if 4 * step >= 1.6 * rms(spectrum)
        )
        bench.scope.seconds_per_division, bench.scope.samples = 10e-3, 5000
        bench.scope.acquire(bench.scene)
        volt = (bench.scope.codes["CH1"] - 128.0) * channel.volts_per_division / 25
        with bench.scene.change():
            channel.clip = None
            self._meter.hookup = hookup
        return f"{float((volt - volt.mean()).std()):.3g} V ac"

    def _generator_50hz(self) -> str:
        bench, generator = self.bench, self.bench.generator
        before = (generator.frequency_hz, generator.amplitude_vpp, generator.on)
        with bench.scene.change():
            generator.frequency_hz, generator.amplitude_vpp, generator.on = 50.0, 5.0 * 2 * 2**0.5, True
        outcome = self._with_dial(Function.AC_VOLTS, ("SG-04.out", "SG-04.common"))
        with bench.scene.change():
            generator.frequency_hz, generator.amplitude_vpp, generator.on = before
        return outcome

    def _read_mains(self) -> str:
        return f"{self.bench.read_mains()} ac"

    def _new_battery(self) -> str:
        self.bench.new_battery(self.tag)
        return self.read()
