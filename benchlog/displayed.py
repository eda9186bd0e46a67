"""Readings typed by hand, as the display shows them: ``27.75``, ``OL``, ``-0.3m``, ``27.75 V ac``."""

from __future__ import annotations

import math
import re

from benchlog.errors import UsageError
from benchlog.reading import Function, Origin, Reading, State
from benchlog.units import Quantity, parse_quantity

#: First digits of the full scales of usual meters; common practice, no source.
_RANGE_ENDS = (1.0, 2.0, 2.2, 3.0, 3.2, 4.0, 5.0, 6.0, 10.0)
#: No usual meter counts less far; common practice, no source.
_FEWEST_COUNTS = 1999
_OVERLOAD = re.compile(r"\s*[+-]?\s*\.?(?:0\.?L|O\.?L|OVER|OFL|OVLD|---+)\.?\s*(.*)", re.IGNORECASE)


def function_of(quantity: Quantity) -> Function:
    """Function a meter must have been set to for a typed quantity; AC must be said, DC is the default for amperes.

    Raises
    ------
    UsageError
        For volts without ``ac`` or ``dc``, and for units no meter shows.
    """
    by_unit = {
        "ohm": Function.OHMS,
        "Hz": Function.FREQUENCY,
        "F": Function.CAPACITANCE,
        "degC": Function.TEMPERATURE,
    }
    if quantity.unit in by_unit:
        return by_unit[quantity.unit]
    if quantity.unit in ("V", "A"):
        if not quantity.coupling:
            raise UsageError(
                f"{quantity.text!r} does not say ac or dc",
                hint=f"write '{quantity.text} ac' or '{quantity.text} dc'",
            )
        pair = (
            (Function.AC_VOLTS, Function.DC_VOLTS)
            if quantity.unit == "V"
            else (Function.AC_CURRENT, Function.DC_CURRENT)
        )
        return pair[quantity.coupling == "dc"]
    if quantity.unit == "1" and "%" not in quantity.text:
        typed = quantity.text
        raise UsageError(
            f"{typed!r} has no unit",
            hint=f"write '{typed} V ac', '{typed} V dc', '{typed} ohm' or '{typed} A dc'",
        )
    raise UsageError(f"{quantity.text!r} is in no unit that a meter shows", hint="write it like '27.75 V ac'")


def parse_displayed(
    text: str,
    function: Function | None = None,
    *,
    instrument: str = "",
    resolution: float | None = None,
    what: str = "reading",
) -> Reading:
    """Read what a display shows.

    Parameters
    ----------
    text : str
        Digits as shown, with prefix and unit if any; ``OL`` in its usual spellings is overload.
    function : Function, optional
        What the meter is set to; without it the text must say (``27.75 V ac``).
    instrument : str
        Tag of the meter.
    resolution : float, optional
        One count in the SI unit; inferred from the digits typed when not given.
    what : str
        What it is in messages.

    Returns
    -------
    Reading
        With origin `Origin.HAND`; times are for the caller to stamp.

    Raises
    ------
    UsageError
        If it can't be read, or contradicts `function`.
    """
    if text.strip().startswith(">"):
        return _beyond(text, function, instrument, what)
    over = _OVERLOAD.fullmatch(text)
    if over:
        if function is None:
            rest = over.group(1).strip()
            function = function_of(parse_quantity(f"1 {rest}")) if rest else None
        if function is None:
            raise UsageError(f"{text!r} does not say which function", hint="write 'OL V ac' or 'OL ohm'")
        return Reading(
            function,
            None,
            resolution or 0.0,
            text.strip(),
            State.OVERLOAD,
            instrument=instrument,
            origin=Origin.HAND,
        )
    quantity = parse_quantity(
        text, function.unit if function else None, what=what, example=_example(function)
    )
    if function is None:
        function = function_of(quantity)
    elif quantity.coupling and function in _COUPLED and _COUPLED[function] != quantity.coupling:
        raise UsageError(
            f"{text!r} is {quantity.coupling}, but {function} was asked for", hint="check the meter's setting"
        )
    return Reading(
        function=function,
        value=quantity.value,
        resolution=quantity.resolution if resolution is None else resolution,
        displayed=text.strip(),
        instrument=instrument,
        origin=Origin.HAND,
    )


_COUPLED = {
    Function.AC_VOLTS: "ac",
    Function.DC_VOLTS: "dc",
    Function.AC_CURRENT: "ac",
    Function.DC_CURRENT: "dc",
}


def _example(function: Function | None) -> str:
    """What a display of a function may show; an empty text leaves it to the unit."""
    return f"27.75 V {function.coupling}" if function is not None and function.unit == "V" else ""


def _beyond(text: str, function: Function | None, instrument: str, what: str) -> Reading:
    """A display that shows only that the value is above its range, such as ``> 200 Mohm``."""
    quantity = parse_quantity(text.strip()[1:], function.unit if function else None, what=what)
    return Reading(
        function or function_of(quantity),
        None,
        quantity.resolution,
        text.strip(),
        State.OVERLOAD,
        range_max=quantity.value,
        instrument=instrument,
        origin=Origin.HAND,
    )


def digits_left_out(coarse: Reading, fine: Reading) -> str:
    """Doubt about the coarser of two typed readings that one meter took; empty if it may be on a range of its own."""
    if (
        coarse.origin is not Origin.HAND
        or fine.origin is not Origin.HAND
        or coarse.function is not fine.function
    ):
        return ""
    if not fine.value or coarse.value is None or coarse.resolution < 5 * fine.resolution:
        return ""
    reach = max(abs(fine.value), _FEWEST_COUNTS * fine.resolution)  # its range goes at least so far
    decade = 10.0 ** math.floor(math.log10(reach))
    if any(reach < end * decade <= abs(coarse.value) for end in _RANGE_ENDS):
        return ""
    return f"{coarse.displayed} has fewer digits than {fine.displayed}: was a 0 left out?"
