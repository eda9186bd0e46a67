"""Read a text file into columns of numbers and times, and note everything left out."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.capture_files.careful import parse_body, read_carefully, refuse_other_mark, texts
from benchlog.capture_files.cells import MISSING_WORDS, is_missing
from benchlog.capture_files.header import Header, read_header
from benchlog.capture_files.plain_text import PlainText, plain_text
from benchlog.capture_files.text_layout import TextLayout, seen, sniff
from benchlog.capture_files.timestamps import Stamps, read_clock, read_stamps
from benchlog.errors import CaptureFileError

# SCPI-99 volume 1, 7.2.1.5: 9.9E37 stands for infinity, 9.91E37 for "not a number".
_SCPI_INFINITY = 9.9e37
_NO_VALUE = sorted({v for w in MISSING_WORDS for v in (w, w.upper(), w.capitalize(), w.title())} | {"NaN"})


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column of a table."""

    name: str  #: Without the unit; unique in the table.
    aliases: tuple[str, ...]  #: Other texts that mean this column: the name with its unit as in the file.
    unit: str  #: SI unit, empty when the file does not say.
    factor: float  #: What turns the file's numbers into `unit`.
    #: Shape (n,). Numbers as in the file, NaN where there was none; empty for times.
    values: npt.NDArray[np.float64]
    stamps: Stamps | None = None  #: Times of a column of time stamps.
    clock_only: bool = False  #: Whether the stamps are times of day without a date.

    def called(self, text: str) -> bool:
        """Return whether `text` means this column."""
        return text == self.name or text in self.aliases


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Columns of one file."""

    columns: tuple[Column, ...]
    named: bool  #: Whether the file names its columns.
    fields: Mapping[str, str]  #: Header fields, keys in lower case.
    notes: tuple[str, ...]  #: What was left out or decided.
    layout: TextLayout
    sample: tuple[str, ...]  #: Some data lines from both ends, for what only the text shows.


def read_table(
    data: bytes, path: Path, *, strict: bool, decimal: str | None = None, wanted: int | None = None
) -> Table:
    """Read a text table.

    Parameters
    ----------
    strict : bool
        True for captures: a line of text between the data is refused. False for logs: a repeated header is
        left out with a note.
    decimal, wanted : optional
        See `sniff`.

    Raises
    ------
    CaptureFileError
        If it can't be read reliably.
    """
    text = plain_text(data, path.name)
    layout = sniff(text, path.name, decimal=decimal, wanted=wanted)
    header = read_header(layout)
    notes: list[str] = []
    columns = _read_fast(text, layout)
    if columns is None:
        columns = read_carefully(text, layout, header, path.name, strict, notes)
    ends = text.lines_at(layout.offset - 1, 4000)[:40] + text.lines_at(len(text.data) - 4000, 4000)[-40:]
    sample = tuple(line for line in ends if line.strip())
    return _assemble(columns, layout, header, notes, path.name, sample, strict)


def _read_fast(text: PlainText, layout: TextLayout) -> list[Any] | None:
    """Read with pandas' C parser; None if some cell does not fit its column."""
    kinds: dict[int, Any] = {i: np.float64 if kind == "N" else str for i, kind in enumerate(layout.kinds)}
    # Looking up words for "no value" takes a third of the time, so not in tables of numbers only.
    words: dict[str, Any] = {"na_filter": False}
    if set(layout.kinds) != {"N"}:
        words = {"na_values": _NO_VALUE, "keep_default_na": False}
    try:
        frame = parse_body(text, layout, dtype=kinds, **words)
    except (ValueError, Warning):
        return None
    columns: list[Any] = []
    for i, kind in enumerate(layout.kinds):
        if kind == "N":
            columns.append(np.asarray(frame[i].to_numpy(), dtype=np.float64))
        else:
            columns.append(texts(frame[i]))
    last = len(layout.kinds.rstrip("M")) - 1
    tail = columns[last]
    short = np.isnan(tail).any() if layout.kinds[last] == "N" else "" in tail
    return None if short else columns


