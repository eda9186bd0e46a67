"""Check a wall transformer or supply against its nameplate.

Example:
  benchlog supply --nameplate "24 V ac 40 VA" --reading "27.75 V ac" \\
      --accuracy "1 % + 5" --mains "236 V" --mains-nominal "230 V"

Caution: mains inside. Keep the case closed, attach clips with the plug out.
"""

from __future__ import annotations

import argparse
import dataclasses
from typing import TYPE_CHECKING

import msgspec

from benchlog.cli.from_captures import add_capture_options, gains, number, probes, read_captures
from benchlog.cli.manual_entry import accuracy_findings, add_meter_details, metered, reading_or_live
from benchlog.cli.questioned import (
    add_as_read,
    diagnose_line,
    with_digits,
    with_questions,
    with_same_digits,
    with_slip,
)
from benchlog.errors import AnalysisError, UsageError
from benchlog.nameplate import Regulation, parse_nameplate
from benchlog.reading import Function
from benchlog.result import Limits, Verdict
from benchlog.units import parse_quantity, parse_share

if TYPE_CHECKING:
    from benchlog.capture import Capture
    from benchlog.checks.mains import Mains
    from benchlog.checks.supply import LoadPoint
    from benchlog.cli.context import Context
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.nameplate import Nameplate
    from benchlog.result import Result


_AC_OR_DC = "write '12 V ac 1 A' or '12 V dc 1 A'; on labels ~ is ac, and = or a line over three dashes is dc"
#: Options for captures only.
_WITH_CAPTURE = ("channel", "probe", "gain_accuracy", "scope", "sample_interval", "columns")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--nameplate", required=True, metavar="TEXT", help="as printed, e.g. '24 V ac 40 VA'")
    parser.add_argument(
        "--reading", metavar="TEXT", help="no-load voltage as displayed (default: read from --meter)"
    )
    parser.add_argument(
        "--accuracy",
        metavar="TEXT",
        help="of that meter, e.g. '1 %% + 5' (default: bench file, else assumed)",
    )
    parser.add_argument("--meter", metavar="ID", help="tag of the meter in the bench file")
    parser.add_argument(
        "--mains", metavar="TEXT", help="mains voltage, read in the same minute, e.g. '236 V'"
    )
    parser.add_argument(
        "--mains-nominal", metavar="TEXT", help="nominal mains (default: the nearest of 230, 120, 100 V)"
    )
    parser.add_argument("--load", metavar="TEXT", help="load resistor, e.g. '15 ohm'")
    parser.add_argument("--loaded", metavar="TEXT", help="voltage with the load, as displayed")
    parser.add_argument("--capacitor", metavar="TEXT", help="voltage printed on the capacitor, e.g. '35 V'")
    parser.add_argument(
        "--regulation",
        metavar="WORD",
        choices=("regulated", "unregulated"),
        help="of a DC supply: regulated or unregulated",
    )
    capture = parser.add_argument_group("a scope capture")
    capture.add_argument("--capture", metavar="FILE", help="scope capture of the output")
    capture.add_argument("--channel", metavar="CH", help="channel of the capture")
    add_capture_options(capture, ranges=False)
    second = parser.add_argument_group("a second meter")
    second.add_argument("--second", metavar="TEXT", help="what it shows")
    second.add_argument("--second-meter", metavar="ID", help="its tag in the bench file")
    second.add_argument("--second-accuracy", metavar="TEXT", help="its accuracy, e.g. '1.2 %% + 5'")
    more = parser.add_argument_group("limits, mains, load and meter in detail")
    more.add_argument("--part", metavar="TAG", default="", help="tag of the part, for the record")
    more.add_argument(
        "--tolerance", metavar="TEXT", default="6 %", help="± about the expected voltage (default 6 %%)"
    )
    more.add_argument("--mains-meter", metavar="ID", help="meter of the bench file that read the mains")
    more.add_argument(
        "--mains-accuracy", metavar="TEXT", help="of the mains reading (default 1 %% + 1 count)"
    )
    more.add_argument(
        "--load-tolerance", metavar="TEXT", default="1 %", help="load resistor tolerance (default 1 %%)"
    )
    more.add_argument("--loaded-meter", metavar="ID", help="meter of the loaded reading (default: the same)")
    more.add_argument("--loaded-accuracy", metavar="TEXT", help="its accuracy, if another meter")
    add_meter_details(more)
    add_as_read(more)


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.checks.supply import check_supply
    from benchlog.checks.supply_model import expected_supply

    nameplate = _nameplate(args)
    nominal = number(args.mains_nominal, "V", "nominal mains", above_zero=True, example="230 V")
    mains = _mains(args, ctx, nominal)
    tolerance = _tolerance(args)
    _refuse_stray_options(args)
    capture = None
    if args.capture:
        no_load, capture = _from_capture(args, ctx, nameplate.coupling)
    else:
        no_load = _no_load(
            args, ctx, nameplate.coupling, expected_supply(nameplate, mains, tolerance).no_load_v, nominal
        )
    second = _second(args, ctx, no_load)
    load = _load(args, ctx)
    result = check_supply(
        nameplate,
        no_load,
        mains=mains,
        second=second,
        load=load,
        capacitor_v=number(
            args.capacitor, "V", "capacitor's voltage rating", above_zero=True, example="35 V"
        ),
        tolerance=tolerance,
    )
    taken = {"no load": None if capture else no_load, "second meter": second}
    taken["loaded"] = load.loaded if load else None
    readings = {use: m for use, m in taken.items() if m}
    first = [m for m in readings.values() if m is not second]
    findings = (*result.findings, *accuracy_findings(ctx, *first, second=second))
    result = msgspec.structs.replace(result, part=args.part, limits_set="typed", findings=findings)
    if mains is not None and args.mains_meter:
        readings["mains"] = mains.reading
    shown = {use: m.reading for use, m in readings.items()}
    if capture is not None:
        from benchlog.cli.thumbnail import Waveforms

        waveforms = Waveforms(capture, [args.channel or capture.names[0]], _frequency_hz(no_load))
        return ctx.emit(result, readings=shown, captures=[capture], waveforms=waveforms)
    if not args.as_read and args.resolution is None:
        result = with_digits(result, readings.values(), ctx.bench())
        result = with_same_digits(result, [no_load, taken["loaded"]], ctx.bench())
    return ctx.emit(_questioned(result, args, no_load, second, load, nominal), readings=shown)


