"""Context of every command: options, clock, consoles, bench, logbook, and how results are shown."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.clock import Clock, SystemClock
from benchlog.errors import BenchlogError, UsageError, error_text

if TYPE_CHECKING:
    from rich.console import Console

    from benchlog.bench import Bench
    from benchlog.capture import Capture
    from benchlog.cli.listing import Listing
    from benchlog.cli.thumbnail import Waveforms
    from benchlog.logbook import Logbook
    from benchlog.metrology.meter_reading import MeterReading
    from benchlog.reading import Reading
    from benchlog.result import Result

DEFAULT_LOGBOOK = "bench.logbook"
DEFAULT_BENCH = "bench.toml"
_FILE_HINT = "check the path and its permissions" + (
    '; Windows takes no < > : " | ? * in a name, nor names like CON, AUX, NUL and COM1'
    if os.name == "nt"
    else ""
)


def default_bench() -> Bench:
    """Read bench.toml here if there is one, else an empty bench."""
    from benchlog.bench import Bench, read_bench

    path = Path(DEFAULT_BENCH)
    return read_bench(path) if path.exists() else Bench()


class Context:
    """Context of one command.

    Parameters
    ----------
    args : argparse.Namespace
        Parsed options, the common ones included.
    clock : Clock, optional
        The computer's own by default.
    env : mapping, optional
        Environment variables.
    """

    def __init__(
        self, args: argparse.Namespace, *, clock: Clock | None = None, env: Mapping[str, str] | None = None
    ) -> None:
        self.args = args
        self.clock: Clock = clock or SystemClock()
        self.env = os.environ if env is None else env
        self.json: bool = bool(getattr(args, "json", False))
        self.long: bool = bool(getattr(args, "long", False))
        self.shares_console = False

    @cached_property
    def console(self) -> Console:
        """Rich console on standard output; with --json on standard error, so that stdout has only JSON."""
        from benchlog.cli.screen import Screen

        return Screen(stderr=self.json, highlight=False, soft_wrap=False, markup=False, emoji=False)

    @cached_property
    def listing(self) -> Listing:
        """Plain lines and tables on standard output, for commands that must be fast."""
        from benchlog.cli.listing import on_console, on_stream

        return on_console(self.console) if self.shares_console else on_stream(sys.stdout, self.env)

    @property
    def logbook_path(self) -> Path:
        """Logbook file: --logbook, else BENCHLOG_LOGBOOK, else the only *.logbook here, else bench.logbook."""
        if named := self.args.logbook or self.env.get("BENCHLOG_LOGBOOK"):
            return Path(named)
        here = [name for name in os.listdir() if name.endswith(".logbook")]
        return Path(here[0] if len(here) == 1 else DEFAULT_LOGBOOK)

    @property
    def recording(self) -> bool:
        """Whether the command writes into the logbook."""
        return not getattr(self.args, "no_record", False)

    def bench(self) -> Bench:
        """Read the bench file: --bench, else bench.toml here if there is one, else an empty bench."""
        if self.args.bench:
            from benchlog.bench import read_bench

            return read_bench(Path(self.args.bench))
        return default_bench()

    def open_logbook(self, mode: str = "rw", *, create: bool = True) -> Logbook:
        """Open the logbook; close it, or use it as a context manager. One to write in that was altered is named."""
        from benchlog.logbook import Logbook

        book = Logbook.open(self.logbook_path, clock=self.clock, mode=mode, create=create)
        if mode == "rw" and (altered := book.first_altered()) is not None:
            self.warn(
                f"entry {altered} of {self.logbook_path} was altered; `benchlog record verify` says more"
            )
        book.on_wait = lambda: sys.stderr.write(
            f"waiting up to {book.busy_timeout_s:g} s: another program is writing to {self.logbook_path}\n"
        )
        return book

    def warn(self, text: str) -> None:
        """Say on standard error what the answer leaves out."""
        from benchlog.wording import strip_controls

        sys.stderr.write(error_text("!", strip_controls(text), "", sys.stderr))

    def print_json(self, value: Any) -> None:
        """Write one JSON value on one line to standard output, in ASCII, so that no pipe garbles it."""
        sys.stdout.write(json.dumps(value, allow_nan=False) + "\n")
        sys.stdout.flush()

    def emit(
        self,
        result: Result,
        *,
        readings: Sequence[Reading] | Mapping[str, Reading] = (),
        captures: Sequence[Capture] = (),
        waveforms: Waveforms | None = None,
        show: Callable[[Console, Result], None] | None = None,
    ) -> int:
        """Record a result with its evidence, show it, and return the exit code.

        Parameters
        ----------
        result : Result
            The check's result.
        readings, captures : sequence
            Evidence that is not in the logbook yet; readings may be a mapping from what each is to the check.
        waveforms : Waveforms, optional
            To draw with the answer.
        show : callable, optional
            Prints more than the usual form.
        """
        from benchlog.metrology.next_best import with_next_best

        result = with_next_best(self._doubted(result))
        if self.recording:
            result = self.record(result, readings=readings, captures=captures)
        if self.json:
            self.print_json(result.to_json())
        else:
            from benchlog.cli.show import show_answer, show_result, show_waveforms

            if self.long:
                show_result(self.console, result)
                if show is not None:
                    show(self.console, result)
                if waveforms is not None:
                    show_waveforms(self.console, result, waveforms)
            else:
                show_answer(self.console, result, waveforms=waveforms)
        return result.overall.exit_code

    def _doubted(self, result: Result) -> Result:
        """Make the verdict indeterminate if a meter of the result failed its check standard."""
        from benchlog.project.meter_doubt import DOUBT_KINDS, MeterDoubts, with_doubt

        if not self.logbook_path.exists():
            return result
        with self.open_logbook("ro", create=False) as book:
            doubts = MeterDoubts(book.entries(DOUBT_KINDS))
        return with_doubt(result, doubts.behind(result))

    def with_evidence(self, metered: MeterReading) -> MeterReading:
        """Add the meter's known error from the record, for commands that use it."""
        instrument = self.bench().instruments.get(metered.reading.instrument)
        aside = getattr(self.args, "data_sheet_only", True) or (instrument and instrument.data_sheet_only)
        if aside or not metered.reading.instrument or not self.logbook_path.exists():
            return metered
        from benchlog.project.meter_doubt import EVIDENCE_KINDS
        from benchlog.project.meter_evidence import with_evidence

        with self.open_logbook("ro", create=False) as book:
            return with_evidence(metered, book.entries(EVIDENCE_KINDS), self.clock.utc_ns())

    def record(
        self,
        result: Result,
        *,
        readings: Sequence[Reading] | Mapping[str, Reading] = (),
        captures: Sequence[Capture] = (),
    ) -> Result:
        """Write a result and its evidence into the logbook; returns it with its entry."""
        from benchlog.project.evidence import record_result

        with self.open_logbook() as book:
            return record_result(
                book,
                self.clock,
                result,
                readings=readings,
                captures=captures,
                simulated=any(i.tag in result.instruments for i in self.bench().simulated),
            )