def _assemble(
    raw: list[Any],
    layout: TextLayout,
    header: Header,
    notes: list[str],
    name: str,
    sample: tuple[str, ...],
    strict: bool,
) -> Table:
    columns: list[Column] = []
    kinds = layout.kinds
    taken: dict[str, int] = {}
    beside = _header_beside(raw, kinds)
    if header.note:
        notes.append(header.note)
    i = 2 if beside else 0
    while i < len(kinds):
        width = 2 if kinds[i : i + 2] == "DC" else 1  # a column of dates and one of times of day are one
        if kinds[i] in "NSDC":
            columns.append(_column(raw[i : i + width], i, kinds[i], header, taken, notes, name))
        else:
            notes += _left_out_text(raw[i], repr(header.names[i] or i + 1), layout, name)
            if strict:
                _refuse_decorated_numbers(raw[i], header.names[i] or f"column {i + 1}", layout, name)
        i += width
    if repeated := sorted(t for t, n in taken.items() if t and n > 1):
        notes.append(f"repeated names numbered: {', '.join(repeated)}")
    fields = {**header.fields, **beside}
    return Table(tuple(columns), header.named, fields, tuple(notes), layout, sample)


def _column(
    raw: list[Any], i: int, kind: str, header: Header, taken: dict[str, int], notes: list[str], name: str
) -> Column:
    """Make the column of that number, of numbers or of time stamps."""
    title = header.names[i]
    numbers, stamps = np.empty(0), None
    if kind == "N":
        numbers = _without_overload(raw[0], repr(title or i + 1), notes)
    else:
        stamps = _stamps(raw, kind, name, notes)
    title = _unique(title or (f"column {i + 1}" if header.named else ""), taken)
    aliases = (header.raw_names[i],) if header.raw_names[i] else ()
    factor, unit = header.units[i]
    return Column(title, aliases, unit, factor, numbers, stamps, kind == "C")


def _unique(title: str, taken: dict[str, int]) -> str:
    """Number a name that came before."""
    taken[title] = taken.get(title, 0) + 1
    return f"{title} #{taken[title]}" if title and taken[title] > 1 else title


def _left_out_text(cells: list[Any], title: str, layout: TextLayout, name: str) -> list[str]:
    """Return the note for a column of text; none for an empty one."""
    refuse_other_mark(cells[:50], layout, name)
    if all(is_missing(v) for v in cells):
        return []
    return [f"column {title} left out: text, e.g. {next(v for v in cells if v)!r}"]


def _without_overload(
    values: npt.NDArray[np.float64], title: str, notes: list[str]
) -> npt.NDArray[np.float64]:
    """Replace the numbers that instruments send for overload by NaN."""
    overload = np.abs(values) >= _SCPI_INFINITY
    if not overload.any():
        return values
    notes.append(f"{int(overload.sum())} overload numbers (9.9E37) in {title} left out")
    return np.where(overload, np.nan, values)


def _stamps(cells: list[Any], kind: str, name: str, notes: list[str]) -> Stamps:
    """Read times from one column, or from a column of dates and one of times of day."""
    if len(cells) == 2:
        stamps = read_stamps([f"{d} {c}".strip() for d, c in zip(*cells, strict=True)], name)
    else:
        stamps = read_clock(cells[0]) if kind == "C" else read_stamps(cells[0], name)
    if stamps.note:
        notes.append(stamps.note)
    return stamps


def _header_beside(raw: list[Any], kinds: str) -> dict[str, str]:
    """Return fields written in the first two columns beside the first data rows, as some scopes do."""
    if len(kinds) < 4 or kinds[0] != "X":
        return {}
    filled = [row for row, key in enumerate(raw[0]) if key]
    if not filled or filled[-1] >= 100 or 2 * len(filled) > len(raw[0]):
        return {}
    fields: dict[str, str] = {}
    for row in filled:
        value = raw[1][row]
        text = value if isinstance(value, str) else ("" if np.isnan(value) else repr(float(value)))
        if text:
            fields[" ".join(raw[0][row].casefold().split())] = text
    return fields


def _refuse_decorated_numbers(cells: list[str], title: str, layout: TextLayout, name: str) -> None:
    """Refuse a column of numbers with units or blanks in them: it would be left out as text.

    Raises
    ------
    CaptureFileError
        If most of its cells begin with a digit.
    """
    filled = [c for c in cells[:200] if not is_missing(c)]
    decorated = [c for c in filled if re.match(r"[+-]?\d", c)]
    if len(decorated) > len(filled) / 2:
        raise CaptureFileError(
            f"{name}: {title!r} holds {decorated[0]!r}, which is not a plain number",
            hint=f"export numbers without units or blanks in them; {seen(layout)}",
        )
