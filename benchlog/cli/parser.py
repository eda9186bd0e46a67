"""The parser of all commands: short help that fits a screen, one clear error with a hint for what was mistyped."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence

from benchlog.folding import folded, terminal_columns

TYPE_CHECKING = False  # importing typing would take a large part of the start-up time
if TYPE_CHECKING:
    from typing import Any, NoReturn

COMMON_TITLE = "common options"
_SCREEN_LINES = 22  # of 24: two are for the command and the prompt
_COMMON = {
    "json": {"action": "store_true", "help": "one JSON object on standard output, numbers in SI units"},
    "logbook": {
        "metavar": "FILE",
        "help": "logbook file (default: BENCHLOG_LOGBOOK, the only *.logbook here, or bench.logbook)",
    },
    "bench": {"metavar": "FILE", "help": "bench file (default bench.toml, if it exists)"},
    "long": {"action": "store_true", "help": "show the whole result: quantities, sources, remarks"},
    "no-record": {"action": "store_true", "help": "don't save to the logbook"},
    "debug": {"action": "store_true", "help": "show the traceback of an error"},
}


class _Help(argparse.HelpFormatter):
    """Fills paragraphs to the terminal's width; those with indented lines keep their line breaks if they fit."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=terminal_columns() - 2)

    def start_section(self, heading: str | None) -> None:
        super().start_section(None if heading is None else folded(f"{heading}:", self._width + 2)[:-1])

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        fill = super()._fill_text
        return "\n\n".join(
            folded(paragraph, width + 2) if "\n " in paragraph else fill(paragraph, width, indent)
            for paragraph in text.strip().split("\n\n")
        )