def _questioned(
    result: Result,
    args: argparse.Namespace,
    no_load: MeterReading,
    second: MeterReading | None,
    load: LoadPoint | None,
    nominal: float | None,
) -> Result:
    """Ask about a slip in the reading, or else in one of those that are compared with it."""
    if no_load.reading.function is Function.DC_VOLTS and no_load.value < 0:
        return result  # the check has asked about the polarity
    asked = with_questions(
        result,
        no_load,
        result.quantities["expected_no_load"].value,
        limits=result.limits["no_load_voltage"],
        # Two meters that agree don't slip alike.
        as_read=args.as_read or (second is not None and result.verdict is Verdict.FAIL),
        mains_nominal_v=nominal,
    )
    if asked.reason != result.reason or args.as_read:
        return asked
    volt = abs(no_load.value)
    if second is not None:
        same = Limits(0.9 * volt, 1.1 * volt, "V")
        asked = with_slip(asked, second, volt, same, "what the first meter shows")
    if load is not None:
        asked = with_slip(asked, load.loaded, volt, Limits(volt / 2, volt, "V"), "what a load should leave")
    return asked


def _refuse_stray_options(args: argparse.Namespace) -> None:
    if not args.capture and (stray := [o for o in _WITH_CAPTURE if getattr(args, o)]):
        option = f"--{stray[0].replace('_', '-')}"
        raise UsageError(f"{option} is for a capture", hint="give --capture FILE too")
    if (args.load is None) != (args.loaded is None):
        raise UsageError("--load and --loaded go together", hint='--load "15 ohm" --loaded "24.70 V ac"')


def _tolerance(args: argparse.Namespace) -> float:
    tolerance = parse_share(args.tolerance, "tolerance")
    if not 0 < tolerance < 1:
        raise UsageError(f"tolerance {args.tolerance!r} is out of range", hint="write it like '6 %'")
    return tolerance


def _second(args: argparse.Namespace, ctx: Context, no_load: MeterReading) -> MeterReading | None:
    """Reading of a second meter."""
    if not args.second:
        return None
    second = metered(ctx, args.second, meter=args.second_meter, accuracy=args.second_accuracy)
    if second.reading.instrument and second.reading.instrument == no_load.reading.instrument:
        raise UsageError("the second meter is the same as the first", hint="a meter can't confirm itself")
    return second


