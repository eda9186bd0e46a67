"""The checks for notebooks and scripts: text or numbers in, a `Result` out; nothing is recorded.

>>> result = supply("24 V ac 40 VA", "27.75 V ac", accuracy="1 % + 5", mains="236 V", mains_nominal="230 V")
>>> str(result.verdict), round(result.quantities["no_load_voltage"].expanded_uncertainty, 2)
('pass', 0.38)
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.metrology.accuracy import assumed_accuracy, parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.nameplate import parse_nameplate
from benchlog.quantity_text import Divider
from benchlog.reading import Function
from benchlog.units import parse_quantity, parse_share

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.metrology.accuracy import Accuracy
    from benchlog.result import Result

#: A text such as ``4k7``: 4.7 kV for a voltmeter, which nobody means.
_LETTER_ONLY = re.compile(r"[+-]?\d*[kKMGmunpµμ]\d+")
#: A quantity as text with its unit (``"15 ohm"``), or as a number in the SI unit.
Value = str | float


def supply(
    nameplate: str,
    reading: Value,
    *,
    accuracy: str | None = None,
    resolution: Value | None = None,
    mains: Value | None = None,
    mains_nominal: Value | None = None,
    mains_accuracy: str | None = None,
    load: Value | None = None,
    loaded: Value | None = None,
    load_tolerance: Value = "1 %",
    capacitor: Value | None = None,
    tolerance: Value = "6 %",
) -> Result:
    """Check a wall transformer or supply against its nameplate.

    Parameters
    ----------
    nameplate : str
        As printed, ``"24 V ac 40 VA"``.
    reading, loaded : str or float
        Voltage without and with the load, as displayed (``"27.75 V ac"``) or in volts.
    accuracy : str, optional
        The meter's accuracy statement, ``"1 % + 5"``; without it 2 % + 10 counts are assumed.
    resolution : str or float, optional
        One count; from the digits of `reading` where it is not given.
    mains, mains_nominal : str or float, optional
        Mains voltage in the same minute, and its nominal value.
    mains_accuracy : str, optional
        Of the mains reading; 1 % + 1 count where it is not given.
    load : str or float, optional
        Load resistor; goes with `loaded`.
    load_tolerance, tolerance : str or float
        Half-widths: of the load resistor, and of the limits about the expected voltage.
    capacitor : str or float, optional
        Voltage rating of the capacitor behind a bridge.

    Raises
    ------
    UsageError
        If a value can't be read or does not fit the others.
    """
    from benchlog.checks.mains import PLUG_IN_MONITOR, Mains
    from benchlog.checks.supply import LoadPoint, check_supply

    plate = parse_nameplate(_text(nameplate, "nameplate", "24 V ac 40 VA"))
    function = Function.DC_VOLTS if plate.coupling == "dc" else Function.AC_VOLTS
    if (load is None) != (loaded is None):
        raise UsageError("load and loaded go together", hint='load="15 ohm", loaded="24.70 V ac"')
    point = None
    if load is not None and loaded is not None:
        point = LoadPoint(
            _positive(load, "ohm", "load"),
            _meter_reading(loaded, function, accuracy, resolution),
            _share(load_tolerance, "load tolerance"),
        )
    return check_supply(
        plate,
        _meter_reading(reading, function, accuracy, resolution),
        mains=None
        if mains is None
        else Mains.typed(
            mains if isinstance(mains, str) else f"{_number(mains, 'V', 'mains'):g}",
            None if mains_nominal is None else _positive(mains_nominal, "V", "nominal mains"),
            _accuracy(mains_accuracy, PLUG_IN_MONITOR),
        ),
        load=point,
        capacitor_v=None if capacitor is None else _positive(capacitor, "V", "capacitor rating"),
        tolerance=_share(tolerance, "tolerance", above_zero=True),
    )


def continuity(
    reading: Value,
    *,
    accuracy: str | None = None,
    resolution: Value | None = None,
    lead_null: Value | None = None,
    max: Value | None = None,  # noqa: A002 - as the command's option
    wire: str | None = None,
    length: Value | None = None,
    temperature: Value | None = None,
    tolerance: Value = "6 %",
) -> Result:
    """Check a lead, joint or winding resistance; parameters as of ``benchlog continuity``.

    Parameters
    ----------
    reading, lead_null : str or float
        Resistance as displayed, and with the tips shorted; ohm.
    accuracy, resolution : str or float, optional
        Of the meter.
    max : str or float, optional
        Highest resistance allowed; or
    wire, length, temperature : str or float, optional
        Wire (``"AWG 24"``), its length (m) and temperature (degC), from which the resistance is computed;
        a temperature not stated is 20 degC, give or take 10 K.
    tolerance : str or float
        Half-width of the limits about the computed resistance.

    Raises
    ------
    UsageError
        If a value can't be read or does not fit the others.
    """
    from benchlog.checks.continuity import check_continuity, copper_resistance

    if (wire is None) != (length is None):
        raise UsageError("wire and length go together", hint='wire="AWG 24", length="2.4 m"')
    expected, source = None, ""
    if wire is not None and length is not None:
        from benchlog.magnetics.wire import parse_wire

        celsius = None if temperature is None else _number(temperature, "degC", "temperature")
        size = parse_wire(_text(wire, "wire", "AWG 24"))
        expected, source = copper_resistance(size, _positive(length, "m", "length"), celsius)
    null = None if lead_null is None else _meter_reading(lead_null, Function.OHMS, accuracy, resolution)
    return check_continuity(
        _meter_reading(reading, Function.OHMS, accuracy, resolution),
        lead_null=null,
        max_ohm=None if max is None else _positive(max, "ohm", "highest resistance"),
        expected=expected,
        expected_source=source,
        tolerance=_share(tolerance, "tolerance", above_zero=True),
    )


def turns_ratio(
    capture: Capture | Path | str,
    primary: str,
    secondary: str,
    *,
    expect: Value,
    swapped: Capture | Path | str | None = None,
    divider: str | None = None,
    loop_turns: Value = 1,
    tolerance: Value | None = None,
    gain_accuracy: Value | None = None,
    range_gain: Value | None = None,
) -> Result:
    """Check a turns ratio from a two-channel capture.

    Parameters
    ----------
    capture : Capture or path
        From `load_capture`, or its file.
    primary, secondary : str
        Channels on the sense loop and on the N-turn winding.
    expect : str or float
        Turns of the plan.
    swapped : Capture or path, optional
        Second capture with probes and channels swapped: cancels the channels' gain errors.
    divider : str, optional
        Known divider before the secondary channel with the half-width of its error: ``"100:1 0.2 %"``
        (without it 2 % is assumed, as of two 1 % resistors).
    loop_turns : str or int
        Turns of the sense loop.
    tolerance, gain_accuracy, range_gain : str or float, optional
        Half-widths: of the limits about `expect` (half a turn where not given), of each channel's gain, and of
        the gain between two ranges.

    Raises
    ------
    UsageError, AnalysisError
        If a value can't be read, or a record can't be fitted.

    Examples
    --------
    ``turns_ratio("ct1.csv", "CH1", "CH2", expect=60, swapped="ct1_swapped.csv")``
    """
    from benchlog.checks.scope_channels import GAIN_ACCURACY, RANGE_GAIN
    from benchlog.checks.turns_ratio import RatioSetup, check_turns_ratio

    first = _capture(capture, "capture")
    ratio, error = _divider(divider)
    setup = RatioSetup(
        primary=first.channel(primary).name,
        secondary=first.channel(secondary).name,
        loop_turns=_whole(loop_turns, "loop_turns"),
        gain_accuracy=GAIN_ACCURACY if gain_accuracy is None else _share(gain_accuracy, "gain accuracy"),
        range_gain=RANGE_GAIN if range_gain is None else _share(range_gain, "range gain"),
        divider=ratio,
        divider_tolerance=error,
    )
    return check_turns_ratio(
        first,
        setup,
        expected_turns=_positive(expect, "1", "expect"),
        tolerance=None if tolerance is None else _share(tolerance, "tolerance", above_zero=True),
        swapped=None if swapped is None else _capture(swapped, "swapped"),
    )


def crosscheck(
    readings: Mapping[str, Value], accuracy: Mapping[str, str], *, function: Function | str | None = None
) -> Result:
    """Compare two or more meters on one node.

    Parameters
    ----------
    readings : mapping of str to str or float
        What each meter shows, by tag; with `function` plain numbers do: ``{"A": 5.19, "B": 5.0}``.
    accuracy : mapping of str to str
        Accuracy statement of each meter; without it 2 % + 10 counts are assumed, of a thermometer 2 % + 5 °C.
    function : Function or str, optional
        What all meters are set to (``"V="``), where the texts do not say.

    Raises
    ------
    UsageError
        If fewer than two meters were read, or on different functions.
    """
    from benchlog.checks.crosscheck import check_crosscheck

    for given, example in ((readings, "5.19 V dc"), (accuracy, "0.8 % + 2")):
        if not isinstance(given, Mapping):
            raise UsageError(
                f"{given!r} is not a dict with one value per meter", hint=f'{{"A": "{example}", ...}}'
            )
    stray = [tag for tag in accuracy if tag not in readings]
    if stray:
        raise UsageError(
            f"accuracy of {stray[0]}, but no reading of it",
            hint=f"readings were given for {' and '.join(readings)}",
        )
    chosen = None if function is None else _function(function)
    return check_crosscheck(
        [_meter_reading(shown, chosen, accuracy.get(tag), None, tag=tag) for tag, shown in readings.items()]
    )


def _meter_reading(
    shown: Value, function: Function | None, accuracy: str | None, resolution: Value | None, *, tag: str = ""
) -> MeterReading:
    if not isinstance(shown, str):
        if function is None:
            raise UsageError(
                f"{shown!r} does not say which function", hint='write "5.19 V dc", or give function="V="'
            )
        shown = repr(_number(shown, function.unit, "reading"))
    elif function is not None and not function.is_ohms and _LETTER_ONLY.fullmatch(shown.strip()):
        raise UsageError(f"{shown!r} has no unit", hint=f'write "{shown} {function.unit}"')
    reading = parse_displayed(shown, function, instrument=tag)
    if resolution is not None:
        step = _positive(resolution, reading.unit, "resolution")
        reading = parse_displayed(shown, function, instrument=tag, resolution=step)
    return MeterReading(reading, _accuracy(accuracy, assumed_accuracy(reading.function)))


def _accuracy(text: str | None, otherwise: Accuracy) -> Accuracy:
    return otherwise if text is None else parse_accuracy(_text(text, "accuracy", "1 % + 5"))


def _text(value: object, what: str, example: str) -> str:
    if not isinstance(value, str):
        raise UsageError(f"{what} {value!r} is not text", hint=f'write it like "{example}"')
    return value


def _function(name: str) -> Function:
    try:
        return Function(name)
    except ValueError:
        names = ", ".join(f'"{function}"' for function in Function)
        raise UsageError(f"{name!r} is not a function of a meter", hint=f"one of {names}") from None


def _capture(given: Capture | Path | str, what: str) -> Capture:
    """The record itself, or that of a file."""
    from benchlog.capture import Capture
    from benchlog.capture_files import load_capture

    if isinstance(given, Capture):
        return given
    if not isinstance(given, str | Path):
        raise UsageError(f"{what} is {given!r}", hint="give the file's name, or what load_capture() returns")
    return load_capture(given)


def _whole(value: Value, what: str) -> int:
    number = _positive(value, "1", what)
    if number != int(number):
        raise UsageError(f"{what} {value!r} is not a whole number", hint="count the turns")
    return int(number)


def _number(value: Value, unit: str, what: str) -> float:
    if isinstance(value, str):
        return parse_quantity(value, unit, what=what).value
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{what} {value!r} is not a number", hint="give a number, or text with its unit")
    return number


def _share(value: Value, what: str, *, above_zero: bool = False) -> float:
    share = parse_share(value, what) if isinstance(value, str) else _number(value, "1", what)
    if above_zero and not share > 0:
        raise UsageError(f"{what} {value!r} must be above zero", hint="write it like '5 %'")
    return share


def _positive(value: Value, unit: str, what: str) -> float:
    number = _number(value, unit, what)
    if not number > 0:
        raise UsageError(f"{what} {value!r} must be above zero", hint="check its sign and unit")
    return number


def _divider(text: str | None) -> tuple[float | None, float | None]:
    """Read ``"100:1 0.2 %"``: ratio and the half-width of its error, None where none is given."""
    if text is None:
        return None, None
    ratio, _, error = _text(text, "divider", "100:1 0.2 %").strip().partition(" ")
    return Divider(ratio).value, _share(error, "divider tolerance") if error.strip() else None
