"""Mark something as bad: every result that used it is recalled. Or mark it as repaired, or undo a recall.

Examples:
  benchlog recall MB-02 --reason "display frozen, entry 41"
  benchlog recall SC-03 --reason "channel 2 reads high" --channel CH2 --error "4 %"
  benchlog recall "100:1 divider" --reason "one resistor is open" --error "2 %"
  benchlog recall SC-03 --repaired "channel 2 adjusted"
  benchlog recall MB-02 --undo 57 --reason "wrong standard used"

WHAT is a meter, a scope (or one channel or range of it), a generator, a check standard, a divider or a resistor.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.influence import CAPTURE, OUTPUT, TIME_BASE, Influence, Role
from benchlog.number_format import format_quantity
from benchlog.plan import read_plan
from benchlog.reading import Function
from benchlog.result import Result
from benchlog.units import parse_quantity

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.logbook import Logbook
    from benchlog.project.provenance import Blamed
    from benchlog.project.recall import Recall


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "thing", metavar="WHAT", help="its tag, or its name in the budgets, e.g. '100:1 divider'"
    )
    parser.add_argument(
        "--reason", metavar="TEXT", default="", help="what is wrong with it; with --undo: why"
    )
    parser.add_argument(
        "--repaired",
        metavar="TEXT",
        help="what was done; a meter that failed its check standard must also pass it again",
    )
    parser.add_argument("--undo", metavar="ENTRY", type=int, help="undo this recall, by a new entry")
    parser.add_argument(
        "--function",
        metavar="F",
        help="function that is bad: V=, ohm... (default V= of a meter). All functions that share the voltage reference are "
        "recalled together: volts, amperes, diode; so are resistance and continuity",
    )
    parser.add_argument("--channel", metavar="CH", help="channel of a scope (default: any)")
    parser.add_argument("--range", metavar="TEXT", help="full scale of the range, e.g. '0.4 V'")
    parser.add_argument(
        "--error",
        metavar="TEXT",
        help="how much it reads high, or is larger than stated, e.g. '-8 %%' (default: not known)",
    )
    parser.add_argument("--plan", metavar="FILE", help="plan, to know which steps can be undone")


def run(args: argparse.Namespace, ctx: Context) -> int:
    if not ctx.recording:
        raise UsageError("a recall changes the record", hint="leave --no-record out")
    if args.undo is not None:
        return _undo(args, ctx)
    if args.repaired is not None:
        return _repaired(args, ctx)
    if not args.reason.strip():
        raise UsageError("say what is wrong with it", hint='--reason "display frozen"')
    return _recall(args, ctx)


def undoable(args: argparse.Namespace) -> list[str]:
    """Hold points of the plan whose step can be undone."""
    if not args.plan:
        return []

    return [h.id for h in read_plan(Path(args.plan)).holds.values() if not h.irreversible]


def _recall(args: argparse.Namespace, ctx: Context) -> int:
    """Recall because something was found bad, for example by a diagnosis."""
    from benchlog.project.meter_doubt import DOUBT_KINDS, MeterDoubts, last_good
    from benchlog.project.provenance import Blamed
    from benchlog.project.recall import Failure
    from benchlog.project.standard_record import record_recall

    low, high = _error_range(args)
    functions = [*map(str, Function), CAPTURE, TIME_BASE, OUTPUT]
    if args.function is not None and args.function not in functions:
        raise UsageError(f"no function {args.function!r}", hint=f"one of: {', '.join(functions)}")
    full_scale = None if args.range is None else parse_quantity(args.range, "V", what="range").value
    with ctx.open_logbook(create=False) as book, book.transaction():
        name, used = _known(ctx, book, args.thing)
        function = _function(args.function, used)
        _refuse_unused(name, used, args.channel, full_scale)
        good = last_good(book.entries("standard"), name, function) if function else None
        mended = MeterDoubts(book.entries(DOUBT_KINDS)).mended(name, function)
        if not _measured_since(book, mended, Blamed(name, function)):
            mended = 0  # nothing was measured with it since, so the recall is about what was measured before
        failure = Failure(
            name,
            function,
            args.channel or "",
            full_scale,
            last_good=max(good.seq if good is not None else 0, mended),
            found=book.head().seq,
            error_low=low,
            error_high=high,
            why=args.reason,
        )
        recall = record_recall(book, failure, undoable(args))
    if ctx.json:
        ctx.print_json({"schema": "benchlog.recall/1", **recall.body()})
    else:
        show_recall(ctx, recall)
    return 0


def _measured_since(book: Logbook, entry: int, blamed: Blamed) -> bool:
    """Whether a result after an entry was measured with it."""
    from benchlog.project.old_budgets import with_influences
    from benchlog.project.provenance import measured_with

    later = (e for e in book.entries("result") if e.seq > entry)
    return any(measured_with(with_influences(Result.from_json(e.body)), blamed) for e in later)


def _error_range(args: argparse.Namespace) -> tuple[float | None, float | None]:
    """Bounds of the error, from none to the one given; None if not known."""
    error = None if args.error is None else parse_quantity(args.error, "1", what="error").value
    if error and not args.error.rstrip().endswith("%"):
        raise UsageError(f"an error of {args.error} is not in percent", hint="write it like --error '2 %'")
    if error is not None and error <= -1:
        raise UsageError(f"an error of {args.error} is impossible", hint="write it like --error '-8 %'")
    return (None, None) if error is None else (min(0.0, error), max(0.0, error))


def _known(ctx: Context, book: Logbook, text: str) -> tuple[str, list[Influence]]:
    """Return the recorded name of an instrument or part, and its uses.

    Raises
    ------
    UsageError
        If neither bench file nor record knows it: a mistyped tag would recall nothing.
    """
    from benchlog.project.old_budgets import with_influences
    from benchlog.project.provenance import uses

    used: dict[str, list[Influence]] = {tag: [] for tag in ctx.bench().instruments}
    used |= {tag: [] for tag in ctx.bench().standards}
    for entry in book.entries("standard"):
        used.setdefault(str(entry.body["meter"]), [])
        used.setdefault(str(entry.body["standard"]), [])
    for entry in book.entries("result"):
        for use in uses(with_influences(Result.from_json(entry.body))):
            if use.instrument:
                used.setdefault(use.instrument, []).append(use)
    for entry in book.entries(
        "capture"
    ):  # the channels of two that were swapped cancel, and no budget names them
        scope = str(entry.body["instrument"])
        for channel in entry.body["channels"]:
            use = Influence(Role.ONE_RANGE, scope, CAPTURE, str(channel["name"]))
            used.setdefault(scope, []).append(use)
    name = next((name for name in (text, _resistor(text)) if name in used), None)
    if name is None:
        raise UsageError(
            f"{text!r} is neither in the record nor in the bench file",
            hint=f"known: {', '.join(used) or 'nothing yet'}",
        )
    return name, used[name]


def _resistor(text: str) -> str:
    """Return the name of a resistor as in budgets: ``1 kohm load resistor`` is ``1000 ohm load resistor``."""
    for role in Role:
        value = text.removesuffix(f" {role}")
        if role.stated and value != text:
            try:
                return f"{parse_quantity(value, 'ohm').value:g} ohm {role}"
            except UsageError:
                return text
    return text


def _function(asked: str | None, used: list[Influence]) -> str:
    """Return the function found bad: as given, else V= if a function used shares its reference, else all."""
    from benchlog.project.provenance import SHARED_REFERENCE

    if asked is not None:
        return asked
    return "V=" if any(use.function in SHARED_REFERENCE for use in used) else ""


def _refuse_unused(name: str, used: list[Influence], channel: str | None, full_scale: float | None) -> None:
    """Refuse a channel or range that was never used: a mistyped one would recall nothing."""
    import math

    channels = list(dict.fromkeys(use.channel for use in used if use.channel))
    if channel and channels and channel not in channels:
        raise UsageError(
            f"nothing was measured on channel {channel!r} of {name}",
            hint=f"used: {', '.join(sorted(channels))}",
        )
    ranges = list(dict.fromkeys(use.range_max for use in used if use.range_max))
    if full_scale and ranges and not any(math.isclose(full_scale, r, rel_tol=1e-3) for r in ranges):
        shown = ", ".join(format_quantity(r, "V") for r in ranges)
        raise UsageError(
            f"nothing was measured on a range of {format_quantity(full_scale, 'V')} of {name}",
            hint=f"full scales used: {shown}",
        )


def _repaired(args: argparse.Namespace, ctx: Context) -> int:
    """Record that something found bad was repaired, adjusted or replaced."""
    if not args.repaired.strip():
        raise UsageError("say what was done", hint='--repaired "channel 2 adjusted"')

    from benchlog.project.meter_doubt import DOUBT_KINDS, MeterDoubts

    with ctx.open_logbook(create=False) as book, book.transaction():
        name, _ = _known(ctx, book, args.thing)
        before = MeterDoubts(book.entries(DOUBT_KINDS)).of(name)
        ref = book.append("repair", {"meter": name, "reason": args.repaired})
        doubt = MeterDoubts(book.entries(DOUBT_KINDS)).of(name)
    if ctx.json:
        ctx.print_json({"schema": "benchlog.repair/1", "meter": name, "entry": ref.seq})
    else:
        counts = f"results after entry {ref.seq} count; earlier ones stay recalled"
        if before is None:
            counts = f"noted in entry {ref.seq}; it was not in doubt, so no result changes"
        ctx.console.print(f"{name}: {args.repaired}; {doubt.caution if doubt else counts}", markup=False)
    return 0


def _undo(args: argparse.Namespace, ctx: Context) -> int:
    """Undo a recall by a new entry."""
    if not args.reason.strip():
        raise UsageError("to undo a recall, give a reason", hint='--reason "wrong standard used"')
    with ctx.open_logbook(create=False) as book, book.transaction():
        recalls = {e.seq: e for e in book.entries("recall")}
        undone = {int(e.body["entry"]) for e in book.entries("recall undone")}
        if args.undo not in recalls or recalls[args.undo].body["meter"] != args.thing:
            known = ", ".join(str(s) for s, e in recalls.items() if e.body["meter"] == args.thing) or "none"
            raise UsageError(
                f"entry {args.undo} is not a recall of {args.thing}", hint=f"recalls of it: {known}"
            )
        if args.undo in undone:
            raise UsageError(f"recall {args.undo} is already undone")
        ref = book.append("recall undone", {"entry": args.undo, "meter": args.thing, "reason": args.reason})
    if ctx.json:
        ctx.print_json({"schema": "benchlog.recall_undone/1", "entry": ref.seq, "recall": args.undo})
    else:
        ctx.console.print(f"recall {args.undo} undone in entry {ref.seq}", markup=False)
    return 0


def show_recall(ctx: Context, recall: Recall, *, listed: bool = False) -> None:
    """Show the class of each affected result, and why."""
    out, failure = ctx.listing, recall.failure
    out.line(f"Recall of {failure.name}: {failure.why}", "bold")
    if recall.failed_on_it:
        entries = ", ".join(map(str, recall.failed_on_it))
        out.line(
            f"  failed on it but were good: entry {entries} (undo with benchlog recall WHAT --undo ENTRY)"
        )
    if not recall.results:
        known = (
            "nothing more than listed above" if listed else "all results that used it are already recalled"
        )
        out.line(f"  {known if recall.known else 'no result used it'}")
    for r in recall.results:
        name = " ".join(filter(None, (r.check_id or r.check.replace("_", " "), r.part)))
        out.line(f"  entry {r.entry}, {name}: {r.kind.words}", "bold")
        out.line(f"      {r.reason}")
    if recall.holds:
        out.line(f"  hold points released on such results: {', '.join(recall.holds)}", "bold")
