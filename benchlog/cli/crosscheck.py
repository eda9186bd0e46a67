"""Compare two or more meters on one point, or two logged instruments.

Examples:
  benchlog crosscheck --reading MA-01="27.75 V ac" --reading MB-02="27.8 V ac"
  benchlog crosscheck --reading A="5.19 V dc" --accuracy A="0.8 % + 2" \\
      --reading B="5.000 V dc" --accuracy B="0.05 % + 0" --resolution B="1 uV"
  benchlog crosscheck --log both.csv --columns DUT,Ref
  benchlog crosscheck --log a.csv --log b.csv --columns A,B

Give as many readings as you like, in the order you took them; A-B-A shows whether the point itself moved. Three meters
or more show which one is off. Differences are first minus second. For a meter in the bench file its accuracy is taken
from there; ID=live reads a linked meter now.
"""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from benchlog.cli.context import keyed
from benchlog.cli.manual_entry import add_wait_option, live_reading, metered, with_accuracy
from benchlog.cli.questioned import add_as_read, with_digits, with_questions, with_same_digits, with_slip
from benchlog.errors import UsageError
from benchlog.number_format import format_quantity, format_span
from benchlog.reading import Function, Reading
from benchlog.result import Limits, Verdict
from benchlog.units import parse_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from benchlog.capture import Capture
    from benchlog.capture_files import Log
    from benchlog.checks.log_series import Series
    from benchlog.cli.context import Context
    from benchlog.metrology.accuracy import Accuracy
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.result import Result
    from benchlog.signal.waveform import Waveform


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--reading", action="append", metavar="ID=TEXT", help="what a meter shows; repeat, in the order taken"
    )
    parser.add_argument(
        "--accuracy", action="append", metavar="ID=TEXT", help="of a meter, e.g. A='1 %% + 5'"
    )
    parser.add_argument(
        "--log", action="append", metavar="FILE", help="log of both meters; repeat for two files"
    )
    parser.add_argument(
        "--columns", metavar="A,B", help="columns to compare, or their names if the file has none"
    )
    parser.add_argument("--part", metavar="TAG", default="", help="tag of the part, for the record")
    meters = parser.add_argument_group("meters in detail")
    meters.add_argument(
        "--resolution", action="append", metavar="ID=TEXT", help="one count (default: last digit typed)"
    )
    meters.add_argument(
        "--response",
        action="append",
        metavar="ID=KIND",
        help="'true rms' or 'average' (default: from the bench file)",
    )
    add_wait_option(meters)
    add_as_read(meters)
    wave = parser.add_argument_group("waveform of the point, for average-responding meters")
    wave.add_argument("--waveform", metavar="FILE", help="capture of the point")
    wave.add_argument("--channel", metavar="CH", help="channel of the capture")
    wave.add_argument(
        "--sample-interval", metavar="TEXT", help="time between samples, if the capture does not contain it"
    )
    logs = parser.add_argument_group("logs in detail")
    logs.add_argument(
        "--function", metavar="NAME", help="meter function of the log, e.g. V~ (for the bench file)"
    )
    logs.add_argument(
        "--by", metavar="COLUMN", help="column that names the instrument, if each row has one value"
    )
    logs.add_argument("--item", metavar="COLUMN", help="column that names the item measured, with --by")


def run(args: argparse.Namespace, ctx: Context) -> int:
    if bool(args.log) is bool(args.reading):
        raise UsageError(
            "give either readings or a log",
            hint='--reading A="5.01 V dc" --reading B="5.000 V dc", or --log FILE --columns A,B',
        )
    if args.by or args.item:
        return _long_form(args, ctx)
    return _logs(args, ctx) if args.log else _readings(args, ctx)


