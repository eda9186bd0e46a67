"""A text file to columns of numbers and times, with a note of everything left out."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.capture_files.cells import AMBIGUOUS_GROUP, BLANKS, MISSING_WORDS, cell_kind, is_missing
from benchlog.capture_files.dress import Dress, seen, sniff
from benchlog.capture_files.header import Header, read_header
from benchlog.capture_files.plain_text import PlainText, plain_text
from benchlog.capture_files.timestamps import Stamps, read_clock, read_stamps
from benchlog.errors import CaptureFileError

__all__ = ["Column", "Table", "read_table"]

# SCPI-99 volume 1, 7.2.1.5: 9.9E37 stands for infinity, 9.91E37 for "not a number".
_SCPI_INFINITY = 9.9e37
_NO_VALUE = sorted({v for w in MISSING_WORDS for v in (w, w.upper(), w.capitalize(), w.title())} | {"NaN"})


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Without the unit; unique in the table.
    aliases : tuple of str
        Other texts that mean this column: the name with its unit as in the file.
    unit : str
        SI unit, empty when the file does not tell.
    factor : float
        What turns the file's numbers into `unit`.
    values : array of shape (n,), float64
        Numbers as in the file, NaN where there was none; empty for times.
    stamps : Stamps or None
        Times of a column of time stamps.
    clock_only : bool
        Whether the stamps are times of day without a date.
    """

    name: str
    aliases: tuple[str, ...]
    unit: str
    factor: float
    values: npt.NDArray[np.float64]
    stamps: Stamps | None = None
    clock_only: bool = False

    def called(self, text: str) -> bool:
        """Tell whether `text` means this column."""
        return text == self.name or text in self.aliases


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Columns of one file.

    Attributes
    ----------
    columns : tuple of Column
    named : bool
        Whether the file names its columns.
    fields : mapping of str to str
        Header fields, keys in lower case.
    notes : tuple of str
        What was left out or settled.
    dress : Dress
    sample : tuple of str
        Some data lines from both ends, for what only the text shows.
    """

    columns: tuple[Column, ...]
    named: bool
    fields: Mapping[str, str]
    notes: tuple[str, ...]
    dress: Dress
    sample: tuple[str, ...]


def read_table(
    data: bytes, path: Path, *, strict: bool, decimal: str | None = None, wanted: int | None = None
) -> Table:
    """Read a text table.

    Parameters
    ----------
    data : bytes
        The file.
    path : Path
        Its name, for messages.
    strict : bool
        True for captures: a line of text between the data is refused. False for logs: a repeated header is
        left out with a note.
    decimal, wanted : optional
        See `sniff`.

    Raises
    ------
    CaptureFileError
        If it can't be read surely.
    """
    text = plain_text(data, path.name)
    dress = sniff(text, path.name, decimal=decimal, wanted=wanted)
    header = read_header(dress)
    notes: list[str] = []
    columns = _read_fast(text, dress)
    if columns is None:
        columns = _read_slowly(text, dress, path.name, strict, header, notes)
    ends = text.lines_at(dress.offset - 1, 4000)[:40] + text.lines_at(len(text.data) - 4000, 4000)[-40:]
    sample = tuple(line for line in ends if line.strip())
    return _assemble(columns, dress, header, notes, path.name, sample)


def _parse(text: PlainText, dress: Dress, **options: Any) -> Any:
    import pandas as pd

    separator = {BLANKS: r"\s+", "": "\x1f"}.get(dress.delimiter, dress.delimiter)
    if dress.thousands:
        options["thousands"] = dress.thousands
    with warnings.catch_warnings():
        # Rows wider than the table are checked for: pandas only warns about them.
        warnings.simplefilter("error")
        stream = io.BytesIO(text.data)
        stream.seek(dress.offset)
        return pd.read_csv(
            stream,
            sep=separator,
            header=None,
            names=range(dress.width),
            index_col=False,
            decimal=dress.decimal,
            skipinitialspace=f"{dress.delimiter} " in dress.first_text,
            encoding_errors="replace",
            **options,
        )


def _read_fast(text: PlainText, dress: Dress) -> list[Any] | None:
    """Read with pandas' C parser; None when some cell is not what its column promises."""
    kinds: dict[int, Any] = {i: np.float64 if kind == "N" else str for i, kind in enumerate(dress.kinds)}
    # Looking every cell up among the words for "no value" costs a third: not for tables of numbers alone.
    words: dict[str, Any] = {"na_filter": False}
    if set(dress.kinds) != {"N"}:
        words = {"na_values": _NO_VALUE, "keep_default_na": False}
    try:
        frame = _parse(text, dress, dtype=kinds, **words)
    except (ValueError, Warning):
        return None
    columns: list[Any] = []
    for i, kind in enumerate(dress.kinds):
        if kind == "N":
            columns.append(np.asarray(frame[i].to_numpy(), dtype=np.float64))
        else:
            columns.append(_texts(frame[i]))
    last = len(dress.kinds.rstrip("M")) - 1
    tail = columns[last]
    short = np.isnan(tail).any() if dress.kinds[last] == "N" else "" in tail
    return None if short else columns


