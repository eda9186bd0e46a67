"""Meter readings given on the command line, with their accuracy."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from benchlog.displayed import parse_displayed
from benchlog.errors import BadFrameError, UsageError
from benchlog.finding import unique
from benchlog.reading import State
from benchlog.units import parse_quantity

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.finding import Finding
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.reading import Function, Reading


def add_meter_details(parser: argparse._ActionsContainer) -> None:
    """Add the rarer options for the meter of a typed reading."""
    parser.add_argument(
        "--resolution", metavar="TEXT", help="one count, e.g. '10 mV' (default: last digit typed)"
    )
    parser.add_argument(
        "--data-sheet-only",
        action="store_true",
        help="use the data sheet alone; don't correct by the meter's check standards and cross-checks on record",
    )
    add_wait_option(parser)


def add_wait_option(parser: argparse._ActionsContainer) -> None:
    """Add the option for slow meters."""
    parser.add_argument(
        "--wait",
        metavar="TIME",
        default="20 s",
        help="how long a linked meter may take to settle, e.g. '60 s'",
    )


def metered(
    ctx: Context,
    text: str,
    *,
    meter: str | None = None,
    accuracy: str | None = None,
    resolution: str | None = None,
    function: Function | None = None,
    what: str = "reading",
) -> MeterReading:
    """Read a typed display and find its accuracy: typed, else from the bench file, else assumed.

    Raises
    ------
    UsageError
        If any part can't be read.
    """
    reading = typed_display(text, meter=meter, resolution=resolution, function=function, what=what)
    return with_accuracy(ctx, reading, accuracy)


def typed_display(
    text: str,
    *,
    meter: str | None = None,
    resolution: str | None = None,
    function: Function | None = None,
    what: str = "reading",
) -> Reading:
    """Read a typed display; a negative one on AC is refused."""
    reading = parse_displayed(text, function, instrument=meter or "", what=what)
    if resolution is not None:
        example = {"V": "10 mV", "A": "1 mA", "ohm": "0.1 ohm"}.get(reading.unit, f"0.1 {reading.unit}")
        step = parse_quantity(resolution, reading.unit, what="resolution", example=example).value
        hint = f"write one step of the last digit, like '{example}'"
        if step <= 0:
            raise UsageError(f"resolution {resolution!r} must be above zero", hint=hint)
        if step > 10 * reading.resolution > 0:
            raise UsageError(f"a display that counts in steps of {resolution} can't show {text!r}", hint=hint)
        reading = parse_displayed(text, function, instrument=meter or "", resolution=step)
    if reading.value is not None and reading.value < 0 and reading.function.coupling == "ac":
        named = "volts" if reading.unit == "V" else "amperes"
        raise UsageError(
            f"{text!r}: AC {named} are not negative",
            hint="read the display again; a minus sign means relative mode, or the dial at DC",
        )
    return reading


def with_accuracy(ctx: Context, reading: Reading, accuracy: str | None = None) -> MeterReading:
    """Combine a reading with its accuracy statement and the meter's known error on record."""
    from benchlog.metrology.accuracy import parse_accuracy
    from benchlog.metrology.meter_reading import MeterReading

    if accuracy is not None:
        return ctx.with_evidence(MeterReading(reading, parse_accuracy(accuracy, function=reading.function)))
    bench = ctx.bench()
    if reading.instrument and bench.instruments:
        try:
            bench.instrument(reading.instrument)  # raises if the tag is unknown: it is probably mistyped
        except UsageError as error:
            hint = f"{error.hint}; or describe it with --accuracy, e.g. '1 % + 5'"
            raise UsageError(error.message, hint=hint) from None
    return ctx.with_evidence(MeterReading(reading, bench.accuracy(reading)))


def accuracy_findings(
    ctx: Context, *metered: MeterReading | None, second: MeterReading | None = None
) -> tuple[Finding, ...]:
    """Findings on accuracy: assumed because it is not stated, or corrected by the record."""
    from benchlog.metrology.meter_reading import correction

    found: list[Finding] = []
    for one in (*metered, second):
        if one is None:
            continue
        tag = one.reading.instrument
        unknown = f" ({tag} is not in the bench file)" if tag and tag not in ctx.bench().instruments else ""
        found += correction(one, unknown, "the second meter" if one is second else "the meter")
    return unique(found)


def live_reading(
    ctx: Context,
    meter: str,
    function: Function | None = None,
    *,
    point: str = "",
    expect: float | None = None,
) -> Reading:
    """Take one settled reading from a linked meter, as in a guided run.

    A simulated meter is first set to the function, and connected to the point if its bench has one of that name.

    Raises
    ------
    InstrumentError
        If the meter can't be reached or does not settle in time.
    UsageError
        If the meter has no link, or is set to another function.
    """
    from benchlog.adapter import Reader
    from benchlog.metrology.meter_reading import no_number_hint
    from benchlog.registry import make_adapter
    from benchlog.simulation import set_up_for
    from benchlog.stable_reading import read_settled

    wait_s = parse_quantity(ctx.args.wait, "s", what="--wait", above_zero=True).value
    instrument = ctx.bench().instrument(meter)
    if not instrument.linked:
        raise UsageError(f"{meter} has no link", hint='type what it shows: --reading "27.75 V ac"')
    adapter = make_adapter(
        instrument.address, meter, clock=ctx.clock, options=dict(instrument.options), kind=instrument.kind
    )
    if not isinstance(adapter, Reader):
        raise UsageError(f"{meter} is not a meter", hint="name a meter of the bench file")
    with adapter:
        set_up_for(adapter, function, point)
        reading = read_settled(adapter, wait_s, expect=expect)
    if reading.state is State.INVALID:
        raise BadFrameError(f"{meter} sends no number", hint=no_number_hint(reading), raw=reading.raw)
    if function is not None and reading.function is not function:
        raise UsageError(
            f"{meter} is set to {reading.function}, not to {function}",
            hint=f"set it to {function} and try again",
        )
    return reading


def reading_or_live(
    ctx: Context, args: argparse.Namespace, function: Function | None = None, expect: float | None = None
) -> MeterReading:
    """Return the typed --reading, else a live one from --meter."""
    if args.reading is not None:
        return metered(
            ctx,
            args.reading,
            meter=args.meter,
            accuracy=args.accuracy,
            resolution=args.resolution,
            function=function
            if function is not None and function.unit == "ohm"
            else None,  # for volts the text says ac or dc
        )
    if args.meter is None:
        raise UsageError("no reading given", hint='give --reading "..." or a linked --meter ID')
    return with_accuracy(
        ctx,
        live_reading(ctx, args.meter, function, point=getattr(args, "part", ""), expect=expect),
        args.accuracy,
    )
