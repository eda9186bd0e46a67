"""A handheld meter: input network in the circuit, detector, errors, range, display.

Faults are fields. They change the input network, the detector, the gain, the display's symbols or its memory; none sets
the displayed number. `MeterUpdates` gives its displays one after another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchlog.clock import ManualClock, RunningClock
from benchlog.errors import UsageError
from benchlog.reading import Flag, Function
from benchlog_drivers.simbench.circuit import Circuit
from benchlog_drivers.simbench.draws import normal, uniform
from benchlog_drivers.simbench.leads import Hookup
from benchlog_drivers.simbench.meter_spec import FRESH, Battery, Display, FunctionSpec, MeterSpec, Range
from benchlog_drivers.simbench.scene import Scene, day_of
from benchlog_drivers.simbench.signal import ac_only, average_responding, low_pass, rms


@dataclass
class MeterUpdates:
    """Gives the next display each time it is asked.

    On a running clock that is the present display. On a manual clock time may stand still; each display then counts as one
    update period later than the previous one, until the clock moves or the scene changes.
    """

    meter: HandheldMeter
    scene: Scene

    def __post_init__(self) -> None:
        clock = self.scene.clock
        self.manual = isinstance(clock, ManualClock) and not isinstance(clock, RunningClock)
        self._epoch: tuple[int, float] = (-1, 0.0)
        self._index = 0

    def next(self, ahead_s: float = 0.0) -> Display:
        """Next display; `ahead_s` lets a meter that measures on request wait for its filter first."""
        with self.scene.lock:
            now = self.scene.now_s()
            epoch = (self.scene.version, now)
            self._index = self._index + 1 if epoch == self._epoch else 0
            self._epoch = epoch
            t_s = now + (self._index + 1) / self.meter.spec.rate_hz if self.manual else now
            return self.meter.display(self.scene, t_s + ahead_s, self._index)


_CURRENTS = (Function.AC_CURRENT, Function.DC_CURRENT)
_OHMS = (Function.OHMS, Function.CONTINUITY)
_OHMS_SOURCE_V = 1.0
_OHMS_REFERENCE = 10e3  # near the middle of the decades: one serves all ranges of the model
_FUSE_A = 10.0


@dataclass
class _Settling:
    """Start value of the display filter, and its time."""

    version: int = -1
    function: Function | None = None
    start: float = 0.0
    start_s: float = -math.inf
    target: float = 0.0
    tau_s: float = 0.0


@dataclass
class HandheldMeter:
    """One meter on the bench."""

    tag: str
    spec: MeterSpec
    seed: int
    #: function, range_index: What the dial says; no index means automatic range.
    function: Function = Function.AC_VOLTS
    range_index: int | None = None
    hookup: Hookup | None = None  #: Where the tips are.
    jack: str = "volts"  #: One of "volts", "current". Where the high lead is plugged into the meter.
    #: battery, gain, offset_v, input_damage, ac_dead, dirty_switch, fuse_blown, input_ohm, low_pass_hz: State
    #: and faults; see the names in `faults`.
    battery: Battery = FRESH
    gain: float = 0.0
    offset_v: float = 0.0
    input_damage: float | None = None
    ac_dead: bool = False
    average_responding: bool = False
    dirty_switch: bool = False
    fuse_blown: bool = False
    input_ohm: float | None = None
    low_pass_hz: float | None = None
    slow_settle_s: float | None = None
    #: held, frozen, reference: Displays remembered by hold, by a dead display, and by relative mode (SI
    #: value).
    held: Display | None = None
    frozen: Display | None = None
    reference: float | None = None
    mode: str = ""  #: One of "", "max", "peak". Other mode engaged.
    dial_touches: int = 0
    peak_value: float = field(default=0.0, repr=False)
    _settling: _Settling = field(default_factory=lambda: _Settling(), repr=False)

    def turn_dial(self, function: Function, range_index: int | None = None) -> None:
        """Set function and range; hold, relative and other modes end with it."""
        self.function, self.range_index = function, range_index
        self.held = self.reference = None
        self.mode, self.peak_value = "", 0.0
        self.dial_touches += 1

    # ---- place in the netlist ----

    @property
    def _spec(self) -> FunctionSpec:
        try:
            return self.spec.functions[self.function]
        except KeyError:
            known = ", ".join(self.spec.functions)
            raise UsageError(f"{self.tag} has no function {self.function}", hint=f"it has: {known}") from None

    def stamp(self, circuit: Circuit, scene: Scene, t_s: float) -> None:
        """Leads and input network, as the dial and the jacks are now."""
        if self.hookup is None:
            return
        hi, lo = f"{self.tag}.hi", f"{self.tag}.lo"
        leads = scene.leads[self.hookup.leads]
        is_open = leads.is_open(self.seed, t_s)
        self.hookup.stamp(
            circuit,
            (hi, lo),
            leads,
            is_open=is_open,
            contact_ohm=scene.contacts.get(self.hookup.at[0], 0.01),
            mains_hz=scene.mains.frequency_hz,
        )
        if self.jack == "current":
            if not self.fuse_blown:
                circuit.inductor(f"{self.tag}.shunt", hi, lo, 0.0, 0.02)
            hi = f"{self.tag}.unused"  # the volts jack, with nothing in it
        if self.function in _OHMS:
            # Ratiometric: the voltage on the unknown against the current through the reference resistor.
            emf = {0.0: complex(_OHMS_SOURCE_V)}
            circuit.voltage_source(f"{self.tag}.ohms", hi, lo, emf, _OHMS_REFERENCE)
        elif self.function not in _CURRENTS:
            circuit.resistor(hi, lo, self.input_ohm or self.spec.input_ohm)
            circuit.capacitor(hi, lo, self.spec.input_f)

    def state_key(self, scene: Scene, t_s: float) -> object:
        """Changes by itself only with an intermittent lead."""
        return self.hookup is not None and scene.leads[self.hookup.leads].is_open(self.seed, t_s)

    # ---- detector ----

    def input_value(self, scene: Scene, t_s: float) -> float | None:
        """Output of an ideal detector of this function, SI; None for no finite value."""
        if self.hookup is None:
            return None if self.function in _OHMS else 0.0
        if self.jack == "current":
            self._heat_fuse(scene, t_s)
        if self.function in _CURRENTS:
            if self.jack != "current" or self.fuse_blown:
                return 0.0
            current = scene.current(f"{self.tag}.shunt", t_s)
            return self._detect(current, self.function is Function.DC_CURRENT)
        jack = "unused" if self.jack == "current" else "hi"
        volts = scene.spectrum(f"{self.tag}.{jack}", f"{self.tag}.lo", t_s)
        if self.function in _OHMS:
            ampere = -scene.current(f"{self.tag}.ohms", t_s)[0.0].real
            return None if abs(ampere) < 1e-9 else volts[0.0].real / ampere
        if self.function is Function.FREQUENCY:
            return _strongest(volts)
        return self._detect(volts, self.function is Function.DC_VOLTS)

    def _heat_fuse(self, scene: Scene, t_s: float) -> None:
        """Blow the fuse at twice its rating, at any dial position: the shunt is always connected."""
        if not self.fuse_blown and rms(scene.current(f"{self.tag}.shunt", t_s)) > 2 * _FUSE_A:
            with scene.change():
                self.fuse_blown = True

    def _detect(self, spectrum: Mapping[float, complex], direct: bool) -> float:
        if direct:
            return spectrum.get(0.0, 0j).real
        if self.ac_dead:
            return 0.0
        parts = low_pass(ac_only(spectrum), self.spec.bandwidth_hz)
        if self.low_pass_hz is not None:
            parts = low_pass(parts, self.low_pass_hz)
        if self.mode == "peak":
            return math.sqrt(2) * rms(parts)
        if self.spec.true_rms and not self.average_responding:
            return rms(parts)
        return average_responding(parts)

    # ---- errors ----

    def _with_gain(self, value: float, scene: Scene, t_s: float) -> float:
        """Apply the effects of input protection, range switch, reference and battery."""
        if self.function is Function.FREQUENCY:
            return value
        if self.input_damage is not None and self.function not in _CURRENTS:
            value *= self.input_damage
        if self.dirty_switch:
            value *= uniform(0.0, 1.1, self.seed, "switch", self.tag, self.dial_touches)
        if self.function in _OHMS:
            return value
        own = self.spec.own_gain.get(self.function, 0.0)
        sag = self.battery.gain(day_of(t_s, scene.start_s))
        offset = self.offset_v if self.function not in _CURRENTS else 0.0
        return value * (1 + own + sag + self.gain) + offset

    def with_systematic_error(self, value: float, resolution: float) -> float:
        """Add this meter's own error: one draw per meter and function, scaled by the accuracy bound at the value."""
        z = normal(self.seed, "systematic", self.tag, self.function)
        shown = value + self.spec.spread * z * self._spec.bound(value, resolution)
        return max(0.0, shown) if self._unsigned and self.reference is None else shown

    @property
    def _unsigned(self) -> bool:
        return self.function not in (Function.DC_VOLTS, Function.DC_CURRENT)

    # ---- display ----

    def display(self, scene: Scene, t_s: float, frame: int) -> Display:
        """What the display shows.

        Parameters
        ----------
        t_s : float
            Wall time, second.
        frame : int
            Number of the display update, which names its noise.
        """
        if self.frozen is not None:
            return self.frozen
        if self.held is not None:
            return self.held
        value = self.input_value(scene, t_s)
        flags = self._flags(scene, t_s)
        if value is None:
            return self._overload(self._ranges[-1], flags)
        value = self._settled(self._with_gain(value, scene, t_s), scene, t_s)
        if self.mode == "max":
            self.peak_value = max(self.peak_value, value)
            value = self.peak_value
        for chosen in self._ranges:
            shown = self.with_systematic_error(value, chosen.resolution)
            noise = self._noise_counts(scene, t_s, chosen) * normal(
                self.seed, "noise", self.tag, self.function, round(t_s * 1e3), frame
            )
            counts = round(shown / chosen.resolution + noise)
            if self._unsigned and self.reference is None:
                counts = max(0, counts)
            if abs(counts) < max(chosen.top_counts, 1):
                break
        else:
            return self._overload(self._ranges[-1], flags)
        if self.reference is not None:
            counts -= round(self.reference / chosen.resolution)
        return Display(self.function, counts, chosen.decimals, chosen.prefix, flags, chosen.top)

    def _settled(self, value: float, scene: Scene, t_s: float) -> float:
        """Display filter: first-order approach to a new value after the scene changed."""
        memory = self._settling
        if memory.version != scene.version:
            memory.version = scene.version
            if memory.function is not self.function:
                memory.function, memory.target = self.function, 0.0
            if abs(value - memory.target) > 0.005 * abs(memory.target):
                memory.start, memory.start_s = memory.target, scene.changed_s
                memory.tau_s = self.slow_settle_s or self.spec.settle_s
                self.slow_settle_s = None
        memory.target = value
        if not memory.tau_s:
            return value
        return value + (memory.start - value) * math.exp(-max(0.0, t_s - memory.start_s) / memory.tau_s)

    def start_over(self, settle_s: float) -> None:
        """Restart the display at zero and let it rise slowly, as after auto-ranging."""
        self._settling = _Settling()
        self.slow_settle_s = settle_s

    @property
    def _ranges(self) -> tuple[Range, ...]:
        ranges = self._spec.ranges
        return ranges if self.range_index is None else (ranges[min(self.range_index, len(ranges) - 1)],)

    def _noise_counts(self, scene: Scene, t_s: float, chosen: Range) -> float:
        noise = self.spec.noise_counts
        if self.function is Function.DC_VOLTS and self.hookup is not None:
            # AC at the input is not averaged out completely: an unsteady display.
            alternating = rms(ac_only(scene.spectrum(f"{self.tag}.hi", f"{self.tag}.lo", t_s)))
            noise += 7e-4 * alternating / chosen.resolution
        return noise

    def _flags(self, scene: Scene, t_s: float) -> frozenset[Flag]:
        flags = set() if self.range_index is not None else {Flag.AUTO}
        if self.battery.symbol(day_of(t_s, scene.start_s)):
            flags.add(Flag.LOW_BATTERY)
        if self.reference is not None:
            flags.add(Flag.RELATIVE)
        if self.low_pass_hz is not None:
            flags.add(Flag.LOW_PASS)
        if self.mode:
            flags.add({"max": Flag.MAXIMUM, "peak": Flag.PEAK}[self.mode])
        return frozenset(flags)

    def _overload(self, chosen: Range, flags: frozenset[Flag]) -> Display:
        return Display(self.function, None, chosen.decimals, chosen.prefix, flags, chosen.top)


def _strongest(volts: Mapping[float, complex]) -> float:
    """Frequency of the strongest alternating part; 0 below 50 mV, where a meter counts nothing."""
    frequency, x = max(((f, x) for f, x in volts.items() if f), key=lambda p: abs(p[1]), default=(0.0, 0j))
    return frequency if abs(x) > 0.07 else 0.0
