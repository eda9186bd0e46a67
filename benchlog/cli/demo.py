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
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from benchlog.cli.context import run_command
from benchlog.errors import UsageError
from benchlog.keyboard import END, ENTER, single_keys

if TYPE_CHECKING:
    from rich.console import Console

    from benchlog.cli.context import Context
    from benchlog.clock import ManualClock
    from benchlog.keyboard import Keys

P = ParamSpec("P")
T = TypeVar("T")


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
    began = time.monotonic()
    with contextlib.ExitStack() as stack:
        asked = args.pace == "step" or (args.pace is None and sys.stdout.isatty() and not ctx.json)
        pages = _Pages(ctx.console, stack.enter_context(single_keys(sys.stdin if asked else None)))
        say = pages.say
        story = stack.enter_context(
            Story(
                folder,
                args.seed,
                say=say,
                show=pages.shown(partial(show_brief, ctx.console)),
                command=pages.shown(partial(_command, ctx)),
                person=stack.enter_context(Terminal()) if args.pace == "real" else None,
                console=ctx.console,
                pause=pages.wait,
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


class _Pages:
    """Shows text; with keys it waits for one between steps, and where the screen is full."""

    def __init__(self, console: Console, keys: Keys | None) -> None:
        self._console, self._keys = console, keys
        self._rows = 0  # shown since the last wait

    def say(self, text: str, style: str) -> None:
        """Show folded lines."""
        from rich.text import Text

        from benchlog.folding import folded_line

        self.shown(self._console.print)(Text(folded_line(text, self._console.width), style=style))

    def shown(self, function: Callable[P, T]) -> Callable[P, T]:
        """Return a function that shows a screen at a time of what another one prints."""
        if self._keys is None:
            return function

        def paged(*args: P.args, **kwargs: P.kwargs) -> T:
            with self._console.capture() as captured:
                returned = function(*args, **kwargs)
            lines, room = captured.get().splitlines(keepends=True), self._console.height - 1
            if self._rows + len(lines) > room >= len(lines):
                self.wait()  # what fits on one screen is not broken
            for line in lines:
                if self._rows >= room:
                    self.wait()
                self._console.file.write(line)
                self._rows += 1
            return returned

        return paged

    def wait(self) -> None:
        """Wait for Enter; q ends."""
        if self._keys is None:
            return
        self._rows = 0
        self._keys.drop()
        sys.stdout.write("[Enter goes on, q ends] ")
        sys.stdout.flush()
        while (key := self._keys.next()) not in (ENTER, " ", "q", "Q", END):
            pass
        sys.stdout.write("\r\x1b[2K")
        sys.stdout.flush()
        if key in ("q", "Q", END):
            raise KeyboardInterrupt


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


def _command(ctx: Context, words: Sequence[str], clock: ManualClock) -> int:
    """Run a command on the context's console; with --json it writes nothing to stdout."""
    from benchlog.cli import build_parser

    parsed = build_parser(words[0]).parse_args(list(words))
    with contextlib.redirect_stdout(io.StringIO()) if ctx.json else contextlib.nullcontext():
        return run_command(parsed, clock=clock, console=ctx.console)
