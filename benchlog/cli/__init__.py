"""The command line: a table of commands, each imported only when it is called."""

from __future__ import annotations

import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Callable, Sequence

from benchlog import __version__
from benchlog.cli.parser import Parser, add_common
from benchlog.folding import folded

TYPE_CHECKING = False  # importing typing would take a large part of the start-up time
if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = ["COMMANDS", "READER_GONE", "build_parser", "main"]

#: Exit code if the reader of our output has gone (128 + SIGPIPE, as for a program killed by that signal).
READER_GONE = 141

#: Command -> one line of help. Its module ``benchlog.cli.<command>`` is imported when it is called: the docstring is the
#: command's help, `add_arguments` adds its options, `run` runs it and returns the exit code.
COMMANDS = {
    "demo": "see the main jobs on a simulated bench",
    "new": "make a project folder with commented plan and bench files",
    "find": "look for instruments and write bench file entries",
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
    "recall": "mark a meter, scope or part of the set-up as bad, or repaired",
    "record": "list, show, verify and export the record; certificate",
    "manual": "show the manual, or one command's page",
    "completion": "completion script for bash, zsh, fish or PowerShell",
}
#: Common options that apply to a command.
_COMMON = {
    "demo": (),
    "new": (),
    "find": ("bench",),
    "doctor": ("logbook", "bench"),
    "run": ("logbook", "bench"),
    "status": ("logbook", "bench"),
    "release": ("logbook",),
    "diagnose": ("logbook", "bench", "no-record"),
    "winding": (),
    "watch": ("logbook", "bench", "no-record"),
    "recall": ("logbook", "bench"),
    "record": ("logbook", "bench"),
    "manual": (),
    "completion": (),
}
#: Other commands that give a result.
_OF_A_RESULT = ("logbook", "bench", "long", "no-record")


def build_parser(*chosen: str) -> Parser:
    """Build the parser; only the modules of the `chosen` commands are imported and their options added."""
    width = max(map(len, COMMANDS))
    listing = "\n".join(f"  {name:{width}}  {summary}" for name, summary in COMMANDS.items())
    parser = Parser(
        prog="benchlog",
        description="Bench measurement logger: is the part right, can I trust the meter, what was measured when.",
        epilog=f"commands:\n{listing}\n\nbenchlog COMMAND --help shows a command's usual options, benchlog manual COMMAND all. benchlog manual lists more pages: connecting instruments, plan and bench files, Python.",
    )
    parser.whole = True
    parser.add_argument("--version", action="version", version=f"benchlog {__version__}")
    if not chosen:
        parser.add_argument(
            "command", nargs="?", metavar="COMMAND", choices=list(COMMANDS), help="one of the commands below"
        )
        return parser
    _import_msgspec()
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name in chosen:
        module = importlib.import_module(f"benchlog.cli.{name}")
        sub = commands.add_parser(
            name,
            help=COMMANDS[name],
            description=module.__doc__,
            allow_abbrev=False,
        )
        module.add_arguments(sub)
        add_common(sub, _COMMON.get(name, _OF_A_RESULT))
        sub.set_defaults(run=module.run)
    return parser


class _Output(io.FileIO):
    """Standard output of Windows, which reports a closed pipe as an invalid argument."""

    def write(self, data: ReadableBuffer, /) -> int:
        """Write; raise that error as other systems do."""
        try:
            return super().write(data)
        except OSError as error:
            if error.errno == errno.EINVAL:
                raise BrokenPipeError(errno.EPIPE, "the reader closed the pipe") from None
            raise


def _name_broken_pipes() -> None:
    """Put `_Output` under standard output if that is a pipe or file; with `python -u` it has no buffer."""
    out = sys.stdout
    if not isinstance(out, io.TextIOWrapper):
        return
    if type(getattr(out.buffer, "raw", out.buffer)) is io.FileIO:
        raw = _Output(out.fileno(), "w", closefd=False)
        through = raw if isinstance(out.buffer, io.FileIO) else io.BufferedWriter(raw)
        sys.stdout = io.TextIOWrapper(through, out.encoding, out.errors, write_through=out.write_through)


