"""Commands that show the record to others: verify, export, import, certificate, anchor."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.errors import ConfigError, LogbookDamagedError, UsageError
from benchlog.files import read_bounded

if TYPE_CHECKING:
    from benchlog.bench import Bench
    from benchlog.cli.context import Context
    from benchlog.cli.listing import Listing
    from benchlog.logbook.chain_walk import Fault
    from benchlog.logbook.clock_steps import ClockDoubt
    from benchlog.logbook.verify import Verification


@contextmanager
def _progress(ctx: Context, what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar on a terminal, None elsewhere."""
    from rich.console import Console

    console = Console(stderr=True)
    if ctx.json or not console.is_terminal:
        yield None
        return
    from rich.progress import Progress

    with Progress(console=console, transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def verify(args: argparse.Namespace, ctx: Context) -> int:
    """Report whether anything was altered, removed or reordered."""
    from benchlog.logbook.verify import verify as verify_file

    with _progress(ctx, "verifying") as progress:
        found = verify_file(
            ctx.logbook_path,
            head=[*args.head, *(_noted_heads(Path(args.heads)) if args.heads else ())],
            roots=Path(args.roots) if args.roots else None,
            signers=Path(args.signers) if args.signers else None,
            progress=progress,
        )
    clock = _clock_doubts(ctx) if found.ok else ()
    if ctx.json:
        ctx.print_json(_verification_json(found, clock))
    else:
        _show_verification(ctx.listing, found, clock)
    return 0 if found.ok else 5


def _verification_json(found: Verification, clock: Sequence[ClockDoubt]) -> dict[str, Any]:
    first = found.first
    return {
        "schema": "benchlog.verification/1",
        "logbook": str(found.path),
        "ok": found.ok,
        "entries": found.entries,
        "head": f"sha256:{found.head}" if found.head else None,
        "noted": found.noted or None,
        "beside": list(found.beside),
        "clock": [c.words for c in clock],
        "witnesses": [
            {"entry": w.entry, "upto": w.upto, "trust": str(w.trust), "words": w.words}
            for w in found.witnesses
        ],
        "first": asdict(first) if first else None,
        "faults": [asdict(fault) for fault in found.faults],
    }


def _show_verification(out: Listing, found: Verification, clock: Sequence[ClockDoubt]) -> None:
    whole = found.first is None or found.first.mistyped
    if found.first is not None:
        _show_faults(out, found, found.first)
    else:
        intact = f"● {found.entries} entries are intact, with their readings, samples and attachments"
        out.line(intact, "bold green")
    for doubt in clock:
        out.line(f"  ! {doubt.words}")
    for words in found.beside:
        out.line(f"  {words}")
    for witness in found.witnesses:
        mark = {"good": "●", "unknown": "◐", "false": "▲"}[witness.trust]
        out.whole(f"  {mark} {witness.words}")
    if found.noted:
        for words in found.noted.splitlines():
            out.line(f"  {words}")
    elif found.ok:
        out.line("  to check that no entries were cut off, give an earlier digest with --head DIGEST")
    if found.head:
        stored = "head" if whole else "head as stored (proves nothing now)"
        out.whole(f"  {stored}: sha256:{found.head}")


def _show_faults(out: Listing, found: Verification, first: Fault) -> None:
    about = "" if first.mistyped else "not intact: "
    out.line(f"▲ {about}{first.what}", "bold red")
    for fault in [f for f in found.faults if f is not first][:20]:
        out.line(f"  {fault.what}")
    if len(found.faults) > 21:
        out.line(f"  ... and {len(found.faults) - 21} more; --json lists them")
    if found.head and not first.mistyped:
        out.line("the intact part can be read and exported; keep this file as it is, and compare with a copy")


def _clock_doubts(ctx: Context) -> tuple[ClockDoubt, ...]:
    from benchlog.logbook.clock_steps import clock_doubts

    with ctx.open_logbook("ro", create=False) as book:
        return clock_doubts(book, ctx.clock.utc_ns())


def _noted_heads(path: Path) -> list[str]:
    """Digests in a list of noted ones: one per line with any other text, ``#`` before a remark."""
    try:
        lines = read_bounded(path, 1_000_000).decode("utf-8-sig", "replace").splitlines()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UsageError(f"{path} can't be read: {why}", hint="a text file, one digest per line") from None
    found = [m[0] for line in lines if (m := re.search(r"\b[0-9a-fA-F]{16,64}\b", line.split("#")[0]))]
    if not found:
        raise UsageError(
            f"{path} holds no digest", hint="write one per line: sha256:... and when it was noted"
        )
    return found


def export(args: argparse.Namespace, ctx: Context) -> int:
    """Export; of a damaged logbook the intact part, with a report of the rest."""
    wanted = {name: getattr(args, name) for name in ("csv", "jsonl", "parquet") if getattr(args, name)}
    if not wanted:
        raise UsageError("say where to export to", hint="give --csv DIR, --jsonl DIR or --parquet DIR")
    for name, folder in wanted.items():
        if not (parent := Path(folder).absolute().parent).is_dir():
            raise UsageError(f"there is no folder {parent}", hint=f"make it first, or correct --{name}")
    written: list[str] = []
    damaged: dict[str, int] = {}
    with ctx.open_logbook("ro", create=False) as book:
        for name, folder in wanted.items():
            with _progress(ctx, f"exporting {name}") as progress:
                try:
                    paths = _exporter(name, ctx)(book, Path(folder), progress=progress)
                except LogbookDamagedError:
                    paths = _exporter(name, ctx)(
                        book,
                        Path(folder),
                        progress=progress,
                        on_damage=lambda seq, what: damaged.setdefault(what, seq),
                    )
            written += map(str, paths)
    faults = [{"entry": seq, "what": what} for what, seq in damaged.items()]
    if ctx.json:
        ctx.print_json({"schema": "benchlog.export/1", "written": written, "left_out": faults})
    else:
        for path in written:
            ctx.listing.whole(path)
        if args.csv and not args.jsonl:
            ctx.listing.line("events.csv has a line per entry; every field of them: --jsonl")
        for fault in faults:
            ctx.listing.line(f"▲ left out: {fault['what']}", "red")
    return 5 if faults else 0


def _exporter(name: str, ctx: Context) -> Callable[..., list[Path]]:
    if name == "parquet":
        from benchlog.logbook.parquet import export_parquet

        return export_parquet
    from benchlog.logbook.export import export_csv, export_jsonl

    if name == "jsonl":
        return export_jsonl
    from benchlog.cli.entry_words import summary

    return partial(export_csv, bench=_bench(ctx), words=summary)


def _bench(ctx: Context) -> Bench | None:
    """The bench file; None, with a warning, if it can't be read: the record can still be exported."""
    try:
        return ctx.bench()
    except ConfigError as error:
        ctx.warn(f"readings.csv has no expanded uncertainty: {error}")
        return None


def import_record(args: argparse.Namespace, ctx: Context) -> int:
    """Restore a logbook from its JSON lines."""
    from benchlog.logbook.restore import restore

    made = restore(Path(args.folder), ctx.logbook_path)
    if ctx.json:
        ctx.print_json(
            {
                "schema": "benchlog.import/1",
                "logbook": str(made.path),
                "entries": made.entries,
                "head": f"sha256:{made.head}",
            }
        )
    else:
        ctx.listing.line(
            f"{made.path}: {made.entries} entries, every digest as exported, head sha256:{made.head}"
        )
    return 0


def certificate(args: argparse.Namespace, ctx: Context) -> int:
    """Write the test certificate; for a damaged logbook it lists the intact part and says so."""
    from benchlog.report.certificate import write_certificate

    plan = None
    if args.plan:
        from benchlog.plan import read_plan

        plan = read_plan(Path(args.plan))
    with ctx.open_logbook("ro", create=False) as book:
        written = write_certificate(
            book, Path(args.out), now_utc_ns=ctx.clock.utc_ns(), plan=plan, pdf=args.pdf
        )
    if ctx.json:
        ctx.print_json(
            {
                "schema": "benchlog.certificate/1",
                "written": [str(p) for p in written.paths],
                "headline": written.headline,
                "damaged": written.damaged,
            }
        )
    else:
        for path in written.paths:
            ctx.listing.whole(str(path))
        if not written.clean:
            ctx.listing.line(written.headline)
    return 5 if written.damaged else 0
