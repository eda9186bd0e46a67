"""Parts of a simulated meter: data sheet (functions, ranges, accuracy), display and battery."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import pairwise

from benchlog.reading import Flag, Function


@dataclass(frozen=True, slots=True)
class Battery:
    """Discharge curve and the meter's response to it.

    Below `knee_v` the regulator drops out, the reference falls with the battery, and every reading that depends on it rises
    by `gain_per_v` per volt. Ohms are ratiometric and don't change.
    """

    #: Days since the bench was set up and volts, ascending in days; held constant
    #: outside.
    curve: tuple[tuple[float, float], ...]
    knee_v: float = 7.0
    gain_per_v: float = 0.02
    symbol_v: float = 6.8  #: The display's battery symbol comes on below this.

    def volt(self, day: float) -> float:
        """Terminal voltage on a day."""
        points = self.curve
        if day <= points[0][0]:
            return points[0][1]
        for (d0, v0), (d1, v1) in pairwise(points):
            if day <= d1:
                return v0 + (v1 - v0) * (day - d0) / (d1 - d0)
        return points[-1][1]

    def gain(self, day: float) -> float:
        """Relative gain error on a day."""
        return self.gain_per_v * max(0.0, self.knee_v - self.volt(day))

    def symbol(self, day: float) -> bool:
        """Whether the battery symbol is lit."""
        return self.volt(day) < self.symbol_v


FRESH = Battery(((0.0, 9.3),))
"""A new battery; it lasts longer than any demo here."""


_POWERS = {"n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6}


@dataclass(frozen=True, slots=True)
class Display:
    """Digits, point, prefix and symbols."""

    function: Function
    counts: int | None  #: Signed number without its point; None is overload.
    decimals: int  #: Digits after the point.
    prefix: str  #: ``"m"``, ``""``, ``"k"``...
    flags: frozenset[Flag]
    top: float  #: Full scale of the range in use, SI.

    def with_flag(self, flag: Flag) -> Display:
        """Same display with one more symbol."""
        return replace(self, flags=self.flags | {flag})

    @property
    def digits(self) -> str:
        """Number as shown, ``"-0.03"``; ``"OL"`` for overload."""
        if self.counts is None:
            return "OL"
        text = f"{abs(self.counts):0{self.decimals + 1}d}"
        if self.decimals:
            text = f"{text[: -self.decimals]}.{text[-self.decimals :]}"
        return f"-{text}" if self.counts < 0 else text

    @property
    def resolution(self) -> float:
        """One count in the SI unit."""
        return float(f"1e{_POWERS[self.prefix] - self.decimals}")

    @property
    def text(self) -> str:
        """Digits with prefix and unit, as a person reads them off: ``"27.8 V"``; ``"OL"``."""
        return "OL" if self.counts is None else f"{self.digits} {self.prefix}{self.function.unit}"


_PREFIXES = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6}


@dataclass(frozen=True, slots=True)
class Range:
    """One range, from the text of its full scale such as ``"40.00"`` or ``"400.0 m"``."""

    decimals: int
    prefix: str
    top_counts: int

    @classmethod
    def parse(cls, text: str) -> Range:
        """Read full-scale text."""
        number, _, prefix = text.partition(" ")
        whole, _, decimals = number.partition(".")
        return cls(len(decimals), prefix, int(whole + decimals))

    @property
    def factor(self) -> float:
        """Value of the prefix."""
        return _PREFIXES[self.prefix]

    @property
    def resolution(self) -> float:
        """One count in the SI unit."""
        return float(f"1e{-self.decimals}") * self.factor

    @property
    def top(self) -> float:
        """Full scale in the SI unit."""
        return self.top_counts * self.resolution


@dataclass(frozen=True, slots=True)
class FunctionSpec:
    """What a data sheet says of one function."""

    ranges: tuple[Range, ...]  #: Ascending.
    #: fraction, counts: Accuracy: fraction of reading plus counts of the last digit.
    fraction: float
    counts: float
    burden_ohm: float = 0.0  #: Shunt of a current function.

    def bound(self, value: float, resolution: float) -> float:
        """Largest error the data sheet allows at a value."""
        return self.fraction * abs(value) + self.counts * resolution


def _ranges(*texts: str) -> tuple[Range, ...]:
    return tuple(Range.parse(text) for text in texts)


@dataclass(frozen=True, slots=True)
class MeterSpec:
    """Data sheet of a meter."""

    counts: int  #: Of the display.
    true_rms: bool  #: Else average responding, scaled for a sine.
    functions: Mapping[Function, FunctionSpec]
    family: str = ""  #: Frame family of its link, "" for none.
    rate_hz: float = 3.0  #: Readings a second.
    bandwidth_hz: float = 5e3  #: -3 dB corner of the AC path.
    input_ohm: float = 10e6
    input_f: float = 40e-12
    noise_counts: float = 0.3
    spread: float = 1 / 3  #: Standard deviation of the systematic error as a part of the accuracy bound.
    settle_s: float = 0.12  #: Time constant of the display filter.
    own_gain: Mapping[Function, float] = field(default_factory=dict)


_HERTZ = FunctionSpec(_ranges("40.00", "400.0", "4.000 k", "40.00 k"), 0.001, 1)

MA_01 = MeterSpec(
    counts=4000,
    true_rms=True,
    family="segment14",
    functions={
        Function.AC_VOLTS: FunctionSpec(_ranges("400.0 m", "4.000", "40.00", "400.0", "750"), 0.01, 5),
        Function.DC_VOLTS: FunctionSpec(_ranges("400.0 m", "4.000", "40.00", "400.0", "1000"), 0.005, 2),
        Function.OHMS: FunctionSpec(
            _ranges("400.0", "4.000 k", "40.00 k", "400.0 k", "4.000 M", "40.00 M"), 0.008, 2
        ),
        Function.CONTINUITY: FunctionSpec(_ranges("400.0"), 0.008, 2),
        Function.AC_CURRENT: FunctionSpec(_ranges("4.000", "10.00"), 0.015, 5, 0.02),
        Function.DC_CURRENT: FunctionSpec(_ranges("4.000", "10.00"), 0.01, 3, 0.02),
        Function.FREQUENCY: _HERTZ,
    },
)
"""The meter with a link."""

MB_02 = MeterSpec(
    counts=2000,
    true_rms=False,
    functions={
        Function.AC_VOLTS: FunctionSpec(_ranges("20.00", "200.0", "750"), 0.012, 5),
        Function.DC_VOLTS: FunctionSpec(_ranges("200.0 m", "2.000", "20.00", "200.0", "1000"), 0.008, 2),
        Function.OHMS: FunctionSpec(
            _ranges("200.0", "2.000 k", "20.00 k", "200.0 k", "2.000 M", "20.00 M"), 0.01, 4
        ),
        Function.CONTINUITY: FunctionSpec(_ranges("200.0"), 0.01, 4),
        Function.AC_CURRENT: FunctionSpec(_ranges("2.000", "10.00"), 0.02, 5, 0.02),
        Function.DC_CURRENT: FunctionSpec(_ranges("2.000", "10.00"), 0.015, 3, 0.02),
        Function.FREQUENCY: _HERTZ,
    },
    # Well adjusted, so that its battery is its main error: it reads 0.2 % high with a fresh one.
    spread=0.1,
    own_gain={
        Function.DC_VOLTS: 0.002,
        Function.AC_VOLTS: 0.002,
        Function.AC_CURRENT: 0.002,
        Function.DC_CURRENT: 0.002,
    },
)
"""The meter without a link, whose battery runs down."""
