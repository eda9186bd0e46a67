"""Print a completion script for a shell.

Examples:
  benchlog completion bash > ~/.local/share/bash-completion/completions/benchlog
  benchlog completion zsh > ~/.zfunc/_benchlog          with ~/.zfunc in $fpath
  benchlog completion fish > ~/.config/fish/completions/benchlog.fish
  benchlog completion powershell >> $PROFILE

Run it again after an upgrade.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchlog.cli.context import Context
    from benchlog.cli.parser import Parser

SHELLS = ("bash", "zsh", "fish", "powershell")
#: Metavars of values that are files or folders.
_FILES = frozenset({"FILE", "PLAN", "FILE2", "A.csv", "LOGBOOK", "OUT"})
_FOLDERS = frozenset({"DIR", "FOLDER"})


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("shell", metavar="SHELL", choices=SHELLS, help=", ".join(SHELLS))


def run(args: argparse.Namespace, ctx: Context) -> int:
    script = completion_script(args.shell)
    if ctx.json:
        ctx.print_json({"schema": "benchlog.completion/1", "shell": args.shell, "script": script})
    else:
        sys.stdout.write(script)
    return 0


def completion_script(shell: str) -> str:
    """Return the completion script of all commands for one of `SHELLS`."""
    import shtab

    from benchlog.cli import COMMANDS, build_parser

    whole = build_parser(*COMMANDS)
    for parser in every_parser(whole):
        for action in parser._actions:
            value = str(action.metavar or action.dest).rpartition("=")[2]
            if value in _FILES or value in _FOLDERS:
                action.complete = shtab.FILE if value in _FILES else shtab.DIRECTORY  # type: ignore[attr-defined]  # how shtab is told
    script: str = shtab.complete(whole, shell=shell)
    return script.rstrip("\n") + "\n"


def every_parser(parser: Parser) -> Iterator[Parser]:
    """Walk a parser and its subparsers."""
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for sub in action.choices.values():
                yield from every_parser(sub)
