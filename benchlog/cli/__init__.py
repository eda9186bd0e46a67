"""The command line: a table of commands, each imported only when it is called."""

from __future__ import annotations

import argparse
import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Callable, Sequence

from benchlog import __version__

TYPE_CHECKING = False  # importing typing is a good part of a bare start
if TYPE_CHECKING:
    from typing import NoReturn

    from _typeshed import ReadableBuffer

__all__ = ["COMMANDS", "READER_GONE", "build_parser", "main"]

#: Exit code when nobody reads our output any more, as of a program that the system ends for it (128 + SIGPIPE).
READER_GONE = 141

#: Command -> one line of help. The module is ``benchlog.cli.<command>``; importing it is left until it is called.
COMMANDS = {
    "demo": "see the main jobs on a simulated bench",
    "new": "make a project folder with commented plan and bench files",
    "find": "look for instruments and propose bench file entries",
    "doctor": "check the installation and list ports",
    "run": "work through a plan, step by step",
    "status": "show progress, hold points and the next step",
    "release": "release a hold point, or list what is missing",
    "supply": "check a wall transformer or supply",
    "continuity": "check a lead, joint or winding resistance",
    "ratio": "measure a turns ratio from a two-channel capture",
    "inductance": "measure inductance from a capture with a series resistor",
    "crosscheck": "compare two or more meters on one point, or two logs",
    "diagnose": "part or meter? likely causes and the next best check",
    "winding": "plan a toroid winding: wire length, layers, resistance",
    "watch": "live readings; flags meters that look wrong",
    "standard": "check a meter on a known value and chart it",
    "record": "list, show, verify and export the record; certificate",
    "manual": "show the manual, or one command's page",
    "completion": "completion script for bash, zsh, fish or PowerShell",
}


def _terminal_columns() -> int:
    """Width of the terminal. argparse makes a formatter for every option and asks shutil, whose import every command would pay."""
    if (columns := os.environ.get("COLUMNS", "")).isdecimal() and int(columns) > 0:
        return int(columns)
    try:
        return os.get_terminal_size(1).columns or 80
    except OSError:
        return 80


class _Help(argparse.HelpFormatter):
    """Fills paragraphs to the terminal's width; those with indented lines stay as they are written."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=_terminal_columns() - 2)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        fill = super()._fill_text
        return "\n\n".join(
            paragraph if "\n " in paragraph else fill(paragraph, width, indent)
            for paragraph in text.strip().split("\n\n")
        )


class _Parser(argparse.ArgumentParser):
    """One line for what is wrong and one for what to do, as for every other error; exit code 2."""

    #: Help texts of the commands built, in which options that were probably meant are looked up.
    helps: tuple[Callable[[], str], ...] = ()
    #: What was typed.
    words: Sequence[str] = ()

    def error(self, message: str) -> NoReturn:
        """Print the message with a hint, as JSON where the command line asks for that."""
        from benchlog.errors import hint_line

        message, hint = self._explained(message)
        if "--json" in sys.argv[1:]:
            import json

            answer = {"schema": "benchlog.error/1", "error": message, "hint": hint, "exit_code": 2}
            self.exit(2, json.dumps(answer) + "\n")
        self.exit(2, f"{self.prog}: {message}\n{hint_line(hint)}\n")

    def _explained(self, message: str) -> tuple[str, str]:
        """Reword argparse's message plainly; the hint names what was probably meant."""
        import re

        from benchlog.errors import did_you_mean

        choice = re.fullmatch(r"argument (\S+): invalid choice: '(.*?)' \(choose from (.*)\)", message)
        if choice:
            what, word, known = choice.groups()
            known = known.replace("'", "")
            named = "command" if what == "COMMAND" else what
            otherwise = f"{self.prog} --help" if what == "COMMAND" else f"one of: {known}"
            return f"there is no {named} {word!r}", did_you_mean(word, known.split(", "), otherwise)
        options = {option for text in self.helps for option in re.findall(r"--[a-z][\w-]*", text())}
        typed = [word.partition("=")[0] for word in self.words if word.startswith("--")]
        if stray := [word for word in typed if options and word not in options]:
            return f"there is no option {stray[0]!r}", did_you_mean(stray[0], options, f"{self.prog} --help")
        if message.startswith("unrecognized arguments: "):
            word = message.removeprefix("unrecognized arguments: ").split()[0]
            return f"{word!r} is one word too many", f"put values with spaces in quotes; {self.prog} --help"
        if message.startswith("the following arguments are required: "):
            return message.removeprefix(
                "the following arguments are required: "
            ) + " is missing", f"{self.prog} --help"
        return message, f"{self.prog} --help"

    def exit(self, status: int = 0, message: str | None = None) -> NoReturn:
        """End with a message; JSON goes to standard output like every JSON answer."""
        if message:
            (sys.stdout if message.startswith("{") else sys.stderr).write(message)
        sys.exit(status)


