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
from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.errors import UsageError
from benchlog.file_reference import reference_text
from benchlog.files import write_whole
from benchlog.folding import folded, terminal_columns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

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
#: Files by the argument or option that names them.
_FILES = {
    "bench": ("bench.toml", "instruments and their data sheets; another file: --bench"),
    "logbook": ("bench.logbook", "the record (the only *.logbook here, if there is one)"),
    "plan": ("plan.toml", "parts, checks with limits, hold points; you name it in the command"),
}
#: Exit statuses of the commands that judge.
_EXIT_STATUS = {
    "0": "all passed, or done",
    "1": "at least one failed",
    "2": "wrong usage or bad input: plan, bench file, capture",
    "3": "indeterminate (can't tell), not judged or not done, but none failed",
    "4": "problem with an instrument or link",
    "5": "problem with the logbook: locked, damaged, disk full",
    "130": "stopped from the keyboard",
}
_DONE: Mapping[str, str | None] = {"0": "done", "1": None, "3": None, "4": None}
_NO_LOGBOOK: Mapping[str, str | None] = {**_DONE, "5": None}
#: Where a command's exit statuses differ: what they mean, None where it does not have them.
_OWN_EXIT_STATUS: Mapping[str, Mapping[str, str | None]] = {
    "demo": {**_DONE, "5": "the demo's record is not intact"},
    "new": _NO_LOGBOOK,
    "find": {**_NO_LOGBOOK, "0": "done, also if nothing was found"},
    "doctor": {
        **_DONE,
        "0": "ready to use (optional libraries may be missing)",
        "2": "wrong usage, or the bench file can't be read",
        "4": "a library that is needed is missing",
        "5": "the logbook can't be written",
    },
    "status": {"0": "all checks passed", "4": None},
    "release": {**_DONE, "0": "released", "1": "not released: evidence is missing"},
    "inductance": {"4": None},
    "diagnose": {**_DONE, "0": "done: it ranks causes and gives no verdict"},
    "winding": {
        "0": "the winding fits its core and limits",
        "1": "it does not",
        "3": None,
        "4": None,
        "5": None,
    },
    "watch": {
        "0": "no meter in doubt",
        "1": None,
        "3": "a meter is in doubt, or a group is not compared or decided yet",
        "4": "an instrument could not be read",
    },
    "recall": _DONE,
    "record": {
        **_DONE,
        "1": "compare: the logbooks differ",
        "5": "verify: the record is not intact; else a problem with the logbook: locked, damaged, disk full",
    },
    "manual": _NO_LOGBOOK,
    "completion": _NO_LOGBOOK,
}


def _sections(
    command: str | None, parsers: Sequence[argparse.ArgumentParser]
) -> Mapping[str, Mapping[str, str]]:
    """Sections at the end of a page: exit statuses, and the files that it uses; the overview lists the other pages first."""
    own = _OWN_EXIT_STATUS.get(command or "", {})
    meanings = {code: own.get(code, usual) for code, usual in _EXIT_STATUS.items()}
    others = {} if command else {"other pages (benchlog manual PAGE)": PAGES}
    named = {a.dest for parser in parsers for a in parser._actions if a.help != argparse.SUPPRESS}
    files = dict(row for name, row in _FILES.items() if command is None or name in named)
    status = {code: words for code, words in meanings.items() if words}
    return {**others, "exit status": status, **({"files": files} if files else {})}


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

    title = f"{PAGES[name][0].upper()}{PAGES[name][1:]}."
    if name in _TEXTS:
        package, file = _TEXTS[name]
        text = f"{title}\n\n{files(package).joinpath(file).read_text(encoding='utf-8')}"
        # An indented paragraph is to be copied as it is: the terminal folds it without a line break.
        return "\n\n".join(part if part.startswith(" ") else _refilled(part) for part in text.split("\n\n"))
    width = min(100, max(36, shutil.get_terminal_size().columns))
    schema = plan_schema() if name == "plan" else bench_schema()
    return folded(f"{title}\n\n{reference_text(schema, width)}", width)


def _refilled(paragraph: str) -> str:
    """Fold a paragraph that was folded for a wider screen; numbered items stay apart."""
    given, lines, margin = paragraph.splitlines(), list[str](), -1
    if max(map(len, given)) <= terminal_columns():
        return paragraph
    for line in given:
        item = re.match(r"\d+\. ", line)
        indent = len(line) - len(line.lstrip())
        if indent == margin and not item:
            lines[-1] += f" {line.lstrip()}"
        else:
            lines.append(line)
            margin = item.end() if item else indent
    return folded("\n".join(lines))


def page_text(command: str | None, *, roff: bool = False) -> str:
    """Page of a command; without one, the overview."""
    from benchlog.cli import COMMANDS, build_parser
    from benchlog.cli.completion import every_parser

    parsers = list(every_parser(build_parser(*([command] if command else []))))
    own = parsers[1:] if command else parsers  # the first is that of the program
    for parser in own:
        parser.whole = True
    if roff:
        return _roff(
            own[0], COMMANDS[command] if command else "bench measurement logger", _sections(command, own)
        )
    pages = [parser.format_help().rstrip() for parser in own]
    if command == "diagnose":
        pages.append(
            f"checks for --evidence, their outcomes, and what to do (on points fed by mains):\n{_evidence()}"
        )
    for heading, rows in _sections(command, own).items():
        pages.append(folded("\n".join([f"{heading}:", *(f"  {n:13}  {text}" for n, text in rows.items())])))
    return "\n\n".join(pages) + "\n"


def _evidence() -> str:
    """Every check of a diagnosis: what to do, and its outcomes."""
    from benchlog.diagnosis.catalogue import load_catalogue

    catalogue = load_catalogue()
    lines = []
    for action in catalogue.actions.values():
        outcomes = action.words or ("the reading with its unit", *filter(None, [action.or_word]))
        lines += [f"  {action.id}: {', '.join(outcomes)}", f"    {catalogue.card(action.card)}"]
    return folded("\n".join(lines))


def _roff(parser: argparse.ArgumentParser, summary: str, sections: Mapping[str, Mapping[str, str]]) -> str:
    """Return the source of a man page."""
    from argparse_manpage.manpage import Manpage

    from benchlog import __version__

    page = Manpage(parser)
    page.prog = parser.prog.replace(" ", "-")
    page.description, page.date, page.source, page.manual = summary, "", f"benchlog {__version__}", "benchlog"
    for heading, rows in sections.items():
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
