"""Print the manual's overview, or one page.

Examples:
  benchlog manual              the commands, and a line on each other page
  benchlog manual supply       every option of a command
  benchlog manual instruments  how to connect meters, scopes and generators
  benchlog manual --out man/   benchlog.1, benchlog-supply.1 ..., for man
"""

from __future__ import annotations

import argparse
import re
import shutil
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.cli.parser import folded
from benchlog.errors import UsageError
from benchlog.file_reference import reference_text
from benchlog.files import write_whole

if TYPE_CHECKING:
    from benchlog.cli.context import Context

#: Pages besides those of the commands.
PAGES = {
    "instruments": "connect meters, scopes and generators, on every system",
    "bench": "every key of bench.toml: instruments, check standards, groups",
    "plan": "every key of plan.toml, with an example of each kind of check",
    "pattern": "describe a meter that sends text lines",
    "verify": "verify a logbook without benchlog, with any SHA-256 tool",
    "python": "checks, captures and logbooks in Python and notebooks",
}
#: Pages kept as text beside the code that they are about: package and file.
_TEXTS = {
    "instruments": ("benchlog_drivers", "instruments.txt"),
    "pattern": ("benchlog_drivers.decoders", "pattern.txt"),
    "verify": ("benchlog.logbook", "by_hand.txt"),
    "python": ("benchlog", "notebook.txt"),
}
SECTIONS = {
    "exit status": {
        "0": "all passed, or done",
        "1": "at least one failed, or a hold point was not released",
        "2": "wrong usage or bad input: plan, bench file, capture",
        "3": "indeterminate (can't tell) or not done, but none failed",
        "4": "problem with an instrument or link",
        "5": "problem with the logbook: locked, damaged, disk full",
        "130": "stopped from the keyboard",
    },
    "files": {
        "bench.toml": "instruments and their data sheets; another file: --bench",
        "bench.logbook": "the record (the only *.logbook here, if there is one)",
        "plan.toml": "parts, checks with limits, hold points; you name it in the command",
    },
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    from benchlog.cli import COMMANDS

    parser.add_argument(
        "command_name",
        metavar="PAGE",
        nargs="?",
        choices=[*COMMANDS, *PAGES],
        help=f"a command, or {', '.join(PAGES)} (default: overview)",
    )
    parser.add_argument("--roff", action="store_true", help="print the source of a man page")
    parser.add_argument("--out", metavar="DIR", help="write the commands' pages into this folder, for man")


def run(args: argparse.Namespace, ctx: Context) -> int:
    if args.out:
        names = _write_all(Path(args.out))
        if ctx.json:
            ctx.print_json({"schema": "benchlog.manual/1", "folder": args.out, "files": names})
        else:
            ctx.console.print(f"{len(names)} pages in {args.out}", markup=False)
        return 0
    if args.command_name in PAGES:
        text = _other_page(args.command_name)
    else:
        text = page_text(args.command_name, roff=args.roff)
    if ctx.json:
        ctx.print_json({"schema": "benchlog.manual/1", "page": args.command_name or "benchlog", "text": text})
    else:
        print(text.rstrip())
    return 0


def _other_page(name: str) -> str:
    """Page that is not about a command."""
    from importlib.resources import files

    from benchlog.bench import bench_schema
    from benchlog.plan import plan_schema

    width = min(100, max(36, shutil.get_terminal_size().columns))
    title = f"{PAGES[name][0].upper()}{PAGES[name][1:]}."
    if name in _TEXTS:
        package, file = _TEXTS[name]
        return _filled(f"{title}\n\n{files(package).joinpath(file).read_text(encoding='utf-8')}", width)
    schema = plan_schema() if name == "plan" else bench_schema()
    return folded(f"{title}\n\n{reference_text(schema, width)}", width)


def _filled(text: str, width: int) -> str:
    """Fill a page's prose to the width; lines indented by four or more stay as they are, folded where too long."""
    blocks: list[
        tuple[str, str | None]
    ] = []  # with the indentation of lines that continue it; None: none does
    for line in text.splitlines():
        body = line.lstrip()
        indent = line[: len(line) - len(body)]
        numbered = re.match(r"\d\. ", body) is not None
        if body and not numbered and blocks and blocks[-1][1] == indent:
            blocks[-1] = (f"{blocks[-1][0]} {body}", indent)
        else:
            prose = body and len(indent) < 4
            blocks.append((line, indent + " " * 3 * numbered if prose else None))
    return "\n".join(
        folded(block, width)
        if hanging is None
        else textwrap.fill(
            block, width, subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False
        )
        for block, hanging in blocks
    )


def page_text(command: str | None, *, roff: bool = False) -> str:
    """Page of a command; without one, the overview."""
    from benchlog.cli import build_parser
    from benchlog.cli.completion import every_parser

    parsers = list(every_parser(build_parser(*([command] if command else []))))
    own = parsers[1:] if command else parsers  # the first is that of the program
    for parser in own:
        parser.whole = True
    if roff:
        return _roff(own[0], command)
    pages = [parser.format_help().rstrip() for parser in own]
    if command == "diagnose":
        pages.append(
            f"checks for --evidence, their outcomes, and what to do (on points fed by mains):\n{_evidence()}"
        )
    for heading, rows in _sections(command):
        pages.append(folded("\n".join([f"{heading}:", *(f"  {n:13}  {text}" for n, text in rows.items())])))
    return "\n\n".join(pages) + "\n"


def _sections(command: str | None) -> list[tuple[str, dict[str, str]]]:
    """Sections that end a page; the overview lists the other pages first."""
    others = {} if command else {"other pages (benchlog manual NAME)": PAGES}
    return [*others.items(), *SECTIONS.items()]


def _evidence() -> str:
    """Every check of a diagnosis: what to do, and its outcomes."""
    from benchlog.diagnosis.catalogue import load_catalogue

    catalogue = load_catalogue()
    lines = []
    for action in catalogue.actions.values():
        outcomes = action.words or ("the reading with its unit", *filter(None, [action.or_word]))
        lines += [f"  {action.id}: {', '.join(outcomes)}", f"    {catalogue.card(action.card)}"]
    return folded("\n".join(lines))


def _roff(parser: argparse.ArgumentParser, command: str | None) -> str:
    """Return the source of a man page."""
    from argparse_manpage.manpage import Manpage

    from benchlog import __version__
    from benchlog.cli import COMMANDS

    summary = COMMANDS[command] if command else "bench measurement logger"
    page = Manpage(parser)
    page.prog = parser.prog.replace(" ", "-")
    page.description, page.date, page.source, page.manual = summary, "", f"benchlog {__version__}", "benchlog"
    for heading, rows in _sections(command):
        page.add_section(heading, "=", "\n".join(f".TP\n{name}\n{text}" for name, text in rows.items()))
    # man would take a line that begins with a quotation mark as a command, and drop it.
    text = re.sub(r"(?m)^'", r"\\&'", str(page))
    return re.sub(r"[^\x00-\x7f]", lambda sign: f"\\[u{ord(sign[0]):04X}]", text)


def _write_all(folder: Path) -> list[str]:
    from benchlog.cli import COMMANDS

    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file", hint="name a folder: --out man")
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    for command in (None, *COMMANDS):
        name = "benchlog.1" if command is None else f"benchlog-{command}.1"
        write_whole(folder / name, page_text(command, roff=True))
        names.append(name)
    return names
