"""The record on a screen: entries in a list, one entry, a summary of the logbook."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchlog.cli.entry_words import lines, summary
from benchlog.clock import rfc3339
from benchlog.units import format_quantity
from benchlog.wording import strip_controls

if TYPE_CHECKING:
    from rich.text import Text

    from benchlog.cli.context import Context
    from benchlog.cli.listing import Listing
    from benchlog.logbook import Entry, Logbook
    from benchlog.reading import Reading

#: Kinds with up to several entries per second.
_BULK = ("readings", "channel")


def list_entries(args: argparse.Namespace, ctx: Context) -> int:
    """List entries, newest first."""
    limit = None if args.all else args.limit
    with ctx.open_logbook("ro", create=False) as book:
        if args.kind and args.kind not in book.kinds():
            from benchlog.errors import UsageError

            raise UsageError(f"no entry of kind {args.kind!r}", hint=f"kinds here: {', '.join(book.kinds())}")
        kinds = [args.kind] if args.kind else [kind for kind in book.kinds() if kind not in _BULK]
        entries = list(book.entries(kinds, session=args.session, newest_first=True, limit=limit))
        superseded = book.superseded()
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
        ctx.print_json({"schema": "benchlog.entries/1", "logbook": str(ctx.logbook_path), "entries": rows})
        return 0
    _print_entries(ctx.listing, entries, superseded)
    if limit is not None and len(entries) == limit:
        ctx.listing.line(f"the newest {limit}; --all shows all, --kind readings the blocks of readings")
    return 0


def _print_entries(out: Listing, entries: Sequence[Entry], superseded: Mapping[int, int]) -> None:
    width = max((len(e.kind) for e in entries), default=4)
    if not out.narrow:
        out.cut(f"{'entry':>6}  {'time, UTC':19}  {'kind':{width}}  what", "bold")
    for e in entries:
        later = superseded.get(e.seq)
        style, note = ("strike", f"(withdrawn in entry {later}) ") if later else ("", "")
        head, what = f"{e.seq:>6}  {e.time[:19].replace('T', ' ')}  {e.kind:{width}}  ", f"{note}{summary(e)}"
        if out.narrow:
            out.line(head.rstrip(), style)
            out.cut(f"        {what}", style)
        else:
            out.cut(f"{head}{what}", style)


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
        readings = book.readings_of(entry.seq) if entry.kind == "readings" else []
    from rich.text import Text

    console = ctx.console
    console.print(
        Text(f"entry {entry.seq}, {entry.kind}, session {entry.session}, {entry.time}", style="bold")
    )
    if superseded is not None:
        console.print(Text(f"withdrawn in entry {superseded}", style="yellow"))
    if result is not None:
        from benchlog.cli.show import show_result

        show_result(console, result)
    else:
        for line in lines(entry.body):
            console.print(Text(line), soft_wrap=True)
    for reading in readings[:10]:
        console.print(_reading_line(reading))
    if len(readings) > 10:
        console.print(f"  ... and {len(readings) - 10} more readings")
    console.print(Text(f"digest sha256:{entry.digest}", style="dim"), soft_wrap=True)
    return 0


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
    out.line(", ".join(f"{count} {kind}" for kind, count in counts.items()))
    if channels:
        header = ("meter", "function", "readings", "no number", "mean", "least", "greatest")
        table: list[Sequence[str]] = []
        for c in channels:
            meter = " ".join(filter(None, (c["instrument"], c["channel"])))
            values = (c[k] for k in ("mean", "minimum", "maximum"))
            numbers = ("" if v is None else format_quantity(v, c["unit"]) for v in values)
            table.append((meter, c["function"], str(c["count"]), str(c["not_ok"]), *numbers))
        out.table(header, table, right=header[2:])
    out.whole(f"head {facts['head']}")
    return 0


def _reading_line(reading: Reading) -> Text:
    from rich.text import Text

    words = [
        rfc3339(reading.utc_ns)[11:23],
        reading.instrument,
        reading.channel,
        reading.function,
        reading.displayed,
    ]
    words += sorted(reading.flags)
    return Text(strip_controls("  " + "  ".join(filter(None, words))))
