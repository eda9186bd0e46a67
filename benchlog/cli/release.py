"""Release a hold point, or list what is missing.

A hold point is released only if every check it needs has passed on this very part, is current and is not recalled.
--concession overrides the hold; the reason is printed on the certificate.
--taken records that you did the step itself, so that a later recall can name it.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchlog.errors import HoldRefusedError, UsageError
from benchlog.plan import read_plan

if TYPE_CHECKING:
    from benchlog.cli.context import Context


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("plan", metavar="PLAN", help="plan file")
    parser.add_argument("hold", metavar="HOLD", help="id of the hold point")
    parser.add_argument(
        "--concession", metavar="REASON", help="release it although checks are missing, with a reason"
    )
    parser.add_argument("--taken", action="store_true", help="record that the step was taken")
    parser.add_argument("--by", metavar="NAME", default="", help="who releases, for the record")


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.project.evidence import record_plan
    from benchlog.project.release import release_hold, take_step
    from benchlog.project.state import HoldState

    plan = read_plan(Path(args.plan))
    hold = plan.hold(args.hold)
    if args.taken and args.concession is not None:
        raise UsageError(
            "--taken and --concession can't be used together: release first, then record the step"
        )
    answer: dict[str, Any] = {"schema": "benchlog.hold/1", "hold": hold.id, "step": hold.step}
    with ctx.open_logbook() as book:
        record_plan(plan, book)
        first = next(book.entries(("release", "concession"), limit=1), None) is None
        now = ctx.clock.utc_ns()
        try:
            if args.taken:
                ref, word = take_step(plan, book, hold.id, now, by=args.by), HoldState.TAKEN
            else:
                ref, word = release_hold(plan, book, hold.id, now, concession=args.concession, by=args.by)
        except HoldRefusedError as refused:
            if not ctx.json:
                raise
            ctx.print_json({**answer, "released": False, "missing": list(refused.missing)})
            return refused.exit_code
    if ctx.json:
        record = {"logbook": str(ctx.logbook_path), "entry": ref.seq, "digest": f"sha256:{ref.digest}"}
        ctx.print_json({**answer, "released": True, "state": word, "missing": [], "record": record})
        return 0
    if word is not HoldState.TAKEN and (first or not hold.caution):  # once, then a step's own caution
        ctx.console.print(
            "! before the step: unplug it, wait, prove it dead; local rules and licensed practice come first",
            style="bold",
        )
    ctx.console.print(f"{hold.id} {word}: {hold.step}   (entry {ref.seq})")
    if hold.caution:
        ctx.console.print(f"! caution: {hold.caution}", style="bold")
    if word is HoldState.CONCESSION:
        ctx.console.print("The reason is printed on the certificate.")
    return 0
