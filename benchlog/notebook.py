"""The checks for notebooks and scripts: text or numbers in, a `Result` out; nothing is recorded.

>>> result = supply("24 V ac 40 VA", "27.75 V ac", accuracy="1 % + 5", mains="236 V", mains_nominal="230 V")
>>> str(result.verdict), round(result.quantities["no_load_voltage"].expanded_uncertainty, 2)
('pass', 0.38)
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchlog.displayed import parse_displayed
from benchlog.errors import UsageError
from benchlog.metrology.accuracy import UNKNOWN_ACCURACY, parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function
from benchlog.units import parse_nameplate, parse_number, parse_quantity

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.result import Result

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
        The meter's accuracy statement, ``"1 % + 5"``; 2 % + 10 counts where it is not given.
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

    plate = parse_nameplate(nameplate)
    function = Function.DC_VOLTS if plate.coupling == "dc" else Function.AC_VOLTS
    if (load is None) != (loaded is None):
        raise UsageError("load and loaded go together", hint='load="15 ohm", loaded="24.70 V ac"')
    point = None
    if load is not None and loaded is not None:
        point = LoadPoint(
            _positive(load, "ohm", "load"),
            _meter_reading(loaded, function, accuracy, resolution),
            _number(load_tolerance, "1", "load tolerance"),
        )
    return check_supply(
        plate,
        _meter_reading(reading, function, accuracy, resolution),
        mains=None
        if mains is None
        else Mains.typed(
            mains if isinstance(mains, str) else f"{mains:g}",
            None if mains_nominal is None else _positive(mains_nominal, "V", "nominal mains"),
            PLUG_IN_MONITOR if mains_accuracy is None else parse_accuracy(mains_accuracy),
        ),
        load=point,
        capacitor_v=None if capacitor is None else _positive(capacitor, "V", "capacitor rating"),
        tolerance=_positive(tolerance, "1", "tolerance"),
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
        expected, source = copper_resistance(parse_wire(wire), _positive(length, "m", "length"), celsius)
    null = None if lead_null is None else _meter_reading(lead_null, Function.OHMS, accuracy, resolution)
    return check_continuity(
        _meter_reading(reading, Function.OHMS, accuracy, resolution),
        lead_null=null,
        max_ohm=None if max is None else _positive(max, "ohm", "highest resistance"),
        expected=expected,
        expected_source=source,
        tolerance=_positive(tolerance, "1", "tolerance"),
    )


def turns_ratio(
    capture: Capture,
    primary: str,
    secondary: str,
    *,
    expect: float,
    swapped: Capture | None = None,
    divider: str | None = None,
    loop_turns: int = 1,
    tolerance: Value | None = None,
    gain_accuracy: Value | None = None,
    range_gain: Value | None = None,
) -> Result:
    """Check a turns ratio from a two-channel capture.

    Parameters
    ----------
    capture : Capture
        From `load_capture`.
    primary, secondary : str
        Channels on the sense loop and on the N-turn winding.
    expect : float
        Turns of the plan.
    swapped : Capture, optional
        Second capture with probes and channels swapped: cancels the channels' gain errors.
    divider : str, optional
        Known divider before the secondary channel with the half-width of its error: ``"100:1 0.2 %"``.
    loop_turns : int
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
    ``turns_ratio(load_capture("ct1.csv"), "CH1", "CH2", expect=60, swapped=load_capture("ct1_swapped.csv"))``
    """
    from benchlog.checks.scope_channels import GAIN_ACCURACY, RANGE_GAIN
    from benchlog.checks.turns_ratio import RatioSetup, check_turns_ratio

    ratio, error = _divider(divider)
    setup = RatioSetup(
        primary=capture.channel(primary).name,
        secondary=capture.channel(secondary).name,
        loop_turns=loop_turns,
        gain_accuracy=GAIN_ACCURACY
        if gain_accuracy is None
        else _number(gain_accuracy, "1", "gain accuracy"),
        range_gain=RANGE_GAIN if range_gain is None else _number(range_gain, "1", "range gain"),
        divider=ratio,
        divider_tolerance=error,
    )
    return check_turns_ratio(
        capture,
        setup,
        expected_turns=expect,
        tolerance=None if tolerance is None else _positive(tolerance, "1", "tolerance"),
        swapped=swapped,
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
        Accuracy statement of each meter; 2 % + 10 counts where it is missing.
    function : Function or str, optional
        What all meters are set to (``"V="``), where the texts do not say.

    Raises
    ------
    UsageError
        If fewer than two meters were read, or on different functions.
    """
    from benchlog.checks.crosscheck import check_crosscheck

    stray = [tag for tag in accuracy if tag not in readings]
    if stray:
        raise UsageError(f"accuracy of {stray[0]}, which has no reading", hint=f"read: {', '.join(readings)}")
    chosen = None if function is None else Function(function)
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
        shown = repr(float(shown))
    reading = parse_displayed(shown, function, instrument=tag)
    if resolution is not None:
        step = _positive(resolution, reading.unit, "resolution")
        reading = parse_displayed(shown, function, instrument=tag, resolution=step)
    return MeterReading(reading, UNKNOWN_ACCURACY if accuracy is None else parse_accuracy(accuracy))


def _number(value: Value, unit: str, what: str) -> float:
    return parse_quantity(value, unit, what=what).value if isinstance(value, str) else float(value)


def _positive(value: Value, unit: str, what: str) -> float:
    number = _number(value, unit, what)
    if not number > 0:
        raise UsageError(f"{what} {value!r} must be above zero")
    return number


def _divider(text: str | None) -> tuple[float | None, float]:
    """Read ``"100:1 0.2 %"``: ratio and the half-width of its error, 0.1 % where none is given."""
    if text is None:
        return None, 0.001
    ratio, _, error = text.strip().partition(" ")
    high, _, low = ratio.partition(":")
    value = parse_number(high)[0] / parse_number(low or "1")[0]
    return value, _number(error, "1", "divider tolerance") if error.strip() else 0.001