class Parser(argparse.ArgumentParser):
    """Reports errors like every other: one line for what is wrong, one for what to do; exit code 2."""

    #: The arguments typed.
    words: Sequence[str] = ()
    #: Whether help shows every option; otherwise rarely needed ones are only named.
    whole = False

    def __init__(self, **options: Any) -> None:
        options.setdefault("formatter_class", _Help)
        super().__init__(**options)
        self._positionals.title = "arguments"

    def format_help(self) -> str:
        """Help that fits a screen if possible: the usual options, with the others named below."""
        self.usage = self._usage()
        text = super().format_help()
        return text if self.whole or text.count("\n") <= _SCREEN_LINES else self._short_help()

    def _usage(self) -> str:
        formatter = self._get_formatter()
        words = [self.prog]
        for action in self._actions:
            if not action.option_strings:
                words.append(
                    formatter._format_args(action, formatter._get_default_metavar_for_positional(action))
                )
            elif action.required:
                words.append(f"{action.option_strings[0]} {action.metavar or 'TEXT'}")
        room = terminal_columns() - len("usage: ")
        return folded(" ".join([*words, "[options]"]), room).replace("\n", "\n   ")

    def _short_help(self) -> str:
        formatter = self._get_formatter()
        formatter.add_usage(self.usage, self._actions, self._mutually_exclusive_groups)
        formatter.add_text(_first_example(self.description or ""))
        usual = [g for g in self._action_groups if g is self._positionals or g is self._optionals]
        usual += [g for g in self._action_groups if any(a.dest == "action" for a in g._group_actions)]
        for group in usual:
            formatter.start_section(group.title)
            formatter.add_arguments(a for a in group._group_actions if a.dest != "help")
            formatter.end_section()
        formatter.add_text(self._elsewhere(usual))
        return formatter.format_help()

    def _elsewhere(self, shown: Sequence[argparse._ArgumentGroup]) -> str:
        """Name the other options, and where they are explained."""
        titles = []
        for group in self._action_groups:
            names = [
                a.option_strings[-1]
                for a in group._group_actions
                if a.help != argparse.SUPPRESS and a.option_strings
            ]
            if group not in shown and names:
                titles.append(" ".join(names) if group.title == COMMON_TITLE else str(group.title))
        return (
            f"'benchlog manual {self.prog.split()[1]}' explains more: {'; '.join(titles)}." if titles else ""
        )

    def known_options(self) -> Iterator[str]:
        """Every option of this parser and its subparsers."""
        for action in self._actions:
            if isinstance(action, argparse._SubParsersAction):
                for sub in action.choices.values():
                    yield from sub.known_options()
            elif action.help != argparse.SUPPRESS:
                yield from (name for name in action.option_strings if name.startswith("--"))

    def error(self, message: str) -> NoReturn:
        """Print the message with a hint; as JSON if the command line has --json."""
        from benchlog.errors import error_text

        message, hint = self._explained(message)
        if "--json" in sys.argv[1:]:
            import json

            answer = {"schema": "benchlog.error/1", "error": message, "hint": hint, "exit_code": 2}
            self.exit(2, json.dumps(answer) + "\n")
        self.exit(2, error_text(self.prog, message, hint, sys.stderr))

    def _explained(self, message: str) -> tuple[str, str]:
        """Reword argparse's message plainly; the hint names what you probably meant."""
        import re

        from benchlog.errors import did_you_mean

        choice = re.fullmatch(r"argument (\S+): invalid choice: '(.*?)' \(choose from (.*)\)", message)
        if choice:
            what, word, known = choice.groups()
            known = known.replace("'", "")
            named = what.lower() if what in ("COMMAND", "PAGE") else what
            otherwise = f"{self.prog} --help" if what == "COMMAND" else f"one of: {known}"
            return f"there is no {named} {word!r}", did_you_mean(word, known.split(", "), otherwise)
        options = set(self.known_options())
        typed = [word.partition("=")[0] for word in self.words if word.startswith("--")]
        if stray := [word for word in typed if options and word not in options]:
            return f"there is no option {stray[0]!r}", did_you_mean(stray[0], options, f"{self.prog} --help")
        if message.startswith("unrecognized arguments: "):
            word = message.removeprefix("unrecognized arguments: ").split()[0]
            if word in options:
                return f"{word} does not go with this command", f"{self.prog} --help"
            quotes = f"write values that contain spaces in quotes; {self.prog} --help"
            named = f"to name a logbook, write --logbook {word}"
            return f"unexpected word {word!r}", named if word.endswith(".logbook") else quotes
        if message.startswith("the following arguments are required: "):
            names = message.removeprefix("the following arguments are required: ")
            return f"{names} {'are' if ', ' in names else 'is'} missing", f"{self.prog} --help"
        return _value_words(message), f"{self.prog} --help"

    def exit(self, status: int = 0, message: str | None = None) -> NoReturn:
        """End with a message; JSON goes to standard output, like every JSON answer."""
        if message:
            (sys.stdout if message.startswith("{") else sys.stderr).write(message)
        sys.exit(status)


def _value_words(message: str) -> str:
    """Plain message for a wrong value of an option."""
    import re

    message = message.removeprefix("argument ")
    if wrong := re.fullmatch(r"(\S+): invalid _?\w+ value: '(.*)'", message):
        return f"{wrong[1]}: {wrong[2]!r} is not a whole number"
    what, _, said = message.rpartition(": ")
    return f"{what} needs a value" if said == "expected one argument" else message


def _first_example(description: str) -> str:
    """A command's description with only the first of its examples."""
    kept = []
    for paragraph in description.strip().split("\n\n"):
        head, *lines = paragraph.split("\n")
        if head.startswith("Example"):
            later = [k for k, line in enumerate(lines) if k and line.startswith("  benchlog ")]
            kept.append("\n".join(["Example:", *lines[: later[0] if later else None]]))
        elif not kept or head.startswith("Caution"):
            kept.append(paragraph)
    return "\n\n".join(kept)


def add_common(parser: argparse.ArgumentParser, meant: Sequence[str]) -> None:
    """Add the common options; those that don't apply to this command are hidden."""
    group = parser.add_argument_group(COMMON_TITLE)
    for name, options in _COMMON.items():
        shown = {} if name == "json" or name in meant else {"help": argparse.SUPPRESS}
        group.add_argument(f"--{name}", **(options | shown))  # type: ignore[arg-type]  # mypy takes every value for a str
