"""Readings taken by eye and typed, brought into the form that a link gives."""

from __future__ import annotations

import re

import msgspec

from benchlog.displayed import parse_displayed
from benchlog.reading import Function, Reading, State

_TYPED = re.compile(r"([+\-−]?[\d.,]+)\s*(\S*)")
_SIGNS = {"ohm": "Ω", "degC": "°C", "1": "%"}


def as_displayed(text: str, function: Function, instrument: str) -> Reading:
    """Read a typed display of a known function; the text is brought into the form a link gives.

    >>> as_displayed("27.75", Function.AC_VOLTS, "MB-02").displayed
    '27.75 V'

    Raises
    ------
    UsageError
        If it can't be read, or is of another function or unit.
    """
    reading = parse_displayed(text, function, instrument=instrument)
    if reading.state is not State.OK:
        return reading
    match = _TYPED.match(reading.displayed)
    if match is None:
        return reading
    digits, word = match.groups()
    sign = _SIGNS.get(function.unit, function.unit)
    prefix = ""
    if word and word not in ("ac", "dc", "AC", "DC", "~", "="):
        prefix = word.rstrip("~=").removesuffix(function.unit).removesuffix(sign).replace("u", "µ")
    shown = f"{digits.replace(',', '.')} {prefix if len(prefix) < 2 else ''}{sign}"
    return msgspec.structs.replace(reading, displayed=shown)
