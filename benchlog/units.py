"""Quantities as text, as people type them; how they are written is in `number_format`.

A small grammar with SI prefixes (SI brochure, 9th edition, table 7): a lone ``m`` is the metre, ``mm2`` is a
square, ``%`` is a hundredth, a decimal comma is read only where it can't be a thousands mark.

>>> parse_quantity("2.4 m").value, parse_quantity("37.5 mm2").value
(2.4, 3.75e-05)
>>> parse_quantity("27.75 V ac").coupling
'ac'
"""

from __future__ import annotations

import math
import re
from functools import lru_cache

import msgspec

from benchlog.errors import UsageError

BASE_UNITS = (
    "VA",
    "V",
    "A",
    "ohm",
    "Hz",
    "H",
    "F",
    "W",
    "J",
    "T",
    "s",
    "m2",
    "m",
    "degC",
    "K",
    "deg",
    "dB",
    "min",
    "h",
)
# An own table: every command pays for the import of a library that knows it. The tests compare with QuantiPhy.
_POWERS = {"f": -15, "p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9, "T": 12}
_PREFIXES = {prefix: float(f"1e{power}") for prefix, power in _POWERS.items()}
#: The prefix of a power of ten, as a display shows it.
PREFIX_BY_POWER = {power: prefix.replace("u", "µ") for prefix, power in _POWERS.items()}
#: Units that take no prefix.
NEVER_PREFIXED = ("1", "deg", "degC", "K", "dB")
_ALIASES = {
    "\u03a9": "ohm",  # Greek omega
    "\u2126": "ohm",  # ohm sign
    "ohms": "ohm",
    "Ohm": "ohm",
    "R": "ohm",
    "°C": "degC",
    "°": "deg",
    "mm²": "mm2",
    "sec": "s",
    "volts": "V",
    "volt": "V",
    "amps": "A",
    "amp": "A",
}
_UNPREFIXED = {
    "%": (0.01, "1"),
    "min": (60.0, "s"),
    "h": (3600.0, "s"),
    "dB": (1.0, "dB"),
    "deg": (1.0, "deg"),
    "degC": (1.0, "degC"),
    "K": (1.0, "K"),
    "": (1.0, "1"),
}
_COUPLINGS = {"ac": "ac", "~": "ac", "dc": "dc", "=": "dc", "rms": "ac"}
#: A unit with its coupling in one word, as printed on many meters: ``VAC``, ``mVdc``, ``Vrms``.
_COUPLED_UNIT = re.compile(r"(.*[VA])(ac|dc|rms)", re.IGNORECASE)
#: The letter in the place of the decimal mark (IEC 60062): ``4k7``, ``1R5``, ``R47``, ``3V3``.
_LETTER_MARK = re.compile(r"([+-]?\d*)([RVkKMGmunpµμ])(\d+)(?![\d.,])\s*(.*)")
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?")


class Quantity(msgspec.Struct, frozen=True):
    """A number with unit as typed."""

    value: float  #: In the SI unit.
    unit: str  #: SI unit; ``"1"`` for a bare number or a percentage.
    resolution: float  #: One step of the last digit typed, in the SI unit.
    coupling: str = ""  #: One of "", "ac", "dc", as typed after the unit.
    text: str = ""  #: As typed.


def parse_number(text: str) -> tuple[float, float]:
    """Read a decimal number and the step of its last digit.

    >>> parse_number("27.75")
    (27.75, 0.01)
    >>> parse_number("27,75")
    (27.75, 0.01)

    Raises
    ------
    UsageError
        For anything else, and for ``1,234``, which could be either of two numbers.
    """
    plain = text.strip().replace("−", "-")
    if not _NUMBER.fullmatch(plain):
        raise UsageError(f"{text!r} is not a number", hint="write it like 27.75 or 1e-3")
    mantissa, _, exponent = plain.replace("E", "e").partition("e")
    if "," in mantissa:
        whole, _, decimals = mantissa.partition(",")
        if len(decimals) == 3 and whole.lstrip("+-0"):
            raise UsageError(
                f"{text!r} could be {whole}.{decimals} or {whole}{decimals}",
                hint=f"write {whole}.{decimals} or {whole}{decimals} without a comma",
            )
        mantissa = f"{whole}.{decimals}"
    decimals_typed = len(mantissa.partition(".")[2])
    power = int(exponent or 0) if len(exponent or "") < 8 else 10**6
    if abs(power) > 300:
        raise UsageError(f"{text!r} is out of range", hint="check the exponent")
    value = float(f"{mantissa}e{power}")
    if not math.isfinite(value):
        raise UsageError(f"{text!r} is out of range", hint="check the exponent")
    return value, float(f"1e{power - decimals_typed}")


def is_bare(text: str) -> bool:
    """Whether a text is a number without any unit.

    >>> is_bare("37.5"), is_bare("37.5 mm2")
    (True, False)
    """
    return _NUMBER.fullmatch(text.strip().replace("−", "-")) is not None


@lru_cache(maxsize=256)  # a plan has the same few units again and again
def _unit_factor(word: str) -> tuple[float, str] | None:
    """Return factor and SI unit of a unit word such as ``mV`` or ``mm2``; None if unknown."""
    for alias, name in _ALIASES.items():
        if word.endswith(alias):
            word = word[: len(word) - len(alias)] + name
            break
    word = word.replace("µ", "u").replace("μ", "u")
    if word in _UNPREFIXED:
        return _UNPREFIXED[word]
    if word.startswith("K"):  # as many people write kilo; alone it is the kelvin, above
        word = f"k{word[1:]}"
    for base in BASE_UNITS:
        if not word.endswith(base) or base in _UNPREFIXED:
            continue
        prefix = word[: -len(base)]
        if base in ("m", "m2") and prefix == "c":
            return (1e-2, "m") if base == "m" else (1e-4, "m2")
        if prefix in _PREFIXES:
            factor = _PREFIXES[prefix]
            return (factor**2, base) if base == "m2" else (factor, base)
    if word in _PREFIXES:  # "4.7 k" or "10k": a bare prefix
        return _PREFIXES[word], "1"
    return None


def parse_quantity(
    text: str, unit: str | None = None, *, what: str = "quantity", above_zero: bool = False, example: str = ""
) -> Quantity:
    """Read text such as ``"27.75 V ac"``, ``"0.5 %"``, ``"61 uH"`` or ``"37.5 mm2"``.

    Parameters
    ----------
    text : str
        Number, unit with optional prefix, then optionally ``ac`` or ``dc``.
    unit : str, optional
        Required SI unit; a bare number or a bare prefix is then read in this unit.
    what : str
        Name of the thing in messages.
    above_zero : bool
        Whether it must be.
    example : str
        Example for the hint; by default one in this unit.

    Raises
    ------
    UsageError
        If it can't be read, has another unit, or is not above zero where it must be.
    """
    stripped = text.strip()
    plain = with_decimal_point(stripped.replace("−", "-"), unit)
    match = _NUMBER.match(plain)
    example = f"write it like {example or _EXAMPLES.get(unit or '', '27.75 V ac')!r}"
    if not match:
        raise UsageError(f"{what}: {text!r} does not begin with a number", hint=example)
    number, step = parse_number(match.group())
    words, coupling = _unit_words(plain[match.end() :])
    if len(words) > 1:
        raise UsageError(f"{what}: {text!r} has more than a number and a unit", hint=example)
    word = words[0] if words else ""
    found = _unit_factor(word)
    if found is None:
        if word.startswith(":"):
            example = "write a ratio as one number; of turns e.g. '100'"
        raise UsageError(f"{what}: unknown unit {word!r} in {text!r}", hint=example)
    factor, si_unit = found
    if unit is not None and si_unit != unit:
        alone = _lone_prefix(word, unit)
        if alone is None:
            raise UsageError(f"{what}: {text!r} is {_not_in(unit, si_unit)}", hint=example)
        factor, si_unit = alone, unit
    # Dividing by an exact inverse keeps 0.1 mV equal to 1e-4, which multiplying by 1e-3 does not.
    value = number / round(1 / factor) if 0 < factor < 1 else number * factor
    if above_zero and not value > 0:
        raise UsageError(f"{what} {text!r} must be above zero", hint="check sign and digits")
    return Quantity(value, si_unit, step * factor, coupling, stripped)


def _lone_prefix(word: str, unit: str) -> float | None:
    """Factor of a bare prefix, or 1 for no word at all; None for anything else."""
    if word == "T":  # the tesla
        return None
    if word == "K" and unit not in NEVER_PREFIXED:  # else the kelvin
        word = "k"
    return _PREFIXES.get(word)


def _not_in(wanted: str, found: str) -> str:
    """Say which unit was found and which is wanted."""
    where = "not a plain number" if wanted == "1" else f"not in {wanted}"
    return f"{'a plain number' if found == '1' else f'in {found}'}, {where}"


def _unit_words(text: str) -> tuple[list[str], str]:
    """Words after a number without a last ``ac`` or ``dc``, and which of the two it was."""
    words = text.replace("~", " ~ ").replace("=", " = ").split()
    if words and (joined := _COUPLED_UNIT.fullmatch(words[-1])):
        words[-1:] = joined.groups()
    coupling = _COUPLINGS.get(words[-1].lower(), "") if words else ""
    return (words[:-1], coupling) if coupling else (words, "")


def with_decimal_point(text: str, unit: str | None) -> str:
    """Write a letter in the place of the decimal mark as number and unit: ``4k7`` is ``4.7 k``, ``1R5`` ``1.5 ohm``."""
    match = _LETTER_MARK.fullmatch(text)
    if match is None or unit in ("m", "m2"):
        return text
    whole, letter, decimals, rest = match.groups()
    if not whole.strip("+-") and letter != "R":
        return text
    named = {"R": "ohm", "V": "V"}.get(letter, "")
    tail = (
        f"{named} {rest}"
        if named and not rest.startswith(("ohm", "Ω"))
        else f"{'' if named else letter.replace('K', 'k')}{rest}"
    )
    return f"{whole or '0'}.{decimals} {tail}"


_EXAMPLES = {
    "V": "24 V",
    "ohm": "15 ohm",
    "1": "0.5 %",
    "H": "61 uH",
    "m": "2.4 m",
    "m2": "37.5 mm2",
    "Hz": "5 kHz",
    "A": "12.6 A",
    "s": "60 s",
    "degC": "22 degC",
    "VA": "40 VA",
    "F": "100 nF",
}


def parse_share(text: str, what: str) -> float:
    """Read a part of a whole, such as a tolerance: ``"5 %"`` or ``"200 ppm"``; a number alone could mean either.

    >>> parse_share("0.5 %", "tolerance")
    0.005
    """
    if not text.rstrip().endswith(("%", "ppm")):
        example = f"{text.strip()} %" if is_bare(text) else "2 %"
        raise UsageError(f"{what} {text.strip()!r} has no %", hint=f"write it like '{example}'")
    return parse_quantity(text, "1", what=what).value