def _texts(series: Any) -> list[str]:
    """Return cells as stripped text; what pandas calls missing is empty."""
    return [v.strip() if isinstance(v, str) else "" for v in series.to_numpy(dtype=object)]


def _read_slowly(
    text: PlainText, dress: Dress, name: str, strict: bool, header: Header, notes: list[str]
) -> list[Any]:
    """Read every cell as text, and tell bad cells, footers and second tables apart."""
    try:
        frame = _parse(text, dress, dtype=str, na_filter=False, skip_blank_lines=True)
    except (ValueError, Warning) as error:
        place = re.search(r"line (\d+), saw (\d+)", str(error))
        where = f"line {int(place[1]) + dress.first_line - 1} has {place[2]} cells" if place else str(error)
        raise CaptureFileError(
            f"{name}: the lines do not all have {dress.width} cells: {where}",
            hint=f"is there a second table in the file? {seen(dress)}",
        ) from None
    cells = [_texts(frame[i]) for i in range(dress.width)]
    n_rows = len(cells[0])
    numbers: dict[int, npt.NDArray[np.float64]] = {}
    wrong = np.zeros(n_rows, dtype=np.int64)
    right = np.zeros(n_rows, dtype=np.int64)
    for i, kind in enumerate(dress.kinds):
        if kind == "N":
            numbers[i], bad = _to_numbers(cells[i], dress, name, i)
            wrong += bad
            right += ~np.isnan(numbers[i])
        elif kind in "SDC":
            good = np.array([cell_kind(c, dress.decimal) == kind for c in cells[i]])
            right += good
            wrong += ~good & np.array([bool(c) for c in cells[i]])
    keep = np.ones(n_rows, dtype=bool)
    text_rows = np.flatnonzero((right == 0) & (wrong > 0))
    good_rows = np.flatnonzero(right > 0)
    if text_rows.size:
        end = int(good_rows[-1]) if good_rows.size else -1
        for row in text_rows.tolist():
            shown = [cells[i][row] for i in range(dress.width)]
            if row > end:
                continue
            repeated = [c for c in header.raw_names if c] == [c for c in shown if c]
            if strict or not repeated:
                raise CaptureFileError(
                    f"{name}: text between the data ({_row_text(shown)!r}, data row {row + 1}): "
                    "two tables in one file?",
                    hint=f"split the file and give one part; {seen(dress)}",
                )
        inside = int((text_rows < end).sum())
        if inside:
            notes.append(f"{inside} repeated header lines left out")
        if (text_rows > end).any():
            first = int(text_rows[text_rows > end][0])
            notes.append(f"text after the data left out: {_row_text([c[first] for c in cells])!r}")
            keep[end + 1 :] = False
        keep[text_rows] = False
    blank = (right == 0) & (wrong == 0)
    keep &= ~blank | _all_missing(cells, dress, blank)
    _check_short_last_row(cells, dress, keep, notes)
    out: list[Any] = []
    for i, kind in enumerate(dress.kinds):
        if kind == "N":
            out.append(numbers[i][keep])
        else:
            out.append([c for c, kept in zip(cells[i], keep, strict=True) if kept])
    left = int((wrong[keep] > 0).sum())
    if left:
        worst = int(np.flatnonzero(keep & (wrong > 0))[0])
        example = next(
            c[worst]
            for i, c in enumerate(cells)
            if dress.kinds[i] == "N" and not is_missing(c[worst]) and np.isnan(numbers[i][worst])
        )
        notes.append(f"{left} rows with unreadable cells, e.g. {example!r}")
    if not keep.any():
        raise CaptureFileError(f"{name}: no data row left", hint=seen(dress))
    return out


