"""A kiln controller's checks told on the simulated bench (own invention): every reading comes from a circuit model
through the same adapters, checks and logbook as on a real bench.

Writes plan, bench file, logbook, certificate and exports into --out.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.clock import ManualClock


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    parser.add_argument(
        "--out", metavar="DIR", default="demo", help="folder for what it writes (default demo)"
    )
    parser.add_argument(
        "--seed", metavar="N", type=int, default=1, help="changes the digits, not the logic (default 1)"
    )


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Run the command."""
    import contextlib
    import io
    import time

    from rich.text import Text

    from benchlog.cli import build_parser
    from benchlog.cli.context import run_command
    from benchlog.cli.show import show_brief
    from benchlog.demo.story import Story
    from benchlog.errors import UsageError

    folder = Path(args.out)
    if (folder / "kc1.logbook").exists():
        raise UsageError(
            f"{folder} holds a demo already", hint="choose another folder with --out, or remove it"
        )
    folder.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()

    def say(text: str, style: str) -> None:
        ctx.console.print(Text(text, style=style))

    def command(words: Sequence[str], clock: ManualClock) -> int:
        parsed = build_parser(words[0]).parse_args(list(words))
        if not ctx.json:
            return run_command(parsed, clock=clock, console=ctx.console)
        with contextlib.redirect_stdout(io.StringIO()):
            return run_command(parsed, clock=clock, console=ctx.console)

    with Story(
        folder, args.seed, say=say, show=lambda r: show_brief(ctx.console, r), command=command
    ) as story:
        story.whole()
        verify = story.run("record", "verify")
        certificate = story.run(
            "record", "certificate", "--out", str(folder / "certificate.html"), "--plan", str(story.plan_path)
        )
        story.run("status", str(story.plan_path))
    took = time.monotonic() - began
    if ctx.json:
        ctx.print_json(
            {
                "schema": "benchlog.demo/1",
                "folder": str(folder),
                "seed": args.seed,
                "results": {i: r.verdict for i, r in story.results.items()},
                "verified": verify == 0,
                "certificate": certificate == 0,
                "seconds": round(took, 1),
            }
        )
    else:
        say("", "")
        say(
            f"Told in {took:.0f} s. In {folder}/: plan.toml, bench.toml, kc1.logbook, certificate.html",
            "bold",
        )
    return 0 if verify == 0 else 5
