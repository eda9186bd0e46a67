"""The record on a screen: entries in a list, one entry, a summary of the logbook."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import msgspec

from benchlog.cli.entry_words import lines, summary
from benchlog.clock import rfc3339
from benchlog.errors import UsageError, did_you_mean
from benchlog.logbook.clock_steps import clock_doubts
from benchlog.logbook.recalled import RECALL_KINDS, Recalls
from benchlog.number_format import format_quantity

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.cli.listing import Listing
    from benchlog.logbook import Entry, Logbook
    from benchlog.reading import Reading

_LINES = 3  #: Most lines of an entry in the list.
#: Kinds with up to several entries per second, and what an entry of each is.
_BULK = {"readings": "blocks of readings", "channel": "meter functions"}


def list_entries(args: argparse.Namespace, ctx: Context) -> int:
    """List entries, newest first."""
    limit = None if args.all else args.limit
    with ctx.open_logbook("ro", create=False) as book:
        if args.kind and args.kind not in book.kinds():
            kinds = book.kinds()
            hint = did_you_mean(args.kind, kinds, f"kinds here: {', '.join(kinds)}")
            raise UsageError(f"no entry of kind {args.kind!r}", hint=hint)
        last = (book.last_session() or (0, False))[0]
        if args.session is not None and not 0 <= args.session <= last:
            here = f"sessions here: 1 to {last}" if last else "no session was begun: session 0 has all"
            raise UsageError(f"there is no session {args.session}", hint=here)
        kinds = [args.kind] if args.kind else [kind for kind in book.kinds() if kind not in _BULK]
        entries = list(book.entries(kinds, session=args.session, newest_first=True, limit=limit))
        superseded = book.superseded()
        recalls = _recalls(book)
        clock = [doubt.words for doubt in clock_doubts(book, ctx.clock.utc_ns())]
    if ctx.json:
        rows = [
            {
                "entry": e.seq,
                "kind": e.kind,
                "session": e.session,
                "time": e.time,
                "summary": summary(e),
                "superseded_by": superseded.get(e.seq),
                "digest": f"sha256:{e.digest}",
            }
            for e in entries
        ]
        facts = {"schema": "benchlog.entries/1", "logbook": str(ctx.logbook_path)}
        ctx.print_json({**facts, "entries": rows, "clock": clock})
        return 0
    _print_entries(ctx.listing, entries, superseded, recalls)
    for words in clock:
        ctx.listing.line(f"! {words}", "bold")
    if limit is not None and len(entries) == limit:
        ctx.listing.line(f"the newest {limit}; --all shows all")
    if args.kind is None and args.session is None and entries:
        hidden = entries[0].seq - entries[-1].seq + 1 - len(entries)
        if hidden:
            what = " or ".join(f"{words} (--kind {kind})" for kind, words in _BULK.items())
            ctx.listing.line(f"not shown: {hidden} entries between these, {what}")
    return 0


def _recalls(book: Logbook) -> Recalls:
    return Recalls(book.entries(RECALL_KINDS))


def _recalled_words(recalls: Recalls, seq: int) -> str:
    """What the most urgent recall says of a result; empty if none does."""
    found = recalls.of(seq)
    return f"recalled in entry {found[0].recall.seq}: {found[0].kind.words}" if found else ""


def _print_entries(
    out: Listing, entries: Sequence[Entry], superseded: Mapping[int, int], recalls: Recalls
) -> None:
    if not entries:
        out.line("none")
    elif not out.narrow:
        out.cut(f"{'entry':>6}  {'time, UTC':16}  what", "bold")
    for e in entries:
        later = superseded.get(e.seq)
        note = f"withdrawn in entry {later}" if later else _recalled_words(recalls, e.seq)
        time, style = e.time[:16].replace("T", " "), "strike" if later else ""
        words = f"({note}) {summary(e)}" if note else summary(e)
        if out.narrow:
            out.under(f"{e.seq}  {time}  {e.kind}", words, style, most=_LINES + bool(note))
        else:
            out.under(f"{e.seq:>6}  {time}", f"{e.kind}: {words}", style, most=_LINES + bool(note))


def show(args: argparse.Namespace, ctx: Context) -> int:
    """Show a summary of the logbook, or one entry in full."""
    with ctx.open_logbook("ro", create=False) as book:
        if args.entry is None:
            return _show_logbook(ctx, book)
        from benchlog.logbook.reader import as_json

        entry = book.entry(args.entry)
        superseded = book.superseded().get(entry.seq)
        if ctx.json:
            ctx.print_json({"schema": "benchlog.entry/1", **as_json(entry), "superseded_by": superseded})
            return 0
        result = book.result(entry.seq) if entry.kind == "result" else None
        recalled = _recalled_words(_recalls(book), entry.seq)
        readings = book.readings_of(entry.seq) if entry.kind == "readings" else []
    out = ctx.listing
    out.line(f"entry {entry.seq}, {entry.kind}, session {entry.session}, {entry.time[:19]}Z", "bold")
    if superseded is not None:
        out.line(f"withdrawn in entry {superseded}", "yellow")
    if recalled:
        out.line(recalled, "yellow")
    if result is not None and not args.long:
        from benchlog.cli.show import show_result

        show_result(ctx.console, msgspec.structs.replace(result, record=None))  # its number is above
    else:
        for line, style in _entry_lines(entry, long=args.long):
            out.line(line, style)
    for reading in readings[:10]:
        out.line(_reading_line(reading))
    if len(readings) > 10:
        out.line(f"  ... and {len(readings) - 10} more readings")
    out.whole(f"digest sha256:{entry.digest}", "dim")
    return 0


def _entry_lines(entry: Entry, *, long: bool) -> Iterator[tuple[str, str]]:
    """Lines of an entry that is not a result, each with its style."""
    if not long:
        from benchlog.cli.entry_details import detail_lines

        if found := detail_lines(entry.kind, entry.body):
            yield from found
            yield "--long shows every field", "dim"
            return
    yield summary(entry), ""
    yield from ((f"  {line}", "dim") for line in lines(entry.body))


def _show_logbook(ctx: Context, book: Logbook) -> int:
    from benchlog.logbook.rows import channel_summary

    first, head = book.entry(1), book.head()
    counts = book.counts()
    channels = channel_summary(book)
    readings = sum(c["count"] + c["not_ok"] for c in channels)
    last = book.last_session()
    facts: dict[str, Any] = {
        "logbook": str(ctx.logbook_path),
        "project": str(first.body.get("project", "")),
        "created": first.time,
        "bytes": ctx.logbook_path.stat().st_size,
        "entries": head.seq,
        "readings": readings,
        "kinds": counts,
        "sessions": last[0] if last else 0,
        "session_open": bool(last and last[1]),
        "head": f"sha256:{head.digest}",
    }
    if ctx.json:
        from benchlog.clock import rfc3339

        times = ("first_time", "last_time")
        rows = [{k: rfc3339(v) if k in times else v for k, v in c.items()} for c in channels]
        ctx.print_json({"schema": "benchlog.summary/1", **facts, "channels": rows})
        return 0

    out = ctx.listing
    out.line(f"{facts['project']}  {facts['logbook']}", "bold")
    out.line(
        f"{head.seq} entries, {readings} readings, {facts['sessions']} sessions"
        f"{' (the last is open)' if facts['session_open'] else ''}, {facts['bytes'] / 1e6:.1f} MB, "
        f"since {first.time[:10]}"
    )
    out.line(f"entries by kind: {', '.join(f'{kind} {count}' for kind, count in counts.items())}")
    _show_channels(out, channels)
    out.whole(f"head {facts['head']}")
    return 0


def _show_channels(out: Listing, channels: Sequence[Mapping[str, Any]]) -> None:
    """Readings of each meter; without a mean, since the tips were on different points."""
    header = ("meter", "function", "readings", "no number", "least", "greatest")
    table: list[Sequence[str]] = []
    for c in channels:
        meter = " ".join(filter(None, (c["instrument"], c["channel"]))) or "not named"
        numbers = ("" if c[k] is None else format_quantity(c[k], c["unit"]) for k in ("minimum", "maximum"))
        table.append((meter, c["function"], str(c["count"]), str(c["not_ok"] or ""), *numbers))
    if table and not out.narrow:
        out.table(header, table, right=header[2:])
    for meter, function, count, no_number, least, greatest in table if out.narrow else ():
        words = ["1 reading" if count == "1" else f"{count} readings"]
        words += [least if least == greatest else f"{least} to {greatest}"] if least else []
        words += [f"{no_number} without a number"] if no_number else []
        out.line(f"{meter} {function}: {', '.join(words)}")


def _reading_line(reading: Reading) -> str:
    words = [
        rfc3339(reading.utc_ns)[11:23],
        reading.instrument,
        reading.channel,
        reading.function,
        reading.displayed,
        *sorted(reading.flags),
    ]
    return "  " + "  ".join(filter(None, words))
