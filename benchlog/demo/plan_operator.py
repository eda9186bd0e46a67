"""An operator of the simulated bench for any plan: makes the connections of each hook-up."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from benchlog.bench import Bench
from benchlog.demo.simulated_operator import SimulatedOperator, doubt_step
from benchlog.demo.story_operator import StoryOperator, story_plan
from benchlog.errors import UsageError
from benchlog.guide.person import Prompt
from benchlog.hookup import Circuit, Hookup
from benchlog.plan import Plan
from benchlog.reading import Function
from benchlog.simulation import simulated_person

_TEST_A = 0.5  # test current of a four-wire measurement, if the plan has none
_SCREEN_V = 30.0  # supply of an isolation screen
_SPARE_LEADS = "LD"
_SUPPLY = "T1"


class PlanOperator(SimulatedOperator):
    """Answers a guided run of any plan on the simulated bench.

    Parameters
    ----------
    bench : simulated bench
    sheets : Bench
        The bench file, for the function of each standard.
    say : callable
        Takes text and style of each line shown.
    """

    def __init__(self, bench: Any, plan: Plan, sheets: Bench, say: Callable[[str, str], None]) -> None:
        super().__init__(bench, simulated_person(bench), say)
        self.plan = plan
        self.sheets = sheets
        # Checks of the demo's own plan are connected as the demo connects them: no drawing names the pins of a plug.
        self._story = StoryOperator(bench, self.person, say)
        own = {check.revision for check in story_plan().checks.values()}
        self._own = {check.id for check in plan.checks.values() if check.revision in own}
        self.acts = {key: act for key, act in self._story.acts.items() if _check_of(key) in self._own}
        self._check = ""
        self._put_back: Callable[[], None] = _nothing

    def do(self, prompt: Prompt) -> None:
        """Do what a hook-up prompt asks, if this bench has the parts for it."""
        self._restore()
        try:
            self._do(prompt)
        except UsageError as error:
            self.say(f"  the simulated bench can't do that: {error}", "bold")
            self.say(f"  try: {error.hint or 'a check on T1, CT1, CT2, RB, REC'}", "")

    def observe(self, prompt: Prompt) -> str:
        """See `SimulatedOperator.observe`; sets the check up first, even before its hook-up prompt."""
        step = doubt_step(prompt.key)
        if step:
            self._doubt(prompt.instrument)
        if not step.endswith(("/reading", "second_reading")):  # these read the present set-up
            self._restore()
        self._begin(prompt.key)
        return super().observe(prompt)

    def display(self, prompt: Prompt) -> str:
        """See `SimulatedOperator.display`; an instrument that is not on this bench shows nothing."""
        if prompt.instrument in self.bench.meters:
            return super().display(prompt)
        return self._story.display(prompt) if _check_of(prompt.key) in self._own else ""

    def yes_or_no(self, key: str) -> str:
        """Don't answer: these questions are for the user."""
        return ""

    # ---- hook-ups ----

    def _do(self, prompt: Prompt) -> None:
        where, _, what = prompt.key.rpartition("/")
        if what == "new_battery" and prompt.instrument in self.bench.meters:
            self.bench.new_battery(prompt.instrument)
        elif prompt.key == "start/off":
            self.bench.unplug(_SUPPLY)
        elif prompt.key.startswith("start/"):
            self._on_standard(*prompt.key.split("/")[1:3])
        elif what == "setting" and prompt.function is not None:
            self.turn(prompt.instrument, prompt.function)
        elif step := doubt_step(prompt.key):
            self._doubt(prompt.instrument)
            self.look_into(step)
        elif prompt.key in self.acts:
            self._begin(prompt.key)
            self.acts[prompt.key]()
        elif what == "hookup" and "/" in where:
            self._begin(prompt.key)
            self._item(where)
        else:
            self._begin(prompt.key)
            self._later(where, what)

    def _begin(self, key: str) -> None:
        """Set a check up when its first prompt comes."""
        check = self.plan.checks.get(_check_of(key))
        if check is None or check.id == self._check:
            return
        self._check = check.id
        wiring = check.wiring()
        self._take_up(self._meters(wiring)[0], wiring.function if wiring is not None else None)
        if wiring is not None:
            self._hook_up(check.part, wiring)

    def _take_up(self, meter: str, intended: Function | None) -> None:
        self.person = simulated_person(
            self.bench, meter, part=_SUPPLY, intended=intended or self.bench.meter(meter).function
        )

    def _doubt(self, meter: str) -> None:
        """Switch to the meter of a diagnosis, if it is another one on this bench."""
        if meter in self.bench.meters and meter != self.person.tag:
            self._take_up(meter, self.person.intended)

    def _meters(self, wiring: Hookup | None) -> tuple[str, ...]:
        """Meters of this bench that a hook-up names; all if it names none."""
        named = wiring.taps if wiring is not None else ()
        tags = dict.fromkeys(tap.instrument for tap in named if tap.instrument in self.bench.meters)
        return tuple(tags) or tuple(self.bench.meters)

    def _hook_up(self, part: str, wiring: Hookup) -> None:
        """Make a hook-up's connections, if this bench has the instruments; a borrowed meter is left to the user."""
        borrowed = {tap.instrument for tap in wiring.taps if tap.function is not None} - {"meter"}
        if borrowed and borrowed.isdisjoint(self.bench.meters):
            self.clear()
            return
        level = wiring.source.level if wiring.source is not None else None
        meters, function = self._meters(wiring), wiring.function
        ways: dict[Circuit, Callable[[], None]] = {
            Circuit.FOUR_WIRE: lambda: self.drop(meters[0], self._point(part), level or _TEST_A),
            Circuit.TURNS_RATIO: lambda: self._toroid(part, divided=any(tap.through for tap in wiring.taps)),
            Circuit.SERIES_RESISTOR: lambda: self._toroid(part),
            Circuit.LEAKAGE: lambda: self.isolation(meters[0], level or _SCREEN_V),
            Circuit.COMPARISON: lambda: self.two_resistors(meters[0]),
            Circuit.RECTIFIER: lambda: self.rectifier(meters[0]),
        }
        if wiring.circuit in ways:
            ways[wiring.circuit]()
        elif function is not None:
            self._on(part, function, meters[:1] if function is Function.OHMS else meters)

    def _item(self, where: str) -> None:
        """Set up one item of a list check on the part itself."""
        check = self.plan.checks.get(where.partition("/")[0])
        name = where.partition("/")[2]
        for item in check.places if check is not None else ():
            if check is not None and item.name.replace(" ", "_") == name:
                wiring = item.wiring(check.part)
                if wiring is not None and wiring.function is not None:
                    self._hook_up(check.part, wiring)

    def _later(self, check_id: str, what: str) -> None:
        """Carry out the later steps of a check, by their names."""
        check = self.plan.checks.get(check_id)
        wiring = check.wiring() if check is not None else None
        if check is None or wiring is None:
            return
        meter = self._meters(wiring)[0]
        if what in ("load", "unload"):
            ohm = getattr(check, "load", None) if what == "load" else None
            self.bench.load(self._point(check.part), None if ohm is None else ohm.value)
        elif what == "swap":
            self.swap_probes()
        elif what == "to_reference":
            self.put(meter, "CS-4", wiring.function or Function.DC_VOLTS)
        elif what == "short_tips":
            self._short(meter)
        elif what == "on_object":
            self.put(meter, self._point(check.part), Function.OHMS)

    def _on(self, part: str, function: Function, meters: tuple[str, ...]) -> None:
        """Put meters on a part; a transformer's output is live, other parts are measured alone."""
        point = self._point(part)
        self.clear()
        for meter in meters:
            self.put(meter, point, function)
        if part == _SUPPLY and function.is_volts:
            self.bench.hookups.supply()

    def _point(self, part: str) -> str:
        """Name of the point at which a part is measured."""
        points = self.bench.scene.points
        name = f"{part}.output" if f"{part}.output" in points else part
        self.bench.scene.nodes(name)  # raises if there is no such point
        return name

    def _toroid(self, part: str, *, divided: bool | None = None) -> None:
        """Drive a toroid for its turns ratio, with or without a divider, or with a series resistor."""
        if part not in ("CT1", "CT2"):
            raise UsageError(f"the simulated bench has no toroid {part!r}", hint="it has CT1 and CT2")
        self.clear()
        if divided is None:
            self.bench.hookups.inductance(part)
        else:
            self.bench.hookups.ratio(part, divided=divided)

    def _on_standard(self, meter: str, what: str) -> None:
        """Put a meter on a check standard, or short its tips."""
        self._check = ""
        self.clear()
        if what == "tips":
            self._short(meter)
        else:
            self.put(meter, what, self.sheets.standard(what).function)

    def _short(self, meter: str) -> None:
        self.put(meter, (f"{meter}.tips", f"{meter}.tips"), Function.OHMS)

    # ---- a doubtful reading ----

    def look_into(self, step: str) -> None:
        """Do one check of a diagnosis; the earlier hook-up is restored before the next prompt."""
        tag = self.person.tag
        meter, bench = self.bench.meter(tag), self.bench
        at = meter.hookup.at if meter.hookup is not None else bench.scene.nodes(f"{_SUPPLY}.output")
        function = meter.function
        other = next(t for t in bench.meters if t != tag)
        self._put_back = self._as_it_is(tag)
        tips = (f"{tag}.tips", f"{tag}.tips")
        ways: dict[str, Callable[[], None]] = {
            "short_tips": lambda: bench.short_tips(tag),
            "short_tips_ohms": lambda: self.put(tag, tips, Function.OHMS, self._leads_of(tag)),
            "dc_same_points": lambda: self.put(tag, at, Function.DC_VOLTS, self._leads_of(tag)),
            "fresh_cell": lambda: self.put(tag, "CS-1", Function.DC_VOLTS, self._leads_of(tag)),
            "known_resistor": lambda: self.put(tag, "CS-2", Function.OHMS, self._leads_of(tag)),
            "ohms_output": lambda: self._unplugged(tag, at),
            "ohms_plug": lambda: self._unplugged(tag, f"{_SUPPLY}.plug"),
            "load_150": lambda: bench.load(at, 150.0),
            "other_leads": lambda: bench.connect(tag, at=at, leads=_SPARE_LEADS, jack="volts"),
            "second_meter": lambda: self._instead(tag, other, at, function),
            "second": lambda: self._instead(tag, other, at, function),
            "generator_50hz": lambda: self._on_generator(tag),
            "mended": lambda: self._mended(tag, at),
        }
        if step in ways:
            ways[step]()
        else:
            super().look_into(step)
        if step == "mended":
            self._put_back = _nothing

    def _leads_of(self, tag: str) -> str:
        hookup = self.bench.meter(tag).hookup
        return "" if hookup is None else str(hookup.leads)

    def _as_it_is(self, tag: str) -> Callable[[], None]:
        """Return a function that restores tips, dial, plug, load and generator to their present state."""
        bench, meter = self.bench, self.bench.meter(tag)
        state = (meter.hookup, meter.function, meter.range_index, meter.jack)
        plugged = frozenset(("OUTLET.L", f"{_SUPPLY}.p1")) in bench.scene.wires

        def put_back() -> None:
            for other in bench.meters:
                if other != tag:
                    bench.disconnect(other)
            with bench.scene.change():
                meter.hookup, meter.jack = state[0], state[3]
                bench.generator.on = False
            if meter.function is not state[1]:
                bench.set_function(tag, state[1], range_index=state[2])
            if plugged:
                bench.load(f"{_SUPPLY}.output", None)
                bench.plug(_SUPPLY)

        return put_back

    def _restore(self) -> None:
        put_back, self._put_back = self._put_back, _nothing
        put_back()

    def _unplugged(self, tag: str, at: str | tuple[str, str]) -> None:
        self.bench.unplug(_SUPPLY)
        self.put(tag, at, Function.OHMS, self._leads_of(tag))

    def _instead(self, tag: str, other: str, at: tuple[str, str], function: Function) -> None:
        """Put the other meter on with its own leads, the first one's tips off."""
        self.bench.disconnect(tag)
        self.put(other, at, function)

    def _on_generator(self, tag: str) -> None:
        with self.bench.scene.change():
            generator = self.bench.generator
            generator.frequency_hz, generator.amplitude_vpp, generator.on = 50.0, 5.0 * 2 * 2**0.5, True
        self.put(tag, ("SG-04.out", "SG-04.common"), Function.AC_VOLTS, self._leads_of(tag))

    def _mended(self, tag: str, at: tuple[str, str]) -> None:
        """Fit good leads into the right jacks, clean the contact, set the dial."""
        intended = self.person.intended
        self.bench.disconnect(tag)
        self.bench.set_function(tag, intended)
        with self.bench.scene.change():
            self.bench.scene.contacts.pop(at[0], None)
            self.bench.scene.mains.outlet_live = True
        self.bench.connect(tag, at=at, leads=_SPARE_LEADS, jack="volts")


def _check_of(key: str) -> str:
    return key.partition("/")[0]


def _nothing() -> None:
    """Restore nothing."""