def _load(args: argparse.Namespace, ctx: Context) -> LoadPoint | None:
    """Load resistor and the voltage with it; the same meter unless another one is named."""
    from benchlog.checks.supply import LoadPoint

    if not args.load:
        return None
    same = args.loaded_meter is None and args.loaded_accuracy is None
    loaded = metered(
        ctx,
        args.loaded,
        meter=args.meter if same else args.loaded_meter,
        accuracy=args.accuracy if same else args.loaded_accuracy,
        resolution=args.resolution if same else None,
    )
    ohm = parse_quantity(args.load, "ohm", what="load").value
    if ohm <= 0 or loaded.value <= 0:
        raise UsageError(
            "load resistance and loaded voltage must be positive",
            hint='--load "15 ohm" --loaded "24.70 V ac"',
        )
    return LoadPoint(ohm, loaded, parse_share(args.load_tolerance, "load tolerance"))


def stated_nameplate(text: str) -> Nameplate:
    """Read a nameplate; one that says neither ac nor dc is refused."""
    nameplate = parse_nameplate(text)
    if nameplate.coupling_assumed:
        raise UsageError(f"nameplate {text!r} does not say ac or dc", hint=_AC_OR_DC)
    return nameplate


def _nameplate(args: argparse.Namespace) -> Nameplate:
    """The nameplate, with the regulation from --regulation."""
    nameplate = stated_nameplate(args.nameplate)
    if args.regulation is None:
        return nameplate
    stated = Regulation(args.regulation)
    if nameplate.coupling != "dc":
        raise UsageError(f"an AC output can't be {stated}", hint="--regulation goes with a DC nameplate")
    if nameplate.regulation not in (stated, Regulation.UNKNOWN):
        raise UsageError(
            f"the nameplate says {nameplate.regulation}, --regulation {stated}", hint="leave one of them out"
        )
    return msgspec.structs.replace(nameplate, regulation=stated)


def _mains(args: argparse.Namespace, ctx: Context, nominal_v: float | None) -> Mains | None:
    """Mains voltage as read, with its accuracy."""
    from benchlog.checks.mains import PLUG_IN_MONITOR, Mains
    from benchlog.metrology.accuracy import parse_accuracy

    if args.mains is None:
        if args.mains_meter or args.mains_accuracy:
            raise UsageError("no mains reading is given", hint='--mains "236 V"')
        return None
    if args.mains_meter and not args.mains_accuracy:
        reading = metered(ctx, args.mains, meter=args.mains_meter, function=Function.AC_VOLTS)
        return Mains.of(reading, nominal_v)
    accuracy = parse_accuracy(args.mains_accuracy) if args.mains_accuracy else PLUG_IN_MONITOR
    return Mains.typed(args.mains, nominal_v, accuracy, args.mains_meter)


def _from_capture(args: argparse.Namespace, ctx: Context, coupling: str) -> tuple[MeterReading, Capture]:
    """Voltage of one channel of a capture file, with the channel's gain accuracy."""
    from benchlog.checks.captured import read_capture

    if args.reading or args.meter:
        raise UsageError("give a capture or a meter reading, not both", hint="leave one of them out")
    capture = read_captures(ctx, args, [args.capture])
    if args.channel is None and len(capture.channels) > 1:
        raise UsageError(
            "which channel of the capture is the output?",
            hint=f"--channel, one of {', '.join(capture.names)}",
        )
    factors = probes(args)
    for name in factors:
        capture.channel(name)  # raises for a factor of a channel that does not exist
    channels = tuple(dataclasses.replace(c, probe=factors.get(c.name, c.probe)) for c in capture.channels)
    capture = dataclasses.replace(capture, channels=channels)
    function = Function.DC_VOLTS if coupling == "dc" else Function.AC_VOLTS
    gain, _ = gains(ctx, args)
    return read_capture(capture, args.channel or capture.names[0], function, gain), capture


def _frequency_hz(reading: MeterReading) -> float | None:
    waveform = getattr(reading, "waveform", None)
    return waveform.frequency.value if waveform is not None and waveform.frequency is not None else None


def _no_load(
    args: argparse.Namespace, ctx: Context, coupling: str, expect: float, nominal: float | None
) -> MeterReading:
    """The reading, typed or live; refuses one without a number."""
    from benchlog.metrology.meter_reading import no_number_hint

    no_load = reading_or_live(ctx, args, Function.DC_VOLTS if coupling == "dc" else Function.AC_VOLTS, expect)
    if no_load.reading.value is None:
        raise AnalysisError(
            f"the display shows {no_load.reading.displayed!r}: no number to work with",
            hint=f"{no_number_hint(no_load.reading)}; if it stays: {diagnose_line(no_load, expect, nominal)}",
        )
    return no_load
