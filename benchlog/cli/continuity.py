"""Check a lead, joint or winding resistance.

Examples:
  benchlog continuity --reading "0.4 ohm" --lead-null "0.2 ohm" --max "1 ohm"
  benchlog continuity --reading "1.2 ohm" --meter MA-01 --wire "AWG 24" \\
      --length "2.4 m" --temperature "22 degC"
  benchlog continuity --reading "100.6 mV dc" --current "0.500 A dc" \\
      --wire "AWG 24" --length "2.4 m"

Caution: unplug and discharge first.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

import msgspec

from benchlog.cli.manual_entry import accuracy_findings, add_meter_details, metered, reading_or_live
from benchlog.cli.questioned import add_as_read, with_digits, with_questions, with_same_digits
from benchlog.errors import UsageError
from benchlog.reading import Function
from benchlog.result import Verdict
from benchlog.units import parse_quantity, parse_share

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.result import Result, Uncertain


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--reading", metavar="TEXT", help="ohms as displayed; volts with --current")
    parser.add_argument(
        "--accuracy",
        metavar="TEXT",
        help="of that meter, e.g. '0.8 %% + 2' (default: bench file, else assumed)",
    )
    parser.add_argument("--meter", metavar="ID", help="tag of the meter in the bench file")
    parser.add_argument("--lead-null", metavar="TEXT", help="ohms with the tips shorted, e.g. '0.2 ohm'")
    parser.add_argument("--max", metavar="TEXT", help="highest resistance allowed, e.g. '1 ohm'")
    parser.add_argument(
        "--wire", metavar="TEXT", help="wire of a winding or lead: 'AWG 24', 'SWG 22', '0.5 mm'"
    )
    parser.add_argument("--length", metavar="TEXT", help="its length, e.g. '2.4 m'")
    parser.add_argument("--temperature", metavar="TEXT", help="of the copper (default 20 ± 10 degC)")
    four = parser.add_argument_group("four-wire, with a known current")
    four.add_argument("--current", metavar="TEXT", help="test current, e.g. '0.500 A dc'")
    four.add_argument("--current-meter", metavar="ID", help="meter that read the current")
    four.add_argument("--current-accuracy", metavar="TEXT", help="its accuracy")
    more = parser.add_argument_group("limits and meter in detail")
    more.add_argument("--part", metavar="TAG", default="", help="tag of the part, for the record")
    more.add_argument(
        "--tolerance", metavar="TEXT", default="6 %", help="± about the expected resistance (default 6 %%)"
    )
    add_meter_details(more)
    add_as_read(more)


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.checks.continuity import check_continuity

    if (args.wire is None) != (args.length is None):
        raise UsageError("--wire and --length go together", hint='--wire "AWG 24" --length "2.4 m"')
    expected, source = _expected(args) if args.wire else (None, "")
    highest = None
    if args.max:
        highest = parse_quantity(args.max, "ohm", what="highest resistance", above_zero=True).value
    function = Function.DC_VOLTS if args.current else Function.OHMS
    reading = reading_or_live(ctx, args, function)
    null = None
    if args.lead_null:
        null = metered(
            ctx,
            args.lead_null,
            meter=args.meter,
            accuracy=args.accuracy,
            resolution=args.resolution,
            function=Function.OHMS,
            what="lead null",
        )
    current = None
    if args.current:
        current = metered(
            ctx, args.current, meter=args.current_meter, accuracy=args.current_accuracy, what="test current"
        )
    result = check_continuity(
        reading,
        lead_null=null,
        current=current,
        max_ohm=highest,
        expected=expected,
        expected_source=source,
        tolerance=parse_share(args.tolerance, "tolerance"),
    )
    result = msgspec.structs.replace(
        result,
        part=args.part,
        limits_set="typed",
        findings=(*result.findings, *accuracy_findings(ctx, reading, null, current)),
    )
    if result.verdict is Verdict.NOT_DONE:
        result = msgspec.structs.replace(result, reason=f'{result.reason}; add --max "1 ohm"')
    elif result.verdict is not Verdict.PASS and result.limits:
        result = _questioned(result, args, reading, null, current)
    taken = {"reading": reading, "lead null": null, "current": current}
    readings = {use: m for use, m in taken.items() if m is not None}
    if not args.as_read and args.resolution is None:
        result = with_digits(result, readings.values(), ctx.bench())
        result = with_same_digits(result, [reading, null], ctx.bench())
    return ctx.emit(result, readings={use: m.reading for use, m in readings.items()})


def _questioned(
    result: Result,
    args: argparse.Namespace,
    reading: MeterReading,
    null: MeterReading | None,
    current: MeterReading | None,
) -> Result:
    """Ask about slips in a displayed value."""
    from benchlog.checks.continuity import on_display

    wire = result.quantities.get("expected_resistance")
    expect, limits = on_display(wire, result.limits["resistance"], null, current)
    return with_questions(result, reading, expect, limits=limits, as_read=args.as_read)


def _expected(args: argparse.Namespace) -> tuple[Uncertain, str]:
    """Resistance of the wire given, and its source."""
    from benchlog.checks.continuity import copper_resistance
    from benchlog.magnetics.wire import parse_wire

    wire = parse_wire(args.wire)
    length = parse_quantity(args.length, "m", what="length", above_zero=True).value
    celsius = None
    if args.temperature is not None:
        celsius = parse_quantity(args.temperature, "degC", what="temperature").value
    if celsius is not None and not -60 <= celsius <= 250:
        raise UsageError(
            f"copper at {args.temperature!r}: benchlog knows its resistance from -60 to 250 degC",
            hint="check the temperature",
        )
    return copper_resistance(wire, length, celsius)
