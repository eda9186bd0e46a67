"""Quantities as text: read what people type, write what people read.

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
from enum import StrEnum

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
_NEVER_PREFIXED = ("1", "deg", "degC", "K", "dB")
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
    coupling: str = ""  #: One of "", "ac", "dc". What was said after the unit.
    text: str = ""  #: As typed.


class Regulation(StrEnum):
    """Whether a DC supply holds its output voltage, whatever load and mains do."""

    REGULATED = "regulated"
    UNREGULATED = "unregulated"
    UNKNOWN = "unknown"


class Nameplate(msgspec.Struct, frozen=True):
    """What is printed on a supply."""

    voltage_v: float  #: Rated output, volt.
    coupling: str  #: One of "ac", "dc".
    power_va: float | None  #: Rated power, volt-ampere.
    text: str = ""  #: As typed.
    regulation: Regulation = Regulation.UNKNOWN  #: Of a DC output.
    coupling_assumed: bool = False  #: Whether the text says neither ``ac`` nor ``dc``; then AC is assumed.

    @property
    def current_a(self) -> float | None:
        """Rated current, ampere; None without a rating."""
        return None if self.power_va is None else self.power_va / self.voltage_v


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
        SI unit that must come out; a bare number or a bare prefix is then taken in it.
    what : str
        Name of the thing in messages.
    above_zero : bool
        Whether it must be.
    example : str
        What would do, for the hint; one of the unit by default.

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
    """Factor of a prefix, or of nothing, where the unit goes without saying; None for anything else."""
    if word == "T":  # the tesla
        return None
    if word == "K" and unit not in _NEVER_PREFIXED:  # else the kelvin
        word = "k"
    return _PREFIXES.get(word)


def _not_in(wanted: str, found: str) -> str:
    """How a quantity in one unit does not fit where another is wanted."""
    where = "where a plain number or % belongs" if wanted == "1" else f"not in {wanted}"
    return f"{'a plain number' if found == '1' else f'in {found}'}, {where}"


def _unit_words(text: str) -> tuple[list[str], str]:
    """Words behind a number without the last that says ``ac`` or ``dc``, and which of these it is."""
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
        raise UsageError(f"{what} {text.strip()!r} has no %", hint=f"write it like '{text.strip()} %'")
    return parse_quantity(text, "1", what=what).value


def parse_nameplate(text: str) -> Nameplate:
    """Read a supply's nameplate: voltage, ``ac`` or ``dc``, and rated power or current.

    >>> parse_nameplate("24 V ac 40 VA").power_va
    40.0
    >>> round(parse_nameplate("24 V ac 1.5 A").power_va, 6)
    36.0
    >>> parse_nameplate("OUTPUT: AC 24V 1.5A").coupling
    'ac'
    >>> str(parse_nameplate("9 V dc 1 A switching").regulation)
    'regulated'
    """
    hint = "write the nameplate like '24 V ac 40 VA', '12 V dc 1.5 A regulated' or '9 V dc 1 A unregulated'"
    words, regulation = _regulation(_LABEL.sub("", text.strip()))
    words = re.sub(r"(?i)^(ac|dc)\s*([\d.,]+\s*V)", r"\2 \1", words)  # as labels have it: AC 24 V
    match = re.fullmatch(
        r"(.*?V(?:\s*(?:ac|dc|AC|DC|~|=))?)(?:\s*[,/ ]\s*(\S+\s*(?:[mk]?VA|[mk]?W|[um]?A)))?\s*", words
    )
    if not match:
        raise UsageError(f"nameplate {text!r} can't be read", hint=hint)
    voltage = parse_quantity(match.group(1), "V", what="nameplate voltage")
    if voltage.value <= 0:
        raise UsageError(f"nameplate {text!r}: the voltage must be positive", hint=hint)
    power: float | None = None
    if match.group(2):
        rating = parse_quantity(match.group(2), what="nameplate rating")
        if rating.value <= 0:
            raise UsageError(f"nameplate {text!r}: the rating must be positive", hint=hint)
        power = rating.value * voltage.value if rating.unit == "A" else rating.value
    coupling = voltage.coupling or "ac"
    assumed = not voltage.coupling
    if regulation is not Regulation.UNKNOWN and coupling != "dc":
        raise UsageError(f"nameplate {text!r}: {regulation} is said of a DC output", hint=hint)
    return Nameplate(voltage.value, coupling, power, text.strip(), regulation, coupling_assumed=assumed)


#: What labels write before the output's voltage.
_LABEL = re.compile(r"(?i)^(output|out|o/p|sec(ondary)?)\b[.:]*\s*")

#: Words of nameplates; a switching supply regulates its output.
_REGULATION_WORDS = {
    "regulated": Regulation.REGULATED,
    "stabilised": Regulation.REGULATED,
    "stabilized": Regulation.REGULATED,
    "switching": Regulation.REGULATED,
    "switch-mode": Regulation.REGULATED,
    "smps": Regulation.REGULATED,
    "unregulated": Regulation.UNREGULATED,
    "unstabilised": Regulation.UNREGULATED,
    "unstabilized": Regulation.UNREGULATED,
}


def _regulation(text: str) -> tuple[str, Regulation]:
    """Split off the last word of a nameplate where it names the regulation."""
    rest, _, last = text.rpartition(" ")
    found = _REGULATION_WORDS.get(last.strip(",").lower())
    return (text, Regulation.UNKNOWN) if found is None else (rest.rstrip(" ,"), found)


def format_quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """Write a number with prefix and unit to `digits` significant digits.

    >>> format_quantity(0.02097, "V")
    '20.97 mV'
    >>> format_quantity(0.9934, "1")
    '0.9934'
    """
    if value is None or not math.isfinite(value):
        return "unknown"
    if unit in _NEVER_PREFIXED:
        return f"{value:.{digits}g}{_tail(unit)}"
    if unit == "m2":
        return f"{value * 1e6:.{digits}g} mm²"
    if not value:
        return f"0{_tail(unit)}"
    mantissa, _, exponent = f"{value:.{digits - 1}e}".partition("e")
    power = int(exponent) // 3 * 3
    if power not in PREFIX_BY_POWER:
        return f"{mantissa}e{int(exponent)}{_tail(unit)}"
    # Rounded already, so that 999.96 to four digits is 1.000 k; the second rounding only cuts the tail of a division.
    scaled = float(f"{mantissa}e{int(exponent) - power}")
    return f"{scaled:.{max(0, digits - 1 - int(exponent) + power)}f}{_tail(unit, PREFIX_BY_POWER[power])}"


def format_span(low: float, high: float, unit: str, between: str = " to ", digits: int = 4) -> str:
    """Write two ends with one prefix and as many decimals, that of the larger end; with more digits where they lie close.

    >>> format_span(-1.298, -0.2559, "V")
    '-1.298 to -0.256 V'
    >>> format_span(26.4949, 27.2348, "V")
    '26.49 to 27.23 V'
    >>> format_span(0.1933, 0.201, "ohm", " … ")
    '193.3 … 201.0 mΩ'
    >>> format_span(1999.5, 2000.5, "1")
    '1999.5 to 2000.5'
    """
    larger = max(abs(low), abs(high))
    if math.isfinite(larger) and low < high:
        digits = max(digits, math.ceil(math.log10(larger / (high - low))) + 1)
    if not (math.isfinite(larger) and larger > 0) or unit in (*_NEVER_PREFIXED, "m2"):
        return f"{format_quantity(low, unit, digits)}{between}{format_quantity(high, unit, digits)}"
    number, _, tail = format_quantity(larger, unit, digits).partition(" ")
    decimals = len(number.partition(".")[2])
    scale = 10.0 ** round(math.log10(float(number) / larger))  # that of the prefix, free of the rounding
    return f"{low * scale:.{decimals}f}{between}{high * scale:.{decimals}f} {tail}"


def _tail(unit: str, prefix: str = "") -> str:
    """Prefix and unit as they follow a number."""
    return {"1": "", "deg": "°", "degC": " °C", "ohm": f" {prefix}Ω"}.get(unit, f" {prefix}{unit}")


def format_uncertain(value: float, expanded: float, unit: str) -> str:
    """Write value and expanded uncertainty with the same decimals, the latter to two significant digits.

    >>> format_uncertain(27.75, 0.3775, "V")
    '27.75 ± 0.38 V'
    >>> format_uncertain(0.2012, 0.0021, "ohm")
    '201.2 ± 2.1 mΩ'
    >>> format_uncertain(0.3, 0.582, "V")
    '300 ± 580 mV'
    """
    if not (math.isfinite(value) and math.isfinite(expanded)) or expanded <= 0:
        return format_quantity(value, unit)
    power = 0
    if unit not in (*_NEVER_PREFIXED, "m2"):
        size = 1.0001 * max(abs(value), expanded)  # what rounds up to the next prefix takes it
        power = max((p for p in PREFIX_BY_POWER if float(f"1e{p}") <= size), default=0)
    factor = float(f"1e{power}")
    scaled, width = value / factor, expanded / factor
    places = 1 - math.floor(math.log10(width))
    decimals, scaled, width = max(0, places), round(scaled, places), round(width, places)
    return f"{scaled:.{decimals}f} ± {width:.{decimals}f}{_tail(unit, PREFIX_BY_POWER[power])}"
