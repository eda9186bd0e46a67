"""Faults of the bench: causes of a doubtful reading, applied to the circuit, the meter or the leads.

None sets a displayed number. Sizes are drawn by seed and case from judged ranges (no source).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.reading import Flag, Function
from benchlog_drivers.simbench.draws import uniform
from benchlog_drivers.simbench.leads import LeadSet
from benchlog_drivers.simbench.meter import HandheldMeter
from benchlog_drivers.simbench.meter_spec import Battery

if TYPE_CHECKING:
    from benchlog_drivers.simbench.workbench import Workbench


class _Injection:
    """One cause being applied, with its draws."""

    def __init__(self, bench: Workbench, cause: str, meter: HandheldMeter, case: int) -> None:
        self.bench, self.cause, self.meter, self.case = bench, cause, meter, case
        self.part = bench.transformer

    # Properties of this one fault: sizes, chances, and the point meant by "the tip".

    def draw(self, low: float, high: float, what: str = "") -> float:
        return uniform(low, high, self.bench.seed, "fault", self.cause, self.case, what)

    def chance(self, p: float, what: str = "") -> bool:
        return self.draw(0, 1, f"chance {what}") < p

    @property
    def leads(self) -> LeadSet:
        if self.meter.hookup is None:
            raise UsageError(f"{self.meter.tag} has no leads plugged in", hint="connect it first")
        return self.bench.scene.leads[self.meter.hookup.leads]

    @property
    def tip(self) -> str:
        if self.meter.hookup is None:
            raise UsageError(f"{self.meter.tag} has no leads plugged in", hint="connect it first")
        return self.meter.hookup.at[0]

    def shown(self) -> float:
        """What the display shows now, SI; 0 for overload."""
        scene = self.bench.scene
        display = self.meter.display(scene, scene.now_s() + 5.0, 0)
        return 0.0 if display.counts is None else display.counts * display.resolution


def _battery_low(x: _Injection) -> None:
    """Flat enough for a gain error of 3 to 35 %; the symbol comes on about half the time."""
    per_volt, knee = 0.1, 7.0
    volt = knee - x.draw(0.03, 0.35) / per_volt
    symbol_v = volt + 0.1 if x.chance(0.5) else volt - 0.1
    x.meter.battery = Battery(((0.0, volt),), knee, per_volt, symbol_v)


def _hold(x: _Injection, *, flagged: bool) -> None:
    """Freeze the display: usually at that of open tips, else at that of the present point."""
    scene, meter = x.bench.scene, x.meter
    hookup = meter.hookup
    if x.chance(0.65):
        meter.hookup = None
    shown = meter.display(scene, scene.now_s() + 5.0, 0)
    meter.hookup = hookup
    if flagged:
        meter.held = shown.with_flag(Flag.HOLD)
    else:
        meter.frozen = shown


def _other_mode(x: _Injection) -> None:
    if x.chance(0.3):
        x.meter.turn_dial(Function.FREQUENCY)
    else:
        x.meter.mode = "peak" if x.chance(0.5, "which") else "max"
        x.meter.peak_value = x.draw(1.05, 2.0) * x.shown() if x.meter.mode == "max" else 0.0


def _wrong_function(x: _Injection) -> None:
    x.meter.turn_dial(Function.DC_VOLTS if x.meter.function is not Function.DC_VOLTS else Function.AC_VOLTS)


def _range_slip(x: _Injection) -> None:
    ranges = x.meter.spec.functions[x.meter.function].ranges
    scene = x.bench.scene
    right = x.meter.display(scene, scene.now_s() + 5.0, 0).top
    others = [k for k, r in enumerate(ranges) if abs(r.top / right - 1) > 0.01]
    x.meter.range_index = others[int(x.draw(0, len(others)))]


def _damaged(x: _Injection) -> None:
    x.meter.input_damage = 0.0 if x.chance(0.5) else x.draw(0.05, 0.8)


def _scope_coupling(x: _Injection) -> None:
    for channel in x.bench.scope.channels.values():
        channel.coupling = "AC"


def _probe_setting(x: _Injection) -> None:
    for channel in x.bench.scope.channels.values():
        channel.probe = 1.0 if channel.probe > 1 else 10.0


def _set(path: str, value: object) -> Callable[[_Injection], None]:
    owner, _, name = path.partition(".")
    return lambda x: setattr(getattr(x, owner), name, value)


def _drawn(path: str, low: float, high: float) -> Callable[[_Injection], None]:
    owner, _, name = path.partition(".")
    return lambda x: setattr(getattr(x, owner), name, x.draw(low, high))


def _signed(x: _Injection) -> None:
    x.meter.gain += x.draw(0.025, 0.12) * (1 if x.chance(0.5) else -1)


def _mains_off(x: _Injection) -> None:
    factor = x.draw(0.82, 0.93) if x.chance(0.5) else x.draw(1.06, 1.12)
    x.bench.scene.mains.voltage_v *= factor


def _bad_contact(x: _Injection) -> None:
    x.bench.scene.contacts[x.tip] = None


def _poor_contact(x: _Injection) -> None:
    x.bench.scene.contacts[x.tip] = x.draw(0.3, 5.0)


def _outlet_dead(x: _Injection) -> None:
    x.bench.scene.mains.outlet_live = False


def _relative(x: _Injection) -> None:
    shown = x.shown()
    scene = x.bench.scene
    top = x.meter.display(scene, scene.now_s() + 5.0, 0).top
    tops = [r.top for r in x.meter.spec.functions[x.meter.function].ranges]
    x.meter.range_index = tops.index(top)  # relative mode keeps its range
    x.meter.reference = shown * (1.0 if x.chance(0.5) else x.draw(0.02, 1.0))


def _average(x: _Injection) -> None:
    """An average-responding meter, and mains with enough harmonics to show it."""
    x.meter.average_responding = True
    x.bench.scene.mains.third = -x.draw(0.15, 0.45)


def _loading(x: _Injection) -> None:
    """A meter of low input resistance on a source of high resistance."""
    x.meter.input_ohm = 1e6
    x.part.series_ohm = x.draw(1e5, 1e6)


CAUSES: dict[str, Callable[[_Injection], None]] = {
    "all_good": lambda x: None,
    "expectation_wrong": lambda x: None,
    "part_open_output": _set("part.open_output", True),
    "part_open_primary": _set("part.open_primary", True),
    "part_low": _drawn("part.turns_factor", 0.15, 0.92),
    "part_high": _drawn("part.turns_factor", 1.12, 1.7),
    "part_dc": _set("part.dc_output", True),
    "part_intermittent": _set("part.intermittent", True),
    "no_mains": _outlet_dead,
    "mains_off_nominal": _mains_off,
    "lead_open": _set("leads.open", True),
    "lead_intermittent": _set("leads.intermittent", True),
    "lead_in_current_jack": _set("meter.jack", "current"),
    "contact_not_made": _bad_contact,
    "contact_resistance": _poor_contact,
    "wrong_function": _wrong_function,
    "range_slip": _range_slip,
    "hold_engaged": lambda x: _hold(x, flagged=True),
    "relative_mode": _relative,
    "other_mode": _other_mode,
    "not_settled": lambda x: x.meter.start_over(x.draw(1.5, 5.0)),
    "outside_bandwidth": _drawn("meter.low_pass_hz", 400.0, 2000.0),
    "probe_setting": _probe_setting,
    "scope_coupling": _scope_coupling,
    "meter_input_damaged": _damaged,
    "meter_battery_low": _battery_low,
    "meter_gain_drift": _signed,
    "display_frozen": lambda x: _hold(x, flagged=False),
    "ac_converter_dead": _set("meter.ac_dead", True),
    "average_responding": _average,
    "range_switch_dirty": _set("meter.dirty_switch", True),
    "input_loading": _loading,
    "meter_offset": _drawn("meter.offset_v", 0.3, 3.0),
    "current_fuse_blown": _set("meter.fuse_blown", True),
    "ac_of_ac_plus_dc": _drawn("part.offset_v", 5.0, 30.0),
}
"""What each cause changes; nothing for `all_good`, and only the plan for `expectation_wrong`."""


def inject(bench: Workbench, cause: str, *, meter: str = "MA-01", case: int = 0) -> None:
    """Apply a cause to a bench.

    Parameters
    ----------
    cause : str
        Key of `CAUSES`.
    meter : str
        Meter (and its leads) concerned.
    case : int
        Names the draws of sizes: other case, other size.

    Raises
    ------
    UsageError
        For an unknown cause, or a lead fault on a meter without leads.
    """
    if cause not in CAUSES:
        raise UsageError(f"no cause {cause!r}", hint=f"known: {', '.join(CAUSES)}")
    injection = _Injection(bench, cause, bench.meter(meter), case)
    with bench.scene.change():
        CAUSES[cause](injection)
