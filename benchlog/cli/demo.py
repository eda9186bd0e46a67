"""The checks of a kiln controller, on a simulated bench.

Every reading comes from a circuit model through the same adapters, checks and logbook as on a real bench.

Writes plan, bench file, logbook, certificate and exports into --out.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.cli.context import run_command
from benchlog.errors import UsageError
from benchlog.keyboard import END, ENTER, single_keys

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.clock import ManualClock


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", metavar="DIR", help="folder for what it writes (default demo, demo-2...)")
    parser.add_argument(
        "--pace",
        choices=("step", "run", "real"),
        type=lambda word: "run" if word == "told" else word,  # its old name
        help="step: wait for Enter at each step (default on a terminal); run: don't wait (default elsewhere); "
        "real: you take each step yourself",
    )
    parser.add_argument("--short", action="store_true", help="only the four main jobs, in a minute")
    parser.add_argument("--check", metavar="ID", help="one check of the story only, e.g. C03")
    parser.add_argument("--seed", metavar="N", type=int, default=1, help=argparse.SUPPRESS)


def run(args: argparse.Namespace, ctx: Context) -> int:
    from benchlog.cli.show import show_brief
    from benchlog.demo.story import Story
    from benchlog.guide.terminal import Terminal

    if args.pace == "real" and ctx.json:
        raise UsageError("--pace real and --json can't be used together", hint="leave one of them out")
    if args.short and args.check:
        raise UsageError("--short and --check can't be used together", hint="leave one of them out")
    folder = _folder(args.out)
    say, command = _voice(ctx)
    began = time.monotonic()
    with contextlib.ExitStack() as stack:
        pause = stack.enter_context(_pauses(ctx, args.pace))
        story = stack.enter_context(
            Story(
                folder,
                args.seed,
                say=say,
                show=lambda result: show_brief(ctx.console, result),
                command=command,
                person=stack.enter_context(Terminal()) if args.pace == "real" else None,
                console=ctx.console,
                pause=pause,
            )
        )
        if args.short:
            story.short()
        elif args.check:
            story.only(args.check)
        else:
            story.whole()
        verify = story.run("record", "verify")
        page = str(folder / "certificate.html")
        certificate = story.run("record", "certificate", "--out", page, "--plan", str(story.plan_path))
        exports = str(folder / "exports")
        exported = 0 if args.short else story.run("record", "export", "--csv", exports, "--jsonl", exports)
        if not (args.check or args.short):
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
                "exported": exported == 0,
                "seconds": round(took, 1),
            }
        )
    else:
        say("", "")
        say(
            f"Done in {took:.0f} s. In {folder}/: certificate.html, kc1.logbook, plan.toml, bench.toml"
            f"{'' if args.short else ', exports/'}",
            "bold",
        )
    return 0 if verify == 0 else 5


@contextmanager
def _pauses(ctx: Context, pace: str | None) -> Iterator[Callable[[], object]]:
    """How the demo waits between steps: for a key on a terminal, else not at all."""
    asked = pace == "step" or (pace is None and sys.stdout.isatty() and not ctx.json)
    with single_keys(sys.stdin if asked else None) as keys:
        if keys is None:
            yield lambda: None
            return

        def pause() -> None:
            keys.drop()
            sys.stdout.write("[Enter goes on, q ends] ")
            sys.stdout.flush()
            while (key := keys.next()) not in (ENTER, " ", "q", "Q", END):
                pass
            sys.stdout.write("\r\x1b[2K")
            sys.stdout.flush()
            if key in ("q", "Q", END):
                raise KeyboardInterrupt

        yield pause


def _folder(asked: str | None) -> Path:
    """Make the output folder: the one asked for, else the first of demo, demo-2... without a demo.

    Raises
    ------
    UsageError
        If the folder asked for holds a demo already.
    """
    if asked is not None:
        folder = Path(asked)
        if (folder / "kc1.logbook").exists():
            raise UsageError(f"{folder} already holds a demo", hint="choose another folder, or remove it")
    else:
        names = ("demo", *(f"demo-{number}" for number in range(2, 1000)))
        folder = next(Path(name) for name in names if not (Path(name) / "kc1.logbook").exists())
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _voice(ctx: Context) -> tuple[Callable[[str, str], None], Callable[[Sequence[str], ManualClock], int]]:
    """Shows text and runs commands on the context's console; with --json no command writes to stdout."""
    from rich.text import Text

    from benchlog.cli import build_parser
    from benchlog.guide.prompt_keys import folded

    def say(text: str, style: str) -> None:
        ctx.console.print(Text(folded(text, ctx.console.width), style=style))

    def command(words: Sequence[str], clock: ManualClock) -> int:
        parsed = build_parser(words[0]).parse_args(list(words))
        with contextlib.redirect_stdout(io.StringIO()) if ctx.json else contextlib.nullcontext():
            return run_command(parsed, clock=clock, console=ctx.console)

    return say, command
