"""What is on the second fault bench: a supply and part, the path to the meter, the meter and its display.

Written from trade practice and general knowledge of meters, without a look at the engine's own model: magnitudes are
"common practice, no source" unless marked. Faults change the circuit, never the displayed number.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

OPEN = math.inf
INPUT_OHM = 10e6


@dataclass
class Signal:
    """What two points hold: a Thevenin source, or a resistance, or a current in a loop.

    `floats` means that nothing drives the input, and `ac` is then what it picks up; `factor` is what an
    average-responding meter makes of the wave.
    """

    ac: float = 0.0
    dc: float = 0.0
    ohms: float = 0.0
    floats: bool = False
    factor: float = 1.0
    hertz: float = 50.0


@dataclass
class Source:
    """Supply and part under test."""

    kind: str
    ac: float = 0.0
    dc: float = 0.0
    ohms: float = 1.0
    primary_ohms: float = 100.0
    factor: float = 1.0
    hertz: float = 50.0
    mains: float = 230.0
    mains_on: bool = True
    follows_mains: bool = True
    open_output: bool = False
    open_primary: bool = False
    flaky: bool = False
    apart: bool = False
    bleeder: float = 5e3

    @property
    def powered(self) -> bool:
        """Whether mains reaches the secondary."""
        return self.mains_on and not self.open_primary

    @property
    def connected(self) -> bool:
        """Whether the terminals are connected to the part's inside."""
        return not self.open_output and not (self.flaky and self.apart)

    @property
    def live(self) -> bool:
        """Whether the output drives anything now or could at the next touch."""
        return self.kind != "ohms" and self.powered and not self.open_output

    def signal(self, load: float = OPEN) -> Signal:
        """Voltage, current or resistance between the terminals."""
        if not self.connected:
            dead = self.kind == "current" or load < 1e6
            return Signal(ohms=OPEN if self.kind == "ohms" else 0.0, floats=not dead)
        if self.kind == "ohms":
            return Signal(ohms=self.ohms)
        level = self.mains / 230.0 if self.follows_mains else 1.0
        on = level if self.powered else 0.0
        share = 1.0 if math.isinf(load) else load / (load + self.ohms)
        return Signal(self.ac * on * share, self.dc * on * share, self.ohms, False, self.factor, self.hertz)

    def stir(self, rng: random.Random) -> None:
        """Clips or leads of the part were moved."""
        self.apart = rng.random() < 0.5


@dataclass
class Leads:
    """Two test leads with their jacks."""

    ohms: float = 0.2
    broken: str = ""
    flaky: bool = False
    apart: bool = False
    in_current_jack: bool = False

    @property
    def sound(self) -> bool:
        """Whether both conduct now."""
        return not self.broken and not (self.flaky and self.apart)

    def stir(self, rng: random.Random) -> None:
        """They were moved."""
        self.apart = rng.random() < 0.5


@dataclass
class Contact:
    """Tips on the points."""

    made: bool = True
    ohms: float = 0.0
    swapped: bool = False
    at_part: bool = False


@dataclass
class Meter:
    """Errors and faults of one meter; `gain` is of its reference, so of volts and amperes alike."""

    counts: int = 4000
    gain: float = 1.0
    ac_gain: float = 1.0
    ohms_gain: float = 1.0
    battery: float = 1.0
    offset: float = 0.0
    true_rms: bool = True
    couples_dc: bool = False
    ac_dead: bool = False
    damaged: float = 1.0
    floats_inside: bool = False
    ohms_dead: bool = False
    frozen: str = ""
    dirty: bool = False
    touch: float = 1.0
    fuse_blown: bool = False
    band_hertz: float = 1e5
    input_ohms: float = INPUT_OHM
    inside: float = 0.2
    wobble: float = 0.001

    def turn(self, rng: random.Random) -> None:
        """The dial is moved."""
        if self.dirty:
            self.touch = rng.uniform(0.0, 1.1) if rng.random() < 0.75 else 1.0

    def show(self, function: str, signal: Signal, rng: random.Random) -> str:
        """Return what the display shows in the function ``"ac"``, ``"dc"``, ``"ohm"``, ``"A ac"`` or ``"A dc"``."""
        if function == "ohm":
            return self._show_ohms(signal, rng)
        amperes = function.startswith("A")
        coupling = function[-2:]
        value = self._sensed(coupling, signal, amperes, rng)
        value = value * self.gain * self.battery * self.touch + self.offset
        noise = max(0.0, rng.gauss(1.0, self.wobble))
        value = value * noise
        if coupling == "ac":
            value = abs(value)
        return shown(value, self.counts, "A" if amperes else "V", coupling, rng)

    def _sensed(self, coupling: str, signal: Signal, amperes: bool, rng: random.Random) -> float:
        ac, dc = (0.0, 0.0) if amperes and signal.floats else (signal.ac, signal.dc)
        if signal.floats and not amperes:
            ac, dc = signal.ac, rng.gauss(0.0, 0.004)
        elif not amperes:
            share = self.input_ohms / (self.input_ohms + signal.ohms)
            ac, dc = ac * share, dc * share
        if not amperes and self.damaged == 0.0:
            ac = self.inside * math.exp(rng.gauss(0.0, 0.1)) if self.floats_inside else 0.0
            dc = rng.gauss(0.0, 0.01 if self.floats_inside else 0.0004)
        elif not amperes:
            ac, dc = ac * self.damaged, dc * self.damaged
        if amperes and self.fuse_blown:
            ac = dc = 0.0
        if coupling == "dc":
            return dc + rng.gauss(0.0, 0.0004 * ac)
        if self.ac_dead:
            return rng.gauss(0.0, 0.001)
        if not self.true_rms:
            ac *= signal.factor
            if self.couples_dc:
                return self.ac_gain * math.hypot(ac, 2.2 * dc)
        elif self.couples_dc:
            ac = math.hypot(ac, dc)
        return self.ac_gain * ac / math.hypot(1.0, signal.hertz / self.band_hertz)

    def _show_ohms(self, signal: Signal, rng: random.Random) -> str:
        if self.ohms_dead or math.isinf(signal.ohms) or (self.dirty and self.touch < 0.4):
            return "OL"
        value = signal.ohms * self.ohms_gain * (1.0 if not self.dirty else 1.0 / self.touch) + self.offset
        return shown(max(0.0, value), self.counts, "ohm", "", rng, least=0.1)


def ghost(rng: random.Random) -> float:
    """Pick-up of a floating high-resistance input: 0.02 to 2 V mostly."""
    return math.exp(rng.gauss(math.log(0.2), 1.1))


def shown(
    value: float, counts: int, unit: str, coupling: str, rng: random.Random, *, least: float = 0.001
) -> str:
    """Return a value as an auto-ranging display of so many counts shows it; the last digit rolls."""
    top = counts * least
    step = least
    while abs(value) >= top:
        top, step = top * 10.0, step * 10.0
    value = round(value / step + rng.uniform(-0.6, 0.6)) * step
    if coupling != "dc":
        value = abs(value)
    prefix = ""
    if unit == "ohm" and step >= 1.0 and abs(value) >= 1000.0:
        value, step, prefix = value / 1000.0, step / 1000.0, "k"
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    text = f"{value:.{decimals}f}"
    return f"{text} {prefix}{unit} {coupling}".strip()