def _set_up_streams() -> None:
    """Make pipes and files UTF-8 both ways on every system; a terminal keeps its own encoding.

    On Windows their default encoding lacks the ohm and plus-minus signs.
    """
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper) or stream.encoding.lower() in ("utf-8", "utf8"):
            continue
        if not stream.isatty() and "PYTHONIOENCODING" not in os.environ:
            stream.reconfigure(encoding="utf-8-sig" if stream is sys.stdin else "utf-8")
        elif stream is not sys.stdin:
            stream.reconfigure(errors="replace")  # replace a character that this terminal lacks
    if sys.platform == "win32":
        _name_broken_pipes()
    if sys.platform == "win32" and "WT_SESSION" in os.environ:
        # Windows Terminal obeys escape sequences once they are enabled; the older console gets none.
        import ctypes

        kernel, mode = ctypes.windll.kernel32, ctypes.c_uint32()
        for handle in map(kernel.GetStdHandle, (-11, -12)):  # standard output and error
            if kernel.GetConsoleMode(handle, ctypes.byref(mode)):
                kernel.SetConsoleMode(handle, mode.value | 4)


#: Commands that ask when they are called without options; their questions are in `benchlog.cli.questions`.
_ASKING = ("supply", "diagnose", "continuity", "ratio", "crosscheck")
#: Options that don't answer any of these questions.
_NO_ANSWERS = frozenset(("--no-record", "--long"))


def _asked(words: list[str]) -> int | None:
    """Complete a command by asking questions; returns an exit code if the user stopped."""
    from benchlog.cli.ask import ask
    from benchlog.errors import BenchlogError, error_text

    try:
        words[:] = ask(words, show=lambda text: print(folded(text)))
    except KeyboardInterrupt:
        sys.stderr.write("\nbenchlog: stopped from the keyboard\n")
        return 130
    except BenchlogError as error:
        sys.stderr.write(f"\n{error_text('benchlog', str(error), error.hint, sys.stderr)}")
        return error.exit_code
    return None


def _first_steps() -> str:
    """Say what to do first, or what is next if this folder has a project."""
    steps = [
        ("benchlog demo", "see the main jobs on a simulated bench"),
        ("benchlog supply", "check a wall transformer: four questions"),
        ("benchlog crosscheck", "compare two meters: a few questions"),
        ("benchlog new my-project", "make a project folder with a plan to work through"),
        ("benchlog doctor", "check the installation and look for meters"),
    ]
    if os.path.exists("plan.toml"):
        steps[:0] = [
            ("benchlog status plan.toml", "your plan: progress and the next step"),
            ("benchlog run plan.toml", "continue your plan"),
        ]
    width = max(len(command) for command, _ in steps)
    listing = "\n".join(f"  {command:{width}}  {what}" for command, what in steps)
    return f"Is the part right, can I trust the meter, what was measured when?\n\n{listing}\n\nbenchlog --help lists all commands."


def _import_msgspec() -> None:
    """Import it without `typing_extensions`, which is slow and adds nothing to `typing` of Python 3.11."""
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
        Called just before the command runs; from then on it handles Ctrl-C itself.
    """
    # Imports and parsing make many objects but no garbage; the default of 700 would collect a hundred times.
    gc.set_threshold(50_000)
    _set_up_streams()
    try:
        code = _run(list(sys.argv[1:] if argv is None else argv), interruptible)
        sys.stdout.flush()
        return code
    except BrokenPipeError:
        # The reader of our output has gone (a pager, head): end quietly.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE


def _run(words: list[str], interruptible: Callable[[], None] | None) -> int:
    if not words:
        print(folded(_first_steps()))
        return 2
    if (
        words[0] in _ASKING
        and _NO_ANSWERS.issuperset(words[1:])
        and sys.stdin.isatty()
        and sys.stdout.isatty()
    ):
        code = _asked(words)
        if code is not None:
            return code
    Parser.words = words
    chosen = next((word for word in words if not word.startswith("-")), None)
    parser = build_parser(*([chosen] if chosen in COMMANDS else []))
    args = parser.parse_args(words)
    if chosen is None or args.command is None:
        parser.print_help()
        return 2
    from benchlog.cli.context import run_command

    if interruptible is not None:
        interruptible()
    return run_command(args)


if __name__ == "__main__":
    sys.exit(main())
