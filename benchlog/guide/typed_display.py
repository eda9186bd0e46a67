"""A display read by eye and typed: the same record as by link, and slips asked about."""

from __future__ import annotations

import re

import msgspec

from benchlog.diagnosis.case import plausible
from benchlog.diagnosis.slips import Slip, find_slips
from benchlog.displayed import parse_displayed
from benchlog.reading import Function, Reading, State
from benchlog.units import Quantity

__all__ = ["as_displayed", "coupled", "expected_quantity", "shown_text", "slip_questions", "slips_of"]

_TYPED = re.compile(r"([+\-−]?[\d.,]+)\s*(\S*)")
_SIGNS = {"ohm": "Ω", "degC": "°C", "1": "%"}


def coupled(function: Function) -> str:
    """``" ac"`` or ``" dc"`` where a function is one of these."""
    return f" {function.coupling}" if function.coupling else ""


def as_displayed(text: str, function: Function, instrument: str) -> Reading:
    """Read a typed display of a known function; its text comes out as a link would give it.

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


def shown_text(reading: Reading) -> str:
    """What the display shows, with unit and ac or dc, as the diagnosis reads it."""
    if reading.value is None:
        return "OL"
    digits = f"{reading.value:.9g}"
    if reading.resolution > 0:
        exponent = int(f"{reading.resolution:e}".partition("e")[2])
        digits = f"{reading.value:.{max(0, -exponent)}f}"
    return f"{digits} {reading.unit}{coupled(reading.function)}"


def expected_quantity(expect: float, function: Function) -> Quantity:
    """Return an expected value as the slip questions and the diagnosis take it."""
    return Quantity(
        expect,
        function.unit,
        0.0,
        coupled(function).strip(),
        f"{expect:.4g} {function.unit}{coupled(function)}",
    )


def slip_questions(reading: Reading, expect: float | None) -> tuple[str, ...]:
    """Questions that a reading raises; see `slips_of`."""
    return tuple(slip.question for slip in slips_of(reading, expect))


def slips_of(reading: Reading, expect: float | None) -> tuple[Slip, ...]:
    """Slips that a reading may hold, given what is expected; none where it can pass as that.

    Parameters
    ----------
    reading : Reading
    expect : float or None
        In the SI unit of the reading.
    """
    if expect is None or expect == 0 or reading.value is None:
        return ()
    wanted = expected_quantity(expect, reading.function)
    shown = Quantity(
        reading.value,
        reading.unit,
        reading.resolution,
        coupled(reading.function).strip(),
        reading.displayed,
    )
    if plausible(wanted, shown):
        return ()
    return find_slips(wanted, shown)
