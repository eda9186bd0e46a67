"""Guided run of a plan: hook-up, expectation, reading, verdict, record, next.

Goes on where the last run stopped. Every reading comes from a linked meter once it is steady, or is typed as
the display shows it. Answer s to a hook-up line to skip it with a reason.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.cli.context import Context


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument("plan", metavar="PLAN", help="plan file")
    parser.add_argument(
        "--check", metavar="ID", action="append", default=[], help="only this check (may be repeated)"
    )
    parser.add_argument("--answers", metavar="FILE", help="take the answers from a file, one a line")


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Run the command."""
    import sys

    from benchlog.cli.show import show_result
    from benchlog.errors import UsageError
    from benchlog.guide.person import FileOfAnswers, Person, Terminal
    from benchlog.guide.run import Guide
    from benchlog.plan import read_plan
    from benchlog.result import Result

    if not ctx.recording:
        raise UsageError("a guided run without a record proves nothing", hint="leave --no-record out")
    plan = read_plan(Path(args.plan))
    # With --json the questions go to standard error, the results as one line each to standard output.
    out = sys.stderr if ctx.json else sys.stdout
    person: Person = Terminal(out=out)
    if args.answers:
        person = FileOfAnswers(Path(args.answers).read_text(encoding="utf-8").splitlines(), out=out)

    def show(result: Result) -> None:
        if ctx.json:
            ctx.print_json(result.to_json())
        else:
            show_result(ctx.console, result)

    with ctx.open_logbook() as book:
        book.begin_session({"plan": args.plan, "project": plan.project.name}, resume=True)
        guide = Guide(plan, ctx.bench(), book, clock=ctx.clock, person=person, show=show)
        verdict = guide.run(args.check)
        book.end_session({} if args.check else guide.close_out())
    return verdict.exit_code