def keyed(pairs: Sequence[str] | None, option: str, example: str) -> dict[str, str]:
    """Split repeated ``ID=value`` options into a dict, keeping their order; `example` shows how to write one.

    Raises
    ------
    UsageError
        If one has no ``=``, or an id comes twice.
    """
    found: dict[str, str] = {}
    for pair in pairs or ():
        key, equals, value = pair.partition("=")
        if not equals or not key or not value:
            raise UsageError(f"{option} {pair!r} is not NAME=VALUE", hint=f"write it like {option} {example}")
        if key in found:
            raise UsageError(f"{option}: {key} is given twice")
        found[key] = value
    return found


def run_command(
    args: argparse.Namespace, *, clock: Clock | None = None, console: Console | None = None
) -> int:
    """Call the command, turn errors into one clear message with a hint and the right exit code.

    Parameters
    ----------
    args : argparse.Namespace
        As parsed.
    clock, console : optional
        For callers with their own clock or screen.
    """
    ctx = Context(args, clock=clock)
    if console is not None:
        ctx.console, ctx.shares_console = console, True
    try:
        code: int = args.run(args, ctx)
        sys.stdout.flush()
        return code
    except KeyboardInterrupt:
        return _report(ctx, "stopped from the keyboard", "", 130)
    except BrokenPipeError:  # not a file error: see `benchlog.cli.main`
        raise
    except Exception as error:
        if args.debug:
            raise
        return _report(ctx, *_explained(error))


def _explained(error: Exception) -> tuple[str, str, int]:
    """Message, hint and exit code for an error that stopped a command."""
    if isinstance(error, BenchlogError):
        return str(error), error.hint, error.exit_code
    if isinstance(error, UnicodeDecodeError):  # only standard input can raise this
        return f"standard input is not UTF-8 text: {error.reason}", "write UTF-8 into the pipe", 2
    if isinstance(error, RecursionError):
        return "the input is nested too deeply", "", 2
    if isinstance(error, OSError):
        where = f" {error.filename}" if error.filename else ""
        return f"file{where}: {error.strerror or error}", _FILE_HINT, 2
    what = f"an error in benchlog itself: {type(error).__name__}: {str(error)[:200]}"
    return what, "everything recorded before is kept; --debug shows where it happened", 2


def _report(ctx: Context, message: str, hint: str, exit_code: int) -> int:
    if ctx.json:
        ctx.print_json({"schema": "benchlog.error/1", "error": message, "hint": hint, "exit_code": exit_code})
    else:
        from benchlog.wording import strip_controls

        out = sys.stderr if not ctx.shares_console else sys.stdout
        plain = "\n".join(map(strip_controls, message.splitlines()))
        out.write(error_text("benchlog", plain, strip_controls(hint), out))
    return exit_code
