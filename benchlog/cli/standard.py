"""Check a meter on a standard of known value: against its specification (E_n) and its own earlier readings (chart).

Examples:
  benchlog standard MB-02 CS-3 "5.01 V dc"          one reading, typed
  benchlog standard MA-01 CS-3                      read over the link
  benchlog standard MB-02                           all standards of the bench, one after another
  benchlog standard MB-02 CS-3 "5.01 V dc" --as-left     after a new battery (record it as found first)

You are asked about a value that is 10 or 1000 times off, of the opposite sign, or has other digits than the meter
shows. In a script it ends with exit code 3 and prints the question; read the display again, then add --as-read. If the
meter fails (E_n above 1), results since its last good check are recalled.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

import msgspec

from benchlog.cli.manual_entry import add_wait_option, live_reading, metered, with_accuracy
from benchlog.clock import rfc3339
from benchlog.displayed import function_of
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.reading import Function
from benchlog.result import Record, Result, Verdict
from benchlog.units import parse_quantity

if TYPE_CHECKING:
    from benchlog.bench import Standard
    from benchlog.cli.context import Context
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.project.check_standard import StandardValue
    from benchlog.project.recall import Recall


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("meter", metavar="METER", help="tag of the meter")
    parser.add_argument(
        "standard", metavar="STANDARD", nargs="?", help="tag of the check standard in the bench file"
    )
    parser.add_argument("value", metavar="VALUE", nargs="?", help="what the meter shows, e.g. '5.01 V dc'")
    parser.add_argument("--as-left", action="store_true", help="after a new battery or an adjustment")
    parser.add_argument(
        "--as-read",
        action="store_true",
        help="the display was read again: accept the value although it is 10x off, of the opposite sign or short of digits",
    )
    parser.add_argument("--note", metavar="TEXT", default="", help="kept with the reading")
    parser.add_argument("--plan", metavar="FILE", help="plan, to know which steps can be undone")
    rare = parser.add_argument_group("standard or meter that is not in the bench file")
    rare.add_argument("--nominal", metavar="TEXT", help="value of a standard the bench file doesn't know")
    rare.add_argument(
        "--uncertainty", metavar="TEXT", help="uncertainty of that value, ±, e.g. '0.05 %%' (default 0 %%)"
    )
    rare.add_argument("--accuracy", metavar="TEXT", help="accuracy of a meter the bench file doesn't know")
    rare.add_argument("--resolution", metavar="TEXT", help="one count (default: last digit typed)")
    add_wait_option(rare)
    for option in ("bad", "function", "channel", "range", "error", "repaired", "undo-recall", "reason"):
        parser.add_argument(f"--{option}", help=argparse.SUPPRESS)  # moved to `recall`


def run(args: argparse.Namespace, ctx: Context) -> int:
    if args.bad is not None or args.repaired is not None or args.undo_recall is not None:
        return _as_recall(args, ctx)
    if args.standard is None:
        return _round(args, ctx)
    standard = _standard(args, ctx)
    reading = _reading(args, ctx, standard)
    if not reading.reading.instrument:
        raise UsageError("the meter needs a tag", hint="benchlog standard MA-01 CS-3 ...")
    return _check(args, ctx, standard, reading)


def _as_recall(args: argparse.Namespace, ctx: Context) -> int:
    """Do what `recall` does, for these old options of this command."""
    from benchlog.cli import recall

    if args.undo_recall is not None and not args.undo_recall.isdecimal():
        raise UsageError(f"entry {args.undo_recall!r} is not a number", hint="--undo 57")
    sys.stderr.write(
        f"this is now a separate command: benchlog recall {args.meter}; see benchlog recall --help\n"
    )
    words = {
        name: getattr(args, name) for name in ("function", "channel", "range", "error", "repaired", "plan")
    }
    undo = None if args.undo_recall is None else int(args.undo_recall)
    reason = args.bad if undo is None and args.bad is not None else args.reason or ""
    return recall.run(argparse.Namespace(**words, thing=args.meter, undo=undo, reason=reason), ctx)


def _standard(args: argparse.Namespace, ctx: Context) -> tuple[StandardValue, str]:
    """Return the standard and its function, from the bench file or the options."""
    from benchlog.project.standard_record import standard_value

    if args.nominal is not None:
        nominal = parse_quantity(args.nominal, what="nominal value")
        text = args.uncertainty or "0 %"
        return standard_value(args.standard, args.nominal, text), str(function_of(nominal))
    bench = ctx.bench()
    if not bench.source:
        hint = "--nominal '5.000 V dc' --accuracy '0.5 % + 2' say what they are; benchlog new DIR makes a bench file"
        raise UsageError(
            f"no bench file was read, so {args.standard} and {args.meter} are not known", hint=hint
        )
    return _known(bench.standard(args.standard), args.uncertainty)


def _known(known: Standard, uncertainty: str | None = None) -> tuple[StandardValue, str]:
    from benchlog.project.standard_record import standard_value

    return standard_value(known.tag, known.value, uncertainty or known.uncertainty), str(known.function)


def _reading(args: argparse.Namespace, ctx: Context, standard: tuple[StandardValue, str]) -> MeterReading:
    function = Function(standard[1])
    if args.value is None:
        live = live_reading(ctx, args.meter, function, point=args.standard, expect=standard[0].value)
        return with_accuracy(ctx, live, args.accuracy)
    return metered(
        ctx,
        args.value,
        meter=args.meter,
        accuracy=args.accuracy,
        resolution=args.resolution,
        function=function,
    )


def _round(args: argparse.Namespace, ctx: Context) -> int:
    """Read each standard of the bench in turn, over the link or typed; returns the worst exit code, 3 if one is missing."""
    bench = ctx.bench()
    linked = bench.instrument(args.meter).linked
    if not bench.standards:
        raise UsageError("the bench file lists no check standards", hint="add [[standard]] tables to it")
    codes: list[int] = []
    waiting = list(bench.standards.items())
    while waiting:
        tag, known = waiting.pop(0)
        ask = (
            f"{tag}, {known.value}: set {args.meter} to {known.function}, put its tips on {tag}, press Enter (s skips): "
            if linked
            else f"{tag}, {known.value}: what does {args.meter} show on {known.function} (Enter alone skips)? "
        )
        answer = _asked(ask)
        if answer is None:
            left = ", ".join([tag, *(t for t, _ in waiting)])
            sys.stderr.write(f"the input ended: {left} not read\n")
            codes.append(3)
            break
        if answer == "s" if linked else not answer:
            continue
        one = argparse.Namespace(**{**vars(args), "standard": tag, "value": answer or None})
        standard = _known(known)
        codes.append(_check(one, ctx, standard, _reading(one, ctx, standard), listed=1 in codes))
    if not codes:
        sys.stderr.write(f"no standard was read: {args.meter} was not checked\n")
        return 3
    return 1 if 1 in codes else max(codes)


def _asked(text: str) -> str | None:
    """One line from the user or a pipe, None at its end; later output starts on a new line."""
    sys.stderr.write(text)
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not sys.stdin.isatty():
        sys.stderr.write("\n")
        sys.stderr.flush()
    return line.strip() if line else None


def _check(
    args: argparse.Namespace,
    ctx: Context,
    standard: tuple[StandardValue, str],
    reading: MeterReading,
    *,
    listed: bool = False,
) -> int:
    from benchlog.cli.recall import undoable
    from benchlog.project.check_standard import check_standard, typing_slip
    from benchlog.project.standard_record import record_standard

    while not args.as_read and (slip := typing_slip(reading, standard[0]) or _digits(args, ctx, reading)):
        if not sys.stdin.isatty():
            return _exploratory(ctx, standard[0], reading, slip)
        answer = _asked(f"{slip}\nwhat does the display show (Enter alone: it was read correctly)? ")
        if answer is None:
            return _exploratory(ctx, standard[0], reading, slip)
        if not answer:
            break
        args.value = answer
        reading = _reading(args, ctx, standard)
    value, step = standard[0], ctx.bench().display_step(reading.reading)
    if not ctx.recording:
        history = _history(ctx)
        now = ctx.clock.utc_ns()
        check = check_standard(reading, value, history, now, as_left=args.as_left, step=step)
        return _tell(ctx, check.result(as_left=args.as_left), None)
    with ctx.open_logbook() as book:
        check, ref, recall = record_standard(
            book,
            reading,
            value,
            ctx.clock.utc_ns(),
            as_left=args.as_left,
            note=args.note,
            undoable=undoable(args),
            step=step,
        )
        result = _with_record(ctx, check.result(as_left=args.as_left), ref.seq, ref.digest)
    return _tell(ctx, result, recall, listed=listed)


def _digits(args: argparse.Namespace, ctx: Context, reading: MeterReading) -> str:
    """Doubt about digits: too few of them make the meter pass easily, and its chart coarse for good."""
    return ctx.bench().other_digits(reading.reading) if args.resolution is None else ""


def _exploratory(ctx: Context, standard: StandardValue, reading: MeterReading, slip: str) -> int:
    """Record a reading that may be a slip, if anything is recorded; it is not judged and recalls nothing."""
    from benchlog.project.standard_record import record_exploratory

    meter = reading.reading.instrument
    result = Result(
        check="standard",
        verdict=Verdict.NOT_DONE,
        reason=f"{'recorded but ' if ctx.recording else ''}not judged: {slip}",
        instruments=(meter,),
        functions={meter: str(reading.reading.function)},
        findings=(
            Finding(
                FindingKind.ENTRY,
                "read the display again; if it is the same, give --as-read",
            ),
        ),
        details={"standard": standard.tag, "exploratory": True},
    )
    if ctx.recording:
        with ctx.open_logbook() as book:
            ref = record_exploratory(book, reading, standard, slip)
            result = _with_record(ctx, result, ref.seq, ref.digest)
    return _tell(ctx, result, None)


def _history(ctx: Context) -> list[Any]:
    if not ctx.logbook_path.exists():
        return []
    with ctx.open_logbook("ro", create=False) as book:
        return list(book.entries("standard"))


def _with_record(ctx: Context, result: Result, entry: int, digest: str) -> Result:
    now = rfc3339(ctx.clock.utc_ns())
    record = Record(str(ctx.logbook_path), entry, f"sha256:{digest}")
    return msgspec.structs.replace(result, record=record, time=now)


def _tell(ctx: Context, result: Result, recall: Recall | None, *, listed: bool = False) -> int:
    if ctx.json:
        plain = result.to_json()
        plain["recall"] = None if recall is None else recall.body()
        ctx.print_json(plain)
    else:
        from benchlog.cli.recall import show_recall
        from benchlog.cli.show import show_answer, show_result

        show = show_result if ctx.long else show_answer
        show(ctx.console, result)
        if recall is not None:
            show_recall(ctx, recall, listed=listed)
    return result.overall.exit_code