def _add_common(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("common options")
    group.add_argument(
        "--json", action="store_true", help="one JSON object on standard output, numbers in SI units"
    )
    group.add_argument(
        "--logbook", metavar="FILE", help="logbook file (default bench.logbook, or BENCHLOG_LOGBOOK)"
    )
    group.add_argument("--bench", metavar="FILE", help="bench file (default bench.toml, if there)")
    group.add_argument(
        "--long", action="store_true", help="show all of a result: quantities, sources, remarks"
    )
    group.add_argument("--no-record", action="store_true", help="don't save to the logbook")
    group.add_argument("--debug", action="store_true", help="show the traceback of an error")


def build_parser(*chosen: str) -> argparse.ArgumentParser:
    """Build the parser; only the modules of the `chosen` commands are imported and their options added."""
    width = max(map(len, COMMANDS))
    listing = "\n".join(f"  {name:{width}}  {summary}" for name, summary in COMMANDS.items())
    parser = _Parser(
        prog="benchlog",
        description="Bench measurement logger: is the part right, can the meter be believed, what was measured when.",
        epilog=f"commands:\n{listing}\n\nbenchlog COMMAND --help shows a command's options.",
        formatter_class=_Help,
    )
    parser.add_argument("--version", action="version", version=f"benchlog {__version__}")
    if not chosen:
        parser.add_argument(
            "command", nargs="?", metavar="COMMAND", choices=list(COMMANDS), help="one of those below"
        )
        return parser
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name in chosen:
        module = importlib.import_module(f"benchlog.cli.{name}")
        sub = commands.add_parser(
            name,
            help=COMMANDS[name],
            description=module.__doc__,
            formatter_class=_Help,
            allow_abbrev=False,
        )
        module.add_arguments(sub)
        _add_common(sub)
        parser.helps += (sub.format_help,)
        sub.helps = (sub.format_help,)
        sub.set_defaults(run=module.run)
    return parser


class _Output(io.FileIO):
    """Standard output of Windows, where a reader that went away shows as an invalid argument."""

    def write(self, data: ReadableBuffer, /) -> int:
        """Write, and name that error as other systems do."""
        try:
            return super().write(data)
        except OSError as error:
            if error.errno == errno.EINVAL:
                raise BrokenPipeError(errno.EPIPE, "the reader went away") from None
            raise


def _name_broken_pipes() -> None:
    """Put `_Output` under a standard output that is a pipe or file; Python run with -u has no buffer there."""
    out = sys.stdout
    if not isinstance(out, io.TextIOWrapper):
        return
    if type(getattr(out.buffer, "raw", out.buffer)) is io.FileIO:
        raw = _Output(out.fileno(), "w", closefd=False)
        through = raw if isinstance(out.buffer, io.FileIO) else io.BufferedWriter(raw)
        sys.stdout = io.TextIOWrapper(through, out.encoding, out.errors, write_through=out.write_through)


def _set_up_streams() -> None:
    """Make pipes and files UTF-8 both ways on every system; a terminal keeps its own encoding.

    Otherwise they are, on Windows, in an encoding that has no ohm and no plus-minus sign.
    """
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper) or stream.encoding.lower() in ("utf-8", "utf8"):
            continue
        if not stream.isatty() and "PYTHONIOENCODING" not in os.environ:
            stream.reconfigure(encoding="utf-8-sig" if stream is sys.stdin else "utf-8")
        elif stream is not sys.stdin:
            stream.reconfigure(
                errors="replace"
            )  # a mark that this terminal has no character for is not an error
    if sys.platform == "win32":
        _name_broken_pipes()
    if sys.platform == "win32" and "WT_SESSION" in os.environ:
        # Windows Terminal obeys escape sequences once it is asked to; on the older console none are sent.
        import ctypes

        kernel, mode = ctypes.windll.kernel32, ctypes.c_uint32()
        for handle in map(kernel.GetStdHandle, (-11, -12)):  # standard output and error
            if kernel.GetConsoleMode(handle, ctypes.byref(mode)):
                kernel.SetConsoleMode(handle, mode.value | 4)


