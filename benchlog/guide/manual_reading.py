"""Typed readings, in the same form as those of a link."""

from __future__ import annotations

import math
import re

import msgspec

from benchlog.displayed import parse_displayed
from benchlog.reading import Function, Reading, State
from benchlog.units import PREFIX_BY_POWER, with_decimal_point

_DIGITS = re.compile(r"[+-]?[\d.,]+")
_SIGNS = {"ohm": "Ω", "degC": "°C", "1": "%"}


def as_displayed(text: str, function: Function, instrument: str) -> Reading:
    """Read a typed display of a known function, into the form a link gives.

    >>> as_displayed("27.75", Function.AC_VOLTS, "MB-02").displayed
    '27.75 V'
    >>> as_displayed("4k7", Function.OHMS, "MB-02").displayed
    '4.7 kΩ'

    Raises
    ------
    UsageError
        If it can't be read, or is of another function or unit.
    """
    reading = parse_displayed(text, function, instrument=instrument)
    match = _DIGITS.match(with_decimal_point(reading.displayed.replace("−", "-"), function.unit))
    if reading.state is not State.OK or match is None:
        return reading
    digits = match.group().replace(",", ".")
    # The weight of the last digit shows the prefix, however the unit was written.
    power = round(math.log10(reading.resolution)) + len(digits.partition(".")[2])
    prefix = PREFIX_BY_POWER.get(power) if function.unit != "1" else ""
    if prefix is None:
        return reading
    return msgspec.structs.replace(
        reading, displayed=f"{digits} {prefix}{_SIGNS.get(function.unit, function.unit)}"
    )
