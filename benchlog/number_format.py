"""Quantities as people read them: prefix and unit, with as many digits as mean something.

>>> format_quantity(4700.0, "ohm")
'4.700 kΩ'
"""

from __future__ import annotations

import math

from benchlog.units import NEVER_PREFIXED, PREFIX_BY_POWER


def format_quantity(value: float | None, unit: str, digits: int = 4) -> str:
    """Write a number with prefix and unit to `digits` significant digits.

    >>> format_quantity(0.02097, "V")
    '20.97 mV'
    >>> format_quantity(0.9934, "1")
    '0.9934'
    """
    if value is None or not math.isfinite(value):
        return "unknown"
    if unit in NEVER_PREFIXED:
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
    if not (math.isfinite(larger) and larger > 0) or unit in (*NEVER_PREFIXED, "m2"):
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
    if unit not in (*NEVER_PREFIXED, "m2"):
        size = 1.0001 * max(abs(value), expanded)  # what rounds up to the next prefix takes it
        power = max((p for p in PREFIX_BY_POWER if float(f"1e{p}") <= size), default=0)
    factor = float(f"1e{power}")
    scaled, width = value / factor, expanded / factor
    places = 1 - math.floor(math.log10(width))
    decimals, scaled, width = max(0, places), round(scaled, places), round(width, places)
    return f"{scaled:.{decimals}f} ± {width:.{decimals}f}{_tail(unit, PREFIX_BY_POWER[power])}"