def _readings(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.checks.crosscheck import check_crosscheck

    accuracy, resolution = _details(args)
    response = keyed(args.response, "--response", "MA-01=average")
    pairs = [_split(text) for text in args.reading]
    tags = list(dict.fromkeys(tag for tag, _ in pairs))
    for option, given in (("--accuracy", accuracy), ("--resolution", resolution), ("--response", response)):
        if stray := [tag for tag in given if tag not in tags]:
            raise UsageError(
                f"{option} is given for {stray[0]}, but it has no --reading",
                hint=f"readings were given for {' and '.join(tags)}",
            )
    response = {tag: _response(ctx, tag, response.get(tag)) for tag in tags}
    readings = [_one(ctx, tag, text, accuracy.get(tag), resolution.get(tag)) for tag, text in pairs]
    waveform, captures = _waveform(args)
    result = check_crosscheck(readings, responses=response, waveform=waveform)
    result = msgspec.structs.replace(result, part=args.part)
    if not args.as_read:
        typed = [m for m in readings if m.reading.instrument not in resolution]
        full = [_in_full(m, ctx) if m in typed else m for m in readings]
        in_full = (
            check_crosscheck(full, responses=response, waveform=waveform) if full != readings else result
        )
        # Digits left out make a reading coarse, and coarse readings agree easily.
        eased = result.verdict is Verdict.PASS and in_full.verdict is not Verdict.PASS
        result = with_digits(result, typed, ctx.bench(), fewer_withhold=eased)
        result = with_same_digits(result, typed, ctx.bench())
    # Nobody knows yet which one is right: compare each with the more accurate one.
    surest = min(readings, key=lambda m: m.settled().standard_uncertainty / max(abs(m.value), 1e-12))
    for other in readings:
        if other.reading.instrument != surest.reading.instrument:
            result = _questioned(result, other, surest, as_read=args.as_read)
    return ctx.emit(result, readings=[m.reading for m in readings], captures=captures)


def _in_full(one: MeterReading, ctx: Context) -> MeterReading:
    """A reading with the last digit that its meter shows there, as far as that is known."""
    step = ctx.bench().display_step(one.reading)
    if step is None or step >= one.reading.resolution:
        return one
    return dataclasses.replace(one, reading=msgspec.structs.replace(one.reading, resolution=step))


def _questioned(result: Result, other: MeterReading, surest: MeterReading, *, as_read: bool) -> Result:
    """Ask about slips: in readings that differ too much, or in a pass with too few digits."""
    than, volt = f"what {surest.reading.instrument} shows", abs(surest.value)
    if result.verdict is Verdict.FAIL:
        return with_questions(result, other, surest.value, than=than, as_read=as_read, second=surest)
    if as_read:
        return result
    return with_slip(result, other, surest.value, Limits(volt / 2, volt * 2, other.reading.unit), than)


def _response(ctx: Context, tag: str, stated: str | None) -> str:
    """Return how a meter measures AC: as stated, else by the bench file; empty if unknown."""
    known = ctx.bench().instruments.get(tag)
    response = stated if stated is not None else (known.response or "" if known is not None else "")
    if response not in ("", "true rms", "average"):
        raise UsageError(
            f"response {response!r} of {tag} is neither 'true rms' nor 'average'",
            hint=f"write --response {tag}=average",
        )
    return response


def _split(text: str) -> tuple[str, str]:
    return next(iter(keyed([text], "--reading", 'MA-01="27.75 V ac"').items()))


def _details(args: argparse.Namespace) -> tuple[dict[str, str], dict[str, str]]:
    """Accuracy and resolution by meter."""
    accuracy = keyed(args.accuracy, "--accuracy", 'MA-01="1 % + 5"')
    return accuracy, keyed(args.resolution, "--resolution", 'MA-01="10 mV"')


def _one(ctx: Context, tag: str, text: str, accuracy: str | None, resolution: str | None) -> MeterReading:
    if text == "live":
        return with_accuracy(ctx, live_reading(ctx, tag), accuracy)
    return metered(ctx, text, meter=tag, accuracy=accuracy, resolution=resolution)


def _waveform(args: argparse.Namespace) -> tuple[Waveform | None, list[Capture]]:
    if not args.waveform:
        return None, []
    from benchlog.capture_files import load_capture
    from benchlog.signal.waveform import measure_channel

    interval = parse_quantity(args.sample_interval, "s").value if args.sample_interval else None
    capture = load_capture(args.waveform, sample_interval_s=interval)
    if args.channel is None and len(capture.channels) > 1:
        raise UsageError(
            "which channel of the capture?", hint=f"--channel, one of {', '.join(capture.names)}"
        )
    channel = capture.channel(args.channel or capture.names[0])
    return measure_channel(capture, channel.name), [capture]


def _names(args: argparse.Namespace) -> list[str] | None:
    return [name.strip() for name in args.columns.split(",")] if args.columns else None


def _logs(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.checks.agreement import check_agreement

    if len(args.log) > 2:
        raise UsageError(f"{len(args.log)} logs are too many", hint="compare two at a time")
    first, second, notes, indexed = _series(args)
    first, second = (_with_accuracy(args, ctx, series) for series in (first, second))
    result = check_agreement(first, second, same_clock=len(args.log) == 1, notes=notes, index_only=indexed)
    return ctx.emit(msgspec.structs.replace(result, part=args.part), show=_show_agreement)


def _show_agreement(console: Console, result: Result) -> None:
    """Print details beyond the usual form: spread, drift, difference at each level."""
    from rich.table import Table

    found = result.details
    unit, span = found["unit"], found["limits_of_agreement"]
    hourly = found["drift_per_s"]["least_squares"] * 3600
    console.print(
        f"  {found['n']} pairs: scatter (sd) {format_quantity(found['scatter'], unit)}, limits of agreement "
        f"{format_span(span['low'], span['high'], unit)}, drift "
        f"{format_quantity(hourly, unit)} per hour"
    )
    if not found["steps"]:
        return
    a, b = found["minuend"], found["subtrahend"]
    table = Table(box=None, padding=(0, 2, 0, 2))
    for title in ("at rest until", a, b, "difference"):
        table.add_column(title, justify="right")
    for step in found["steps"]:
        table.add_row(
            f"{step['end_s']:.0f} s",
            *(format_quantity(step[key], unit, 5) for key in (a, b)),
            format_quantity(step["difference"], unit),
        )
    console.print(table)


def _series(args: argparse.Namespace) -> tuple[Series, Series, list[str], bool]:
    """Read the two columns, of one log or of two."""
    from benchlog.capture_files import load_log
    from benchlog.checks.log_series import Series

    names = _names(args)
    if names is not None and len(names) != 2:
        raise UsageError(
            f"--columns {args.columns} names {len(names)} columns", hint="name two: --columns A,B"
        )
    if len(args.log) == 1:
        log = load_log(args.log[0], names)
        if len(log.columns) != 2:
            raise UsageError(
                f"{Path(args.log[0]).name} has {len(log.columns)} columns",
                hint=f"choose two with --columns: {', '.join(log.columns)}",
            )
        a, b = (Series(name, log.time_s, log.columns[name], log.units[name]) for name in log.columns)
        return a, b, list(log.notes), log.indexed
    return _two_logs([load_log(path, [names[i]] if names else None) for i, path in enumerate(args.log)])


def _two_logs(logs: Sequence[Log]) -> tuple[Series, Series, list[str], bool]:
    """Take one column of each log, with a common zero of time if both are dated."""
    from benchlog.checks.log_series import Series

    out = []
    starts = [log.utc_ns or 0 for log in logs]
    # If both files are dated, times count from one moment; else the offset has to be estimated.
    shift = (starts[1] - starts[0]) / 1e9 if all(starts) else _local_shift(logs[0].start, logs[1].start)
    for i, log in enumerate(logs):
        if len(log.columns) != 1:
            raise UsageError(
                f"{Path(log.source).name} has {len(log.columns)} columns",
                hint=f"choose one per file with --columns: {', '.join(log.columns)}",
            )
        column = next(iter(log.columns))
        clash = column in logs[1 - i].columns
        name = Path(log.source).stem if clash else column
        out.append(Series(name, log.time_s + (shift if i else 0.0), log.columns[column], log.units[column]))
    notes = [f"{Path(log.source).name}: {note}" for log in logs for note in log.notes]
    return out[0], out[1], notes, all(log.indexed for log in logs)


def _local_shift(first: str, second: str) -> float:
    """Seconds from one start to the other if both are dated without a time zone; else 0."""
    from datetime import datetime

    if len(first) < 20 or len(second) < 20 or first.endswith("Z") is not second.endswith("Z"):
        return 0.0
    a, b = (datetime.fromisoformat(text.rstrip("Z")[:26]) for text in (first, second))
    return (b - a).total_seconds()


def _with_accuracy(args: argparse.Namespace, ctx: Context, series: Series) -> Series:
    """Add accuracy and count: typed, else from the bench file if the column is named after a meter."""
    from benchlog.metrology.accuracy import parse_accuracy

    accuracy, resolution = _details(args)
    statement: Accuracy | None = None
    if series.name in accuracy:
        statement = parse_accuracy(accuracy[series.name])
    else:
        statement = _from_bench(args, ctx, series)
    count = 0.0
    if series.name in resolution:
        count = parse_quantity(resolution[series.name], series.unit or None, what="resolution").value
    return dataclasses.replace(series, accuracy=statement, resolution=count)


def _from_bench(args: argparse.Namespace, ctx: Context, series: Series) -> Accuracy | None:
    import numpy as np

    instrument = ctx.bench().instruments.get(series.name)
    if instrument is None:
        return None
    functions = {line.function for line in instrument.accuracy}
    if args.function:
        if args.function not in {str(f) for f in Function}:
            raise UsageError(
                f"no meter function {args.function!r}", hint=f"one of {', '.join(str(f) for f in Function)}"
            )
        functions &= {Function(args.function)}
    elif series.unit:
        functions = {f for f in functions if f.unit == series.unit}
    if len(functions) != 1:
        raise UsageError(f"which function of {series.name} was logged?", hint="give it, e.g. --function V~")
    function = functions.pop()
    top = float(np.nanmax(np.abs(series.values)))
    return ctx.bench().accuracy(Reading(function, top, 0.0, "", instrument=series.name))


def _long_form(args: argparse.Namespace, ctx: Context) -> int:
    """Compare instruments named in one column over items named in another."""
    from benchlog.capture_files import load_log
    from benchlog.checks.probe_bias import check_probe_bias

    names = _names(args)
    if not args.log or len(args.log) != 1 or not args.by or not args.item or not names or len(names) != 1:
        raise UsageError(
            "--by and --item go with one log and one column of values",
            hint="--log FILE --columns VALUE --by METER --item PART",
        )
    items: Sequence[str] = [c.strip() for c in args.item.split(",")]
    log = load_log(args.log[0])
    values, by = log.column(names[0]), log.column(args.by)
    unit = log.units[log.aliases.get(names[0], names[0])]
    keys = [tuple(f"{v:g}" for v in row) for row in zip(*(log.column(c) for c in items), strict=True)]
    result = check_probe_bias(values, [f"{v:g}" for v in by], ["/".join(k) for k in keys], unit)
    return ctx.emit(msgspec.structs.replace(result, part=args.part))
