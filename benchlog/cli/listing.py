"""Lines and columns of the commands that only look something up, laid out with the standard library.

Such commands must be fast, and importing rich would take longer than everything else they do.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from itertools import islice, zip_longest
from typing import TYPE_CHECKING, TextIO

from benchlog.wording import strip_controls

if TYPE_CHECKING:
    from rich.console import Console

_STYLES = {"bold": "1", "dim": "2", "yellow": "33", "strike": "9"}
_GAP = 2
_NARROW = 60
_NARROWEST = 12  # columns of the last cell


class Listing:
    """Lays out lines and tables for one width.

    Parameters
    ----------
    write : callable
        Takes a finished line and its style: bold, dim, yellow, strike or none.
    width : int
        Columns of the screen.
    """

    def __init__(self, write: Callable[[str, str], None], width: int) -> None:
        self._write, self._width = write, max(width, 20)

    @property
    def narrow(self) -> bool:
        """Whether a table of several columns would have to break words."""
        return self._width < _NARROW

    def line(self, text: str, style: str = "") -> None:
        """Write a text, folded between words to the screen's width."""
        for part in _folded(strip_controls(text), self._width):
            self._write(part, style)

    def cut(self, text: str, style: str = "") -> None:
        """Write one line; if too long it ends in an ellipsis."""
        self._write(_cut(strip_controls(text), self._width), style)

    def under(self, head: str, text: str, style: str = "", *, most: int) -> None:
        """Write a text beside its head, folded; on a narrow screen below it. Of a long text only `most` lines are shown."""
        if self.narrow:
            self.cut(head, style)
            head = ""
        lead = " " * (len(head) + _GAP if head else 2 * _GAP)
        width = self._width - len(lead)
        lines = list(islice(_folded(strip_controls(text), width), most + 1))
        if len(lines) > most:
            lines[most - 1 :] = [_cut(f"{lines[most - 1]} {lines[most]}", width)]
        for number, line in enumerate(lines):
            self._write(
                f"{strip_controls(head):{len(lead)}}{line}" if head and not number else lead + line, style
            )

    def whole(self, text: str, style: str = "") -> None:
        """Write one line of any length, for copying."""
        self._write(strip_controls(text), style)

    def table(
        self,
        header: Sequence[str],
        rows: Sequence[Sequence[str]],
        *,
        cut: Sequence[bool] = (),
        right: Sequence[str] = (),
    ) -> None:
        """Write rows under a dim header; columns are as wide as their texts, the last gets the rest.

        Parameters
        ----------
        cut : sequence of bool
            One per row: a long last cell ends in an ellipsis instead of being folded.
        right : sequence of str
            Columns aligned right.
        """
        texts = [[strip_controls(cell) for cell in row] for row in (header, *rows)]
        widths = [max(map(_cells, column)) for column in zip(*texts, strict=True)]
        room = self._width - _GAP * (len(widths) - 1)
        last = min(widths[-1], _NARROWEST)
        while sum(widths[:-1]) > room - last and max(widths[:-1]) > _NARROWEST // 2:
            widths[widths.index(max(widths[:-1]))] -= 1
        widths[-1] = min(widths[-1], max(room - sum(widths[:-1]), last))
        for number, row in enumerate(texts):
            cells = [list(_folded(text, w)) for text, w in zip(row, widths, strict=True)]
            if number and number <= len(cut) and cut[number - 1]:
                cells[-1] = [_cut(row[-1], widths[-1])]
            for line in zip_longest(*cells, fillvalue=""):
                padded = [
                    " " * (w - _cells(text)) + text if name in right else text + " " * (w - _cells(text))
                    for name, text, w in zip(header, line, widths, strict=True)
                ]
                self._write((" " * _GAP).join(padded).rstrip(), "" if number else "dim")


def on_stream(stream: TextIO, env: Mapping[str, str]) -> Listing:
    """Lay out for a terminal or pipe: styles on a terminal only; width of the terminal or COLUMNS, else 80."""
    columns = env.get("COLUMNS", "")
    width = int(columns) if columns.isdecimal() and int(columns) else 0
    with suppress(OSError, ValueError):
        width = width or os.get_terminal_size(stream.fileno()).columns
    plain = "NO_COLOR" in env or env.get("TERM") in ("dumb", "unknown") or not stream.isatty()
    # Windows consoles older than Windows Terminal print the codes literally.
    plain = plain or (os.name == "nt" and "WT_SESSION" not in env)

    def write(line: str, style: str) -> None:
        stream.write(f"\x1b[{_STYLES[style]}m{line}\x1b[0m\n" if style and not plain else f"{line}\n")

    return Listing(write, width or 80)


def on_console(console: Console) -> Listing:
    """Lay out for a rich console that other output also uses."""
    from rich.text import Text

    return Listing(
        lambda line, style: console.print(
            Text(line, style=style), no_wrap=True, overflow="ignore", crop=False
        ),
        console.width,
    )


def _cells(text: str) -> int:
    """Columns a text takes; East Asian characters take two, combining ones none."""
    if all(c < "\u0300" or "\u2000" <= c < "\u2e80" for c in text):
        return len(text)
    from unicodedata import combining, east_asian_width

    return sum(0 if combining(c) else 2 if east_asian_width(c) in "WF" else 1 for c in text)


def _prefix(text: str, width: int) -> int:
    """Number of characters that fit into the width, at least one."""
    if len(text) <= width and _cells(text) <= width:
        return len(text)
    used = 0
    for count, c in enumerate(text):
        used += _cells(c)
        if used > width:
            return max(count, 1)
    return len(text)


def _cut(text: str, width: int) -> str:
    return text if _cells(text) <= width else text[: _prefix(text, width - 1)].rstrip() + "…"


def _folded(text: str, width: int) -> Iterator[str]:
    """Fold a text between words, and within words longer than a line; keeps its indent."""
    indent = text[: len(text) - len(text.lstrip())] if len(text) > width else ""
    if len(indent) >= width // 2:
        indent = ""
    start, lead = 0, ""
    while True:
        piece = text[start : start + width + 1]
        fits = _prefix(piece, width - len(lead))
        if start + fits >= len(text):
            yield lead + piece
            return
        space = piece.rfind(" ", len(indent) + 1 if not start else 1, fits + 1)
        end = space if space > 0 else fits
        yield (lead + piece[:end]).rstrip()
        start += end
        while start < len(text) and text[start] == " ":
            start += 1
        lead = indent
