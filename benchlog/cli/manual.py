"""Print the manual, or the page of one command, made from the commands' own parsers.

Examples:
  benchlog manual supply
  benchlog manual --out man/          every page as a file: benchlog.1, benchlog-supply.1 ...
  benchlog manual supply --roff | man -l -
"""

from __future__ import annotations

import argparse
import textwrap
from abc import ABC, abstractmethod
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchlog.cli.context import Context
    from benchlog.cli.parsers import Page, Word

WIDTH = 78

EXIT_CODES = (
    ("0", "all pass, or done"),
    ("1", "at least one fail; a hold point that was refused"),
    ("2", "usage, or bad input: plan, bench file, capture"),
    ("3", "indeterminate or not done, none failed"),
    ("4", "instrument or link trouble"),
    ("5", "logbook trouble: locked, damaged, full disk"),
    ("130", "stopped from the keyboard"),
)
FILES = (
    ("bench.toml", "instruments, their addresses and data sheets, check standards; --bench names another"),
    ("bench.logbook", "the record; --logbook or BENCHLOG_LOGBOOK names another"),
    ("plan.toml", "parts, checks with their limits, hold points; named on the command line"),
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's options."""
    from benchlog.cli import COMMANDS

    parser.add_argument(
        "command_name",
        metavar="COMMAND",
        nargs="?",
        choices=list(COMMANDS),
        help="its page (default: overview)",
    )
    parser.add_argument("--roff", action="store_true", help="as source of a manual page, for man")
    parser.add_argument("--out", metavar="DIR", help="write all pages there as files for man")


def run(args: argparse.Namespace, ctx: Context) -> int:
    """Run the command."""
    import sys

    if args.out:
        names = _write_all(Path(args.out))
        if ctx.json:
            ctx.print_json({"schema": "benchlog.manual/1", "folder": args.out, "files": names})
        else:
            ctx.console.print(f"{len(names)} pages in {args.out}", markup=False)
        return 0
    text = page_text(args.command_name, roff=args.roff)
    if ctx.json:
        ctx.print_json({"schema": "benchlog.manual/1", "page": args.command_name or "benchlog", "text": text})
    else:
        sys.stdout.write(text)
    return 0


def page_text(command: str | None, *, roff: bool = False) -> str:
    """Text of a command's page, of the overview without one."""
    form = _Roff() if roff else _Plain()
    if command is None:
        _overview(form)
    else:
        _command(form, command)
    return form.text()


def _write_all(folder: Path) -> list[str]:
    from benchlog.cli import COMMANDS
    from benchlog.errors import UsageError
    from benchlog.files import write_whole

    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file", hint="name a folder: --out man")
    folder.mkdir(parents=True, exist_ok=True)
    names = []
    for command in (None, *COMMANDS):
        name = "benchlog.1" if command is None else f"benchlog-{command}.1"
        write_whole(folder / name, page_text(command, roff=True))
        names.append(name)
    return names


# ---- what stands on a page ----


def _overview(form: _Form) -> None:
    from benchlog.cli import COMMANDS

    form.title("benchlog", "bench measurement logger for one-off power electronics")
    form.heading("synopsis")
    form.literal("benchlog COMMAND [OPTION...]\nbenchlog COMMAND --help")
    form.heading("commands")
    for name, summary in COMMANDS.items():
        form.item(name, summary)
    _common(form)


def _command(form: _Form, command: str) -> None:
    from benchlog.cli.parsers import command_pages

    first, *others = command_pages(command)
    form.title(f"benchlog-{command}", first.summary)
    form.heading("synopsis")
    for page in others or [first]:
        form.literal("\n".join(textwrap.wrap(_synopsis(page), WIDTH - 4, subsequent_indent="    ")))
    form.heading("description")
    form.description(first.description)
    for page in others:
        form.heading(" ".join(page.name))
        form.description(page.description)
        _words(form, [w for w in page.words if not w.common])
    if not others:
        _words_under(form, "arguments", first.positionals)
        _words_under(form, "options", [w for w in first.options if not w.common])
    _words_under(form, "common options", [w for w in first.options if w.common])
    _common(form)


def _common(form: _Form) -> None:
    form.heading("exit status")
    for code, meaning in EXIT_CODES:
        form.item(code, meaning)
    form.heading("files")
    for name, meaning in FILES:
        form.item(name, meaning)


def _words_under(form: _Form, heading: str, words: Sequence[Word]) -> None:
    if words:
        form.heading(heading)
        _words(form, words)


def _words(form: _Form, words: Sequence[Word]) -> None:
    for word in words:
        value = f" {word.value}" if word.names and word.value else ""
        name = ", ".join(f"{n}{value}" for n in word.names) or word.value
        notes = [word.help] if word.help else []
        if word.choices and not word.names:
            notes.append(f"one of: {', '.join(word.choices)}")
        elif word.choices:
            notes.append(f"({', '.join(word.choices)})")
        if word.many:
            notes.append("may be repeated" if word.names else "any number")
        form.item(name, "; ".join(notes))


def _synopsis(page: Page) -> str:
    needed = [f"{w.names[0]} {w.value}".rstrip() for w in page.options if w.needed]
    fixed = [_position(w) for w in page.positionals]
    return " ".join(["benchlog", *page.name, *fixed, *needed, "[OPTION...]"])


def _position(word: Word) -> str:
    shown = f"{word.value}..." if word.many else word.value
    return shown if word.needed else f"[{shown}]"


# ---- how it is written ----


class _Form(ABC):
    """Collects the parts of a page; subclasses say how each is written."""

    def __init__(self) -> None:
        self._parts: list[str] = []
        self._running = False  # the last part was running text

    def text(self) -> str:
        """Return the whole page."""
        return "\n".join(self._parts).rstrip() + "\n"

    @abstractmethod
    def title(self, name: str, summary: str) -> None:
        """Write the page's name and what it is about."""

    @abstractmethod
    def heading(self, text: str) -> None:
        """Begin a section."""

    @abstractmethod
    def literal(self, text: str) -> None:
        """Write lines as they are."""

    @abstractmethod
    def paragraph(self, text: str) -> None:
        """Write running text."""

    @abstractmethod
    def item(self, name: str, text: str) -> None:
        """Write a name with what it means."""

    def description(self, text: str) -> None:
        """Write a command's own description: paragraphs as text, indented lines as they are."""
        for block in text.split("\n\n"):
            lines = block.splitlines()
            plain = [line for line in lines if not line.startswith("  ")]
            shown = [line for line in lines if line.startswith("  ")]
            if plain:
                self.paragraph(" ".join(line.strip() for line in plain))
            if shown:
                self.literal("\n".join(shown))


class _Plain(_Form):
    """Plain text for a terminal or a pipe."""

    def title(self, name: str, summary: str) -> None:
        """See `_Form.title`."""
        shown = textwrap.wrap(f"{name}: {summary}", WIDTH, initial_indent="    ", subsequent_indent="    ")
        self._parts += ["NAME", *shown, ""]

    def heading(self, text: str) -> None:
        """See `_Form.heading`."""
        if self._parts and self._parts[-1]:
            self._parts.append("")
        self._parts.append(text.upper())
        self._running = False

    def literal(self, text: str) -> None:
        """See `_Form.literal`."""
        self._parts += [f"    {line}".rstrip() for line in text.splitlines()]

    def paragraph(self, text: str) -> None:
        """See `_Form.paragraph`."""
        if self._parts and self._parts[-1].startswith("    "):
            self._parts.append("")
        self._parts += textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
        self._running = True

    def item(self, name: str, text: str) -> None:
        """See `_Form.item`."""
        if self._running:
            self._parts.append("")
        self._running = False
        body = textwrap.wrap(text, WIDTH, initial_indent=" " * 28, subsequent_indent=" " * 28)
        head = f"    {name}"
        if body and len(head) <= 26:
            body[0] = f"{head:28}{body[0][28:]}"
            self._parts += body
        else:
            self._parts += [head, *body]


class _Roff(_Form):
    """Source for man."""

    def title(self, name: str, summary: str) -> None:
        """See `_Form.title`."""
        from benchlog import __version__

        self._parts += [
            f'.TH "{name.upper()}" "1" "" "benchlog {__version__}" "benchlog"',
            ".SH NAME",
            f"{_escaped(name)} \\- {_escaped(summary)}",
        ]

    def heading(self, text: str) -> None:
        """See `_Form.heading`."""
        self._parts.append(f".SH {_escaped(text.upper())}")

    def literal(self, text: str) -> None:
        """See `_Form.literal`."""
        self._parts += [".PP", ".nf", *(_escaped(line) for line in text.splitlines()), ".fi"]

    def paragraph(self, text: str) -> None:
        """See `_Form.paragraph`."""
        self._parts += [".PP", _escaped(text)]

    def item(self, name: str, text: str) -> None:
        """See `_Form.item`."""
        self._parts += [".TP", f"\\fB{_escaped(name)}\\fR", _escaped(text) or "\\&"]


def _escaped(text: str) -> str:
    """Text with what roff reads as its own signs made plain."""
    shown = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{shown}" if shown.startswith((".", "'")) else shown
