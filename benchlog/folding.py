"""Text folded to the terminal's width; command lines so that they can still be copied as one command."""

from __future__ import annotations

import os
from collections.abc import Iterator

TYPE_CHECKING = False  # importing typing would take a large part of the start-up time
if TYPE_CHECKING:
    import re

#: Whether a shell joins lines at a backslash; PowerShell does not.
_JOINS = os.name != "nt"
#: What an indented line begins with if it is a command.
_COMMAND = "benchlog "
#: Words of a command, quoted parts in one piece.
_WORD = r"""(?:[^\s"']|"[^"]*"|'[^']*')+"""


def terminal_columns() -> int:
    """Width of the terminal. argparse would import shutil for it, which slows every command."""
    if (columns := os.environ.get("COLUMNS", "")).isdecimal() and int(columns) > 0:
        return int(columns)
    try:
        return os.get_terminal_size(1).columns or 80
    except OSError:
        return 80


def folded(text: str, width: int | None = None) -> str:
    """Fold lines too long for the terminal between words; those of an indented line go on four columns further in.

    An indented line that begins with ``benchlog`` is a command, see `folded_command`.
    """
    width = width or terminal_columns()
    if not _JOINS:
        text = _joined(text)
    if all(len(line) <= width for line in text.splitlines()):
        return text
    import textwrap

    lines: list[str] = []
    for line in _joined(text).splitlines():
        rest = line.lstrip()
        indent = " " * (len(line) - len(rest))
        if indent and rest.startswith(_COMMAND):
            lines += folded_command(rest, width, indent)
            continue
        lines += textwrap.wrap(
            rest,
            max(width, 20),
            initial_indent=indent,
            subsequent_indent=f"{indent}    " if indent else "",
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return "\n".join(lines)


def _joined(text: str) -> str:
    """Each command in one line."""
    if " \\\n" not in text:
        return text
    import re

    return re.sub(r" \\\n\s+", " ", text)


def folded_line(text: str, width: int) -> str:
    """Fold a line between words; it goes on at its indent, behind a mark like ``!``."""
    if len(text) <= width:
        return text
    import textwrap

    indent = text[: len(text) - len(text.lstrip())]
    mark = text[len(indent) : len(indent) + 2]
    behind = "  " if mark.endswith(" ") and not mark[0].isalnum() else ""
    return textwrap.fill(text, max(width, 20), subsequent_indent=indent + behind, break_on_hyphens=False)


def folded_command(line: str, width: int, indent: str = "  ") -> Iterator[str]:
    """Fold a command between its options with a backslash, which a shell joins; in PowerShell none does, so it stays whole.

    An explanation beside it, two or more blanks away, goes below it.

    >>> print(*folded_command('benchlog supply --nameplate "24 V ac" --reading "27.8 V ac"', 40), sep="\\n")
      benchlog supply \\
          --nameplate "24 V ac" \\
          --reading "27.8 V ac"
    """
    import re

    words = list(re.finditer(_WORD, line))
    ends = (k for k, word in enumerate(words) if line[word.end() : word.end() + 2] == "  ")
    last = next(ends, len(words) - 1)
    beside = line[words[last].end() :].strip()
    parts = list(_parts(words[: last + 1]))
    room = width - len(" \\")
    shown = f"{indent}{parts[0]}"
    for k, part in enumerate(parts[1:], 1):
        needed = width if k == len(parts) - 1 else room
        if len(shown) + 1 + len(part) <= needed or not _JOINS:
            shown += f" {part}"
        else:
            yield f"{shown} \\"
            shown = f"{indent}    {part}"
    if beside and len(shown) + 2 + len(beside) <= width and shown.startswith(f"{indent}{parts[0]}"):
        yield f"{shown}  {beside}"
        return
    yield shown
    if beside:
        import textwrap

        under = f"{indent}      "
        yield from textwrap.wrap(beside, max(width, 20), initial_indent=under, subsequent_indent=under)


def prose_and_command(text: str) -> tuple[str, str]:
    """Split a sentence that ends in a command from it; the second part is empty if there is none.

    >>> prose_and_command("if it stays: benchlog diagnose --expect '27 V ac'")
    ('if it stays:', "benchlog diagnose --expect '27 V ac'")
    """
    prose, found, rest = text.rpartition(_COMMAND)
    word, _, options = rest.partition(" ")
    if found and word.isalpha() and options.startswith("--") and prose[-1:] in ("", " "):
        return prose.rstrip(), f"{found}{rest}"
    return text, ""


def _parts(words: list[re.Match[str]]) -> Iterator[str]:
    """The words of a command, each option with its first value."""
    k = 0
    while k < len(words):
        word, value = words[k][0], words[k + 1][0] if k + 1 < len(words) else "-"
        takes = word.startswith("--") and not value.startswith("-")
        yield f"{word} {value}" if takes else word
        k += 1 + takes
