"""Live readings: do the meters on one point agree, which one is in doubt, and how to find out.

Records the linked meters of the bench file, or those you name (tags, or addresses such as sim:MA-01). For a meter
without a link press t and type what it shows, or send lines like MB-02=27.8 V ac on standard input. q stops.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.units import parse_quantity

if TYPE_CHECKING:
    from benchlog.adapter import Reader
    from benchlog.cli.context import Context
    from benchlog.dashboard.collector import Collector
    from benchlog.dashboard.model import Snapshot
    from benchlog.logbook import Logbook
    from benchlog.recorder import Recorder


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "instrument", metavar="INSTRUMENT", nargs="*", help="tags or addresses (default: all meters)"
    )
    parser.add_argument(
        "--group",
        metavar="NAME=TAG,TAG",
        action="append",
        default=[],
        help="meters on one point, which must agree; repeat for more groups",
    )
    parser.add_argument("--plain", action="store_true", help="print changes as text")
    parser.add_argument("--once", action="store_true", help="show one screen and end")
    parser.add_argument("--for", metavar="TIME", dest="span", help="stop after this time, e.g. '60 s'")


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.cli.watch_meters import groups_of, instruments, known_doubts, readers
    from benchlog.cli.watch_session import WatchSession
    from benchlog.dashboard.collector import Collector

    span_s = _span_s(args.span)
    bench, linked, typed = instruments(args.instrument, ctx)
    groups = groups_of(args.group, bench, [*linked, *typed])
    for tag in [tag for group in groups for tag in group.tags]:  # watched too
        if tag not in (*linked, *typed):
            instrument = bench.instrument(tag)
            if instrument.linked:
                linked[tag] = (instrument.address, dict(instrument.options))
            else:
                typed.append(tag)
    meters = readers(linked, ctx)
    known, before = known_doubts(ctx, [*linked, *typed], groups)
    with ExitStack() as stack:
        book = stack.enter_context(_logbook(ctx))
        collector = Collector(
            bench,
            groups,
            clock=ctx.clock,
            linked=list(linked),
            typed=typed,
            known=known,
            before=before,
            target=str(ctx.logbook_path) if ctx.recording else "",
        )
        recorder = stack.enter_context(_recorder(meters, book, collector, ctx)) if meters else None
        session = WatchSession(args, ctx, collector, recorder, book, typed, span_s, before)
        try:
            with _ended_by_a_signal():
                last = session.once() if args.once else session.follow()
        except KeyboardInterrupt:  # the usual way to stop if keys can't be read
            last = session.picture()
        if recorder is not None:
            recorder.stop()  # write everything before the final report
        session.finish(last)
    return exit_code(last)


def _span_s(text: str | None) -> float | None:
    """How long to watch, second; None until stopped."""
    if text is None:
        return None

    span_s = parse_quantity(text, "s", what="--for").value
    if span_s <= 0:
        raise UsageError(f"--for {text!r} must be above zero", hint="write it like --for '60 s'")
    return span_s


def _recorder(meters: list[Reader], book: Logbook, collector: Collector, ctx: Context) -> Recorder:
    from benchlog.recorder import Recorder

    return Recorder(
        book,
        meters,
        clock=ctx.clock,
        on_reading=collector.take,
        on_commit=collector.committed,
        on_error=collector.error,
    )


@contextmanager
def _ended_by_a_signal() -> Iterator[None]:
    """Treat a termination signal like Ctrl-C, so that terminal and logbook are closed properly."""
    import signal
    import threading

    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def exit_code(snapshot: Snapshot) -> int:
    """Exit code of the last snapshot: 4 before 3 before 0."""
    if any(meter.state in ("silent", "waiting") and not meter.by_hand for meter in snapshot.meters):
        return 4
    return 3 if snapshot.suspects or any(group.undecided for group in snapshot.groups) else 0


@contextmanager
def _logbook(ctx: Context) -> Iterator[Logbook]:
    """Open the logbook; with --no-record a temporary one, so that the recorder works the same."""
    import tempfile

    from benchlog.logbook import Logbook

    if ctx.recording:
        with ctx.open_logbook() as book:
            yield book
    else:
        with (
            tempfile.TemporaryDirectory(prefix="benchlog-watch-") as folder,
            Logbook.open(Path(folder) / "unrecorded.logbook", clock=ctx.clock) as book,
        ):
            yield book