def _row_text(cells: list[str]) -> str:
    return " ".join(c for c in cells if c)[:60]


def _all_missing(cells: list[list[str]], dress: Dress, blank: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rows that say "no value" in words count as rows; empty ones (only delimiters) do not."""
    said = np.zeros(blank.size, dtype=bool)
    for row in np.flatnonzero(blank):
        said[row] = any(c[row] for c in cells)
    return said


def _check_short_last_row(
    cells: list[list[str]], dress: Dress, keep: npt.NDArray[np.bool_], notes: list[str]
) -> None:
    """Leave out a last row that was cut off while being written."""
    kept = np.flatnonzero(keep)
    if kept.size < 3:
        return
    last = len(dress.kinds.rstrip("M")) - 1
    row = kept[-1]
    if last > 0 and not cells[last][row] and all(cells[last][r] for r in kept[-4:-1]):
        notes.append(f"last row left out, it is cut short: {_row_text([c[row] for c in cells])!r}")
        keep[row] = False


def _to_numbers(
    cells: list[str], dress: Dress, name: str, column: int
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Return numbers (NaN where there is none) and where a cell was neither number nor missing."""
    import pandas as pd

    series = pd.Series(cells, dtype=object)
    plain = series
    if dress.thousands:
        plain = plain.str.replace(dress.thousands, "", regex=False)
    if dress.decimal == ",":
        plain = plain.str.replace(",", ".", regex=False)
    raw = np.asarray(pd.to_numeric(plain, errors="coerce").to_numpy(), dtype=np.float64)
    numbers = np.where(np.isfinite(raw), raw, np.nan)
    bad = np.zeros(len(cells), dtype=bool)
    for row in np.flatnonzero(np.isnan(numbers)):
        if is_missing(cells[row]):
            continue
        if dress.decimal == "." and AMBIGUOUS_GROUP.fullmatch(cells[row]):
            raise CaptureFileError(
                f"{name}: cell {cells[row]!r} in data row {row + 1}, column {column + 1} could be "
                f"{cells[row].replace(',', '.')} or {cells[row].replace(',', '')}",
                hint=f"export without grouping of digits; {seen(dress)}",
            )
        bad[row] = True
    return numbers, bad


def _assemble(
    raw: list[Any], dress: Dress, header: Header, notes: list[str], name: str, sample: tuple[str, ...]
) -> Table:
    columns: list[Column] = []
    kinds = dress.kinds
    taken: dict[str, int] = {}
    fields = dict(header.fields)
    beside = _header_beside(raw, kinds)
    fields.update(beside)
    if header.note:
        notes.append(header.note)
    i = 2 if beside else 0
    while i < len(kinds):
        kind, values = kinds[i], raw[i]
        title, raw_title = header.names[i], header.raw_names[i]
        factor, unit = header.units[i]
        stamps: Stamps | None = None
        numbers = np.empty(0)
        step = 1
        if kind == "N":
            overload = np.abs(values) >= _SCPI_INFINITY
            if overload.any():
                notes.append(
                    f"{int(overload.sum())} overload numbers (9.9E37) in {title or i + 1!r} left out"
                )
                values = np.where(overload, np.nan, values)
            numbers = values
        elif kind == "D" and i + 1 < len(kinds) and kinds[i + 1] == "C":
            stamps = read_stamps([f"{d} {c}".strip() for d, c in zip(values, raw[i + 1], strict=True)], name)
            step = 2
        elif kind in "SD":
            stamps = read_stamps(values, name)
        elif kind == "C":
            stamps = read_clock(values)
        else:
            filled = sum(not is_missing(v) for v in values)
            if filled:
                notes.append(
                    f"column {title or i + 1!r} left out: text, e.g. {next(v for v in values if v)!r}"
                )
            i += 1
            continue
        if stamps is not None and stamps.note:
            notes.append(stamps.note)
        title = title or (f"column {i + 1}" if header.named else "")
        if title:
            taken[title] = taken.get(title, 0) + 1
            if taken[title] > 1:
                title = f"{title} #{taken[title]}"
        columns.append(
            Column(title, (raw_title,) if raw_title else (), unit, factor, numbers, stamps, kind == "C")
        )
        i += step
    repeated = sorted(t for t, n in taken.items() if n > 1)
    if repeated:
        notes.append(f"repeated names numbered: {', '.join(repeated)}")
    return Table(tuple(columns), header.named, fields, tuple(notes), dress, sample)


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