#: Commands that ask when they are called without options; their questions are in `benchlog.cli.ask`.
_ASKING = ("supply", "continuity", "ratio", "crosscheck")


def _asked(words: list[str]) -> int | None:
    """Complete a command by asking questions; returns an exit code where that was broken off."""
    from benchlog.cli.ask import ask
    from benchlog.errors import UsageError

    try:
        words[:] = ask(words[0])
    except (KeyboardInterrupt, UsageError) as error:
        said = str(error) or "stopped from the keyboard"
        sys.stderr.write(f"\nbenchlog: {said}\n")
        return 130 if isinstance(error, KeyboardInterrupt) else 2
    return None


def _first_steps() -> str:
    """Say what to do first, and next where a project is in this folder."""
    steps = [
        ("benchlog demo", "see the main jobs on a simulated bench"),
        ("benchlog supply", "check a wall transformer: four questions"),
        ("benchlog crosscheck", "compare two meters: four questions"),
        ("benchlog new my-project", "make a project folder with a plan to work through"),
        ("benchlog doctor", "check the installation and look for meters"),
    ]
    if os.path.exists("plan.toml"):
        steps[:0] = [
            ("benchlog status plan.toml", "there is a plan here: show progress and the next step"),
            ("benchlog run plan.toml", "go on with it"),
        ]
    width = max(len(command) for command, _ in steps)
    listing = "\n".join(f"  {command:{width}}  {what}" for command, what in steps)
    return f"Is the part right, can I trust the meter, what was measured when?\n\n{listing}\n\nbenchlog --help lists all commands."


def _import_msgspec() -> None:
    """Import it without `typing_extensions`, which takes longer and adds nothing to `typing` of Python 3.11."""
    missing = "typing_extensions" not in sys.modules
    if missing:
        sys.modules["typing_extensions"] = None  # type: ignore[assignment]  # how Python marks what can't be imported
    importlib.import_module("msgspec")
    if missing:
        del sys.modules["typing_extensions"]


def main(argv: Sequence[str] | None = None, *, interruptible: Callable[[], None] | None = None) -> int:
    """Run one command; returns the exit code.

    Parameters
    ----------
    argv : sequence of str, optional
        Words of the command line; those of this process by default.
    interruptible : callable, optional
        Called when the command is about to run, which answers Ctrl-C by itself.
    """
    # Imports and parsing make many objects and no garbage; the usual 700 would look for some a hundred times.
    gc.set_threshold(50_000)
    _set_up_streams()
    try:
        code = _run(list(sys.argv[1:] if argv is None else argv), interruptible)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        # The reader of our output went away (a pager, head): nothing to say, nobody to say it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE


def _run(words: list[str], interruptible: Callable[[], None] | None) -> int:
    if not words:
        print(_first_steps())
        return 2
    if words[0] in _ASKING and len(words) == 1 and sys.stdin.isatty() and sys.stdout.isatty():
        code = _asked(words)
        if code is not None:
            return code
    _Parser.words = words
    chosen = next((word for word in words if not word.startswith("-")), None)
    parser = build_parser(*([chosen] if chosen in COMMANDS else []))
    args = parser.parse_args(words)
    if chosen is None or args.command is None:
        parser.print_help()
        return 2
    from benchlog.cli.context import run_command

    _import_msgspec()
    if interruptible is not None:
        interruptible()
    return run_command(args)


if __name__ == "__main__":
    sys.exit(main())
