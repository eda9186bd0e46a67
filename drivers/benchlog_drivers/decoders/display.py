"""From what a display shows to a reading: symbols to function, prefix and flags; digits to value and count.

Rules for every meter: one unit, one prefix possible for it, AC or DC exactly where it must be named, a minus only if the
quantity can be negative. They catch most flipped bits.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from benchlog.reading import Flag, Function, Reading, State
from benchlog_drivers.decoders.base import RejectedFrame

PREFIX_SYMBOLS = {"pico": "p", "nano": "n", "micro": "µ", "milli": "m", "kilo": "k", "mega": "M", "giga": "G"}
_EXPONENTS = {"": 0, "p": -12, "n": -9, "µ": -6, "m": -3, "k": 3, "M": 6, "G": 9}
FLAG_SYMBOLS = {
    "auto": Flag.AUTO,
    "hold": Flag.HOLD,
    "relative": Flag.RELATIVE,
    "min": Flag.MINIMUM,
    "max": Flag.MAXIMUM,
    "peak_min": Flag.PEAK,
    "peak_max": Flag.PEAK,
    "low_battery": Flag.LOW_BATTERY,
    "low_pass": Flag.LOW_PASS,
}
_UNITS = ("volt", "ampere", "ohm", "farad", "hertz", "percent", "degC", "degF")
_NO_MEANING = ("ignore", "link", "bar", "auto_off")
_STATES = ("minus", "overload", "underload", "judge", "volt_hertz", "hfe")
SYMBOLS = frozenset(
    (*PREFIX_SYMBOLS, *FLAG_SYMBOLS, *_UNITS, *_NO_MEANING, *_STATES, "ac", "dc", "diode", "continuity")
)
"""Words that a table of annunciators may use."""

_SIGNED = frozenset({Function.DC_VOLTS, Function.DC_CURRENT, Function.TEMPERATURE, Function.DIODE})
_SIGNED_FLAGS = frozenset({Flag.RELATIVE, Flag.PEAK})
_EXCLUSIVE = (("max", "min"), ("peak_max", "peak_min"), ("overload", "underload"), ("diode", "continuity"))


@dataclass(frozen=True, slots=True)
class Screen:
    """How one unit appears: its sign, allowed prefixes, functions for ac, dc, both, neither (None: impossible)."""

    sign: str
    prefixes: str
    ac: Function | None = None
    dc: Function | None = None
    both: Function | None = None
    plain: Function | None = None


# The prefixes are those handheld meters show with each unit; common practice, no source.
_SCREENS = {
    "volt": Screen("V", " mµk", Function.AC_VOLTS, Function.DC_VOLTS, Function.AC_DC_VOLTS),
    "ampere": Screen("A", " mµ", Function.AC_CURRENT, Function.DC_CURRENT),
    "ohm": Screen("Ω", " mkMG", plain=Function.OHMS),
    "farad": Screen("F", "pnµm", plain=Function.CAPACITANCE),
    # Some meters leave the AC symbol lit while they count.
    "hertz": Screen("Hz", " kM", ac=Function.FREQUENCY, plain=Function.FREQUENCY),
    "percent": Screen("%", " ", ac=Function.DUTY, plain=Function.DUTY),
    "degC": Screen("°C", " ", plain=Function.TEMPERATURE),
    "degF": Screen("°F", " ", plain=Function.TEMPERATURE),
    "diode": Screen("V", " m", dc=Function.DIODE, plain=Function.DIODE),
    "continuity": Screen("Ω", " ", plain=Function.CONTINUITY),
}


@dataclass(frozen=True, slots=True)
class Mode:
    """Meaning of the symbols together."""

    function: Function
    unit: str  #: Prefix and unit as shown, ``"mV"``.
    exponent: int  #: Power of ten from the shown number to the SI unit.
    flags: frozenset[Flag]
    fahrenheit: bool = False  #: The number is in Fahrenheit and must be converted.


@lru_cache(maxsize=8192)
def mode_of(symbols: frozenset[str], ac_and_dc: bool = False, bare: bool = False) -> Mode:
    """Find a meter's function from the symbols lit together.

    Parameters
    ----------
    symbols : frozenset of str
        Words out of `SYMBOLS`.
    ac_and_dc : bool
        Whether this meter has a mode that shows both.
    bare : bool
        Whether a unit may come without the prefix that displays always show with it (farad).

    Raises
    ------
    RejectedFrame
        If no meter shows them together.
    """
    for pair in _EXCLUSIVE:
        if symbols.issuperset(pair):
            raise RejectedFrame("flags", f"{pair[0]} and {pair[1]} at once")
    if "hfe" in symbols:
        raise RejectedFrame("unit", "benchlog does not support transistor gain")
    unit = _unit_of(symbols)
    screen = _SCREENS[unit]
    prefix = _prefix_of(symbols, unit, bare)
    function = _function_of(symbols, unit, ac_and_dc)
    flags = frozenset(flag for name, flag in FLAG_SYMBOLS.items() if name in symbols)
    exponent = _EXPONENTS[prefix] - (2 if unit == "percent" else 0)
    return Mode(function, prefix + screen.sign, exponent, flags, unit == "degF")


def _unit_of(symbols: frozenset[str]) -> str:
    units = [u for u in _UNITS if u in symbols]
    if len(units) != 1:
        raise RejectedFrame("unit", f"one unit expected, seen: {', '.join(units) or 'none'}")
    unit = units[0]
    for special, base in (("diode", "volt"), ("continuity", "ohm")):
        if special in symbols:
            if unit != base:
                raise RejectedFrame("unit", f"{special} shown with {unit}")
            unit = special
    return unit


def _prefix_of(symbols: frozenset[str], unit: str, bare: bool) -> str:
    prefixes = [sign for name, sign in PREFIX_SYMBOLS.items() if name in symbols]
    prefix = prefixes[0] if prefixes else ""
    if len(prefixes) > 1 or ((prefix or " ") not in _SCREENS[unit].prefixes and (prefix or not bare)):
        raise RejectedFrame("prefix", f"prefix {' '.join(prefixes) or 'none'} with {unit}")
    return prefix


def _function_of(symbols: frozenset[str], unit: str, ac_and_dc: bool) -> Function:
    screen, ac, dc = _SCREENS[unit], "ac" in symbols, "dc" in symbols
    if ac and dc:
        function = screen.both if ac_and_dc else None
    else:
        function = screen.ac if ac else screen.dc if dc else screen.plain
    if function is None:
        lit = " and ".join(w for w, on in (("ac", ac), ("dc", dc)) if on) or "neither ac nor dc"
        raise RejectedFrame("coupling", f"{unit} shown with {lit}")
    return function


def shown(
    mode: Mode,
    digits: str,
    *,
    raw: bytes,
    state: State = State.OK,
    range_max: float | None = None,
    power_of_ten: int = 0,
    signed: bool = False,
) -> Reading:
    """Make the reading of a display.

    Parameters
    ----------
    mode : Mode
        What the symbols say.
    digits : str
        As shown, ``"-27.75"``; no blanks.
    raw : bytes
        The frame.
    state : State
        With another state than ok there is no value, and `digits` is what is shown instead (``"OL"``).
    range_max : float, optional
        Full scale in the SI unit, when the frame contains the range.
    power_of_ten : int
        Exponent shown beside the digits.
    signed : bool
        Accept a minus anyway: some meters show -0.0003 ohm at a short.

    Raises
    ------
    RejectedFrame
        For a minus where the quantity can't be negative.
    """
    text = f"{digits}e{power_of_ten} {mode.unit}" if power_of_ten else f"{digits} {mode.unit}"
    if state is not State.OK:
        return Reading(mode.function, None, 0.0, text, state, mode.flags, range_max, raw)
    if (
        digits[0] == "-"
        and not signed
        and mode.function not in _SIGNED
        and mode.flags.isdisjoint(_SIGNED_FLAGS)
    ):
        raise RejectedFrame("sign", f"{mode.function} can't be negative")
    whole, _, decimals = digits.partition(".")
    power = mode.exponent + power_of_ten - len(decimals)
    number = int(whole + decimals)
    # Dividing integers by an exact power of ten rounds correctly; multiplying by 1e-3 does not.
    if power < 0:
        value, resolution = number / 10**-power, 1 / 10**-power
    else:
        value, resolution = float(number * 10**power), float(10**power)
    if mode.fahrenheit:
        value, resolution = (value - 32) / 1.8, resolution / 1.8
    return Reading(mode.function, value, resolution, text, State.OK, mode.flags, range_max, raw)


def overload(mode: Mode, sign: str, raw: bytes, range_max: float | None = None) -> Reading:
    """Make the reading of a display that shows overload."""
    return shown(mode, f"{sign}OL", raw=raw, state=State.OVERLOAD, range_max=range_max)


_UNIT_WORDS = {
    "v": "volt",
    "a": "ampere",
    "ohm": "ohm",
    "ohms": "ohm",
    "\u03c9": "ohm",  # what both signs for ohm are in small letters
    "f": "farad",
    "hz": "hertz",
    "%": "percent",
    "c": "degC",
    "degc": "degC",
    "°c": "degC",
    "°f": "degF",
    "degf": "degF",
}
_PREFIX_LETTERS = {sign: name for name, sign in PREFIX_SYMBOLS.items()} | {
    "u": "micro",
    "\u03bc": "micro",
    "K": "kilo",
}
_UNIT_TEXT = re.compile(
    r"([pnuµ\u03bcmkKMG]?)(V|A|F|[Oo][Hh][Mm][Ss]?|OHM|\u03a9|\u2126|[Hh][Zz]|%|°?C|°F|degC|degF)"
)


def split_unit(text: str) -> frozenset[str] | None:
    """Return the symbols of a unit word such as ``mV`` or ``kOhm``; None if it is not one.

    >>> sorted(split_unit("kOhm"))
    ['kilo', 'ohm']
    """
    match = _UNIT_TEXT.fullmatch(text.strip())
    if not match:
        return None
    prefix, unit = match.groups()
    symbols = {_UNIT_WORDS[unit.lower()]}
    if prefix:
        symbols.add(_PREFIX_LETTERS[prefix])
    return frozenset(symbols)
