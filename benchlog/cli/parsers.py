"""The commands' parsers taken apart: what completion and manual pages are made from, so that they can't drift."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

from benchlog.cli import COMMANDS, build_parser

__all__ = ["Page", "Word", "command_pages"]

_COMMON = "common options"
_EVERYWHERE = frozenset({"--help", "--logbook"})
#: Metavars of values that are files or folders.
_FILES = frozenset({"FILE", "PLAN", "FILE2", "A.csv", "LOGBOOK", "OUT"})
_FOLDERS = frozenset({"DIR", "FOLDER"})


@dataclass(frozen=True, slots=True)
class Word:
    """One option or positional argument.

    Attributes
    ----------
    names : tuple of str
        ``("--logbook",)``; empty for a positional argument.
    value : str
        Name of what it takes; empty for a flag.
    help : str
    choices : tuple of str
    takes : {"file", "folder", "text", ""}
        Kind of the value.
    many, needed, common : bool
        May be repeated; must be given; is one that every command has.
    """

    names: tuple[str, ...]
    value: str
    help: str
    choices: tuple[str, ...] = ()
    takes: str = ""
    many: bool = False
    needed: bool = False
    common: bool = False


@dataclass(frozen=True, slots=True)
class Page:
    """One command, or one of a command's own commands (``record list``)."""

    name: tuple[str, ...]
    summary: str
    description: str
    usage: str
    words: tuple[Word, ...]
    commands: tuple[str, ...] = ()

    @property
    def options(self) -> tuple[Word, ...]:
        """Words that begin with a dash."""
        return tuple(w for w in self.words if w.names)

    @property
    def positionals(self) -> tuple[Word, ...]:
        """Words in fixed order."""
        return tuple(w for w in self.words if not w.names)


def command_pages(command: str) -> list[Page]:
    """Return the page of a command, followed by those of its own commands."""
    parser = build_parser(command)
    return list(_pages((command,), _children(parser)[command], COMMANDS[command]))


def _pages(name: tuple[str, ...], parser: argparse.ArgumentParser, summary: str) -> Iterator[Page]:
    children = _children(parser)
    yield Page(
        name,
        summary,
        (parser.description or "").strip(),
        " ".join(parser.format_usage().removeprefix("usage: ").split()),
        tuple(_words(parser)),
        tuple(children),
    )
    helps = _child_helps(parser)
    for child, sub in children.items():
        yield from _pages((*name, child), sub, helps.get(child, ""))


def _children(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return {
        name: sub
        for action in parser._actions
        if isinstance(action, argparse._SubParsersAction)
        for name, sub in action.choices.items()
    }


def _child_helps(parser: argparse.ArgumentParser) -> dict[str, str]:
    return {
        choice.dest: choice.help or ""
        for action in parser._actions
        if isinstance(action, argparse._SubParsersAction)
        for choice in action._choices_actions
    }


def _words(parser: argparse.ArgumentParser) -> Iterator[Word]:
    for group in parser._action_groups:
        for action in group._group_actions:
            if action.help == argparse.SUPPRESS or isinstance(action, argparse._SubParsersAction):
                continue
            yield _word(parser, action, group.title == _COMMON)


def _word(parser: argparse.ArgumentParser, action: argparse.Action, common: bool) -> Word:
    flag = action.nargs == 0
    value = "" if flag else _value(action)
    choices = tuple(str(c) for c in action.choices or ())
    kind = ""
    if not flag:
        last = value.rpartition("=")[2]
        kind = "file" if last in _FILES else "folder" if last in _FOLDERS else "text"
    return Word(
        tuple(action.option_strings),
        value,
        _help(parser, action),
        choices,
        kind,
        isinstance(action, argparse._AppendAction) or action.nargs in ("*", "+"),
        action.required if action.option_strings else action.nargs not in ("?", "*"),
        common or not _EVERYWHERE.isdisjoint(action.option_strings),
    )


def _value(action: argparse.Action) -> str:
    shown = action.metavar or (action.dest if not action.option_strings else action.dest.upper())
    return shown if isinstance(shown, str) else " ".join(shown)


def _help(parser: argparse.ArgumentParser, action: argparse.Action) -> str:
    """Help text with its %-marks filled in, on one line."""
    text = parser._get_formatter()._expand_help(action) if action.help else ""
    return " ".join(text.split())
