"""Entries written by hand: notes, files, corrections."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import UsageError

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.logbook import EntryRef


def _done(ctx: Context, ref: EntryRef, what: str) -> int:
    if ctx.json:
        record = {"logbook": str(ctx.logbook_path), "entry": ref.seq, "digest": f"sha256:{ref.digest}"}
        ctx.print_json({"schema": "benchlog.recorded/1", "record": record})
    else:
        ctx.console.print(f"entry {ref.seq}: {what}")
    return 0


def note(args: argparse.Namespace, ctx: Context) -> int:
    """Record a note."""
    if not args.text.strip():
        raise UsageError(
            "the note is empty", hint='write it in quotes: benchlog record note "lamp at TP4 was loose"'
        )
    body = {"text": args.text, **({"about": args.about} if args.about else {})}
    with ctx.open_logbook() as book:
        return _done(ctx, book.append("note", body), "noted")


def attach(args: argparse.Namespace, ctx: Context) -> int:
    """Keep a file."""
    with ctx.open_logbook() as book:
        ref = book.attach(Path(args.file), args.name, args.about)
        body = book.entry(ref.seq).body
    return _done(ctx, ref, f"{body['name']}, sha256:{body['sha256']}")


def supersede(args: argparse.Namespace, ctx: Context) -> int:
    """Declare an entry wrong."""
    with ctx.open_logbook(create=False) as book:
        return _done(
            ctx,
            book.supersede(args.entry, args.reason, replacement=args.by),
            f"entry {args.entry} is withdrawn",
        )
