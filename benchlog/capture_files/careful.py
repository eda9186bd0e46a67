"""Tables with odd cells: every cell is read as text and accounted for."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.capture_files.cells import AMBIGUOUS_GROUP, BLANKS, cell_kind, is_missing
from benchlog.capture_files.header import Header
from benchlog.capture_files.plain_text import PlainText
from benchlog.capture_files.text_layout import TextLayout, seen
from benchlog.errors import CaptureFileError

Flags = npt.NDArray[np.bool_]


def parse_body(text: PlainText, layout: TextLayout, **options: Any) -> Any:
    """Parse the lines from the first data line on into a pandas frame with columns 0, 1..."""
    import pandas as pd

    separator = {BLANKS: r"\s+", "": "\x1f"}.get(layout.delimiter, layout.delimiter)
    if layout.thousands:
        options["thousands"] = layout.thousands
    with warnings.catch_warnings():
        # Check for rows wider than the table: pandas only warns about them.
        warnings.simplefilter("error")
        stream = io.BytesIO(text.data)
        stream.seek(layout.offset)
        return pd.read_csv(
            stream,
            sep=separator,
            header=None,
            names=range(layout.width),
            index_col=False,
            decimal=layout.decimal,
            skipinitialspace=f"{layout.delimiter} " in layout.first_text,
            encoding_errors="replace",
            **options,
        )


def texts(series: Any) -> list[str]:
    """Return cells as stripped text; what pandas calls missing is empty."""
    return [v.strip() if isinstance(v, str) else "" for v in series.to_numpy(dtype=object)]


def read_carefully(
    text: PlainText, layout: TextLayout, header: Header, name: str, strict: bool, notes: list[str]
) -> list[Any]:
    """Read every cell as text, and tell bad cells, footers and second tables apart.

    Returns arrays of numbers for columns of kind N, lists of texts for the others; anything left out is added to `notes`.

    Raises
    ------
    CaptureFileError
        If rows are wider than the table, text lies between the data (in a log: other than the header
        again), or a number can be read in two ways.
    """
    cells = _cells(text, layout, name)
    numbers: dict[int, npt.NDArray[np.float64]] = {}
    n_rows = len(cells[0])
    good, bad = np.zeros((2, len(cells), n_rows), dtype=bool)
    for i, kind in enumerate(layout.kinds):
        if kind == "N":
            numbers[i] = _to_numbers(cells[i], layout, name)
            good[i] = ~np.isnan(numbers[i])
        elif kind in "SDC":
            good[i] = [cell_kind(c, layout.decimal) == kind for c in cells[i]]
        else:
            continue
        bad[i] = ~good[i] & np.array([not is_missing(c) for c in cells[i]])
    right: Flags = np.asarray(good.any(axis=0))
    wrong: Flags = np.asarray(bad.any(axis=0))
    if not right.any():
        raise CaptureFileError(f"{name}: no data rows", hint=seen(layout))
    keep = ~_text_rows(cells, right, wrong, layout, header, name, strict, notes)
    # A row of words for "no value" counts as a row; one of delimiters only does not.
    for row in np.flatnonzero(keep & ~right & ~wrong):
        keep[row] = any(column[row] for column in cells)
    _leave_out_short_end(cells, layout, keep, notes)
    odd = np.flatnonzero(keep & wrong)
    if odd.size:
        first = int(np.flatnonzero(bad[:, odd[0]])[0])
        notes.append(f"{odd.size} rows with unreadable cells, e.g. {cells[first][int(odd[0])]!r}")
    return [
        numbers[i][keep] if i in numbers else [c for c, kept in zip(column, keep, strict=True) if kept]
        for i, column in enumerate(cells)
    ]


def _cells(text: PlainText, layout: TextLayout, name: str) -> list[list[str]]:
    try:
        frame = parse_body(text, layout, dtype=str, na_filter=False)
    except (ValueError, Warning) as error:
        place = re.search(r"line (\d+), saw (\d+)", str(error))
        where = f"line {int(place[1]) + layout.first_line - 1} has {place[2]} cells" if place else str(error)
        raise CaptureFileError(
            f"{name}: the lines do not all have {layout.width} cells: {where}",
            hint=f"is there a second table in the file? {seen(layout)}",
        ) from None
    return [texts(frame[i]) for i in range(layout.width)]


def _to_numbers(cells: list[str], layout: TextLayout, name: str) -> npt.NDArray[np.float64]:
    """Return numbers, NaN where there is none."""
    import pandas as pd

    plain = pd.Series(cells, dtype=object)
    if layout.thousands:
        plain = plain.str.replace(layout.thousands, "", regex=False)
    if layout.decimal == ",":
        plain = plain.str.replace(",", ".", regex=False)
    raw = np.asarray(pd.to_numeric(plain, errors="coerce").to_numpy(), dtype=np.float64)
    if not layout.thousands:
        refuse_other_mark(cells, layout, name)
    return np.where(np.isfinite(raw), raw, np.nan)


def refuse_other_mark(cells: Sequence[str], layout: TextLayout, name: str) -> None:
    """Refuse a number written with the other decimal mark, or with grouped digits.

    Raises
    ------
    CaptureFileError
        If there is one; it could be two numbers.
    """
    other = "," if layout.decimal == "." else "."
    for row, cell in enumerate(cells):
        if other not in cell or cell_kind(cell, layout.decimal) not in "GX":
            continue
        if cell_kind(cell, other) == "N" or AMBIGUOUS_GROUP.fullmatch(cell):
            raise CaptureFileError(
                f"{name}: cell {cell!r} in data row {row + 1} could be {cell.replace(other, '.')} or "
                f"{cell.replace(other, '')}: other numbers have {layout.decimal!r} as decimal mark",
                hint=f"export with one decimal mark, without grouping of digits; {seen(layout)}",
            )


def _text_rows(
    cells: list[list[str]],
    right: Flags,
    wrong: Flags,
    layout: TextLayout,
    header: Header,
    name: str,
    strict: bool,
    notes: list[str],
) -> Flags:
    """Return the rows of text: repeated headers, and all from the first line of a footer on."""
    out = ~right & wrong
    end = int(np.flatnonzero(right)[-1])
    title = [c for c in header.raw_names if c]
    between = np.flatnonzero(out[:end]).tolist()
    for row in between:
        shown = [column[row] for column in cells if column[row]]
        if strict or shown != title:
            raise CaptureFileError(
                f"{name}: text between the data ({_row_text(shown)!r}, data row {row + 1}): "
                "two tables in one file?",
                hint=f"split the file and give one part; {seen(layout)}",
            )
    if between:
        notes.append(f"{len(between)} repeated header lines left out")
    footer = np.flatnonzero(out[end + 1 :])
    if footer.size:
        first = end + 1 + int(footer[0])
        notes.append(f"text after the data left out: {_row_text([c[first] for c in cells])!r}")
        out[end + 1 :] = True
    return out


def _row_text(cells: list[str]) -> str:
    return " ".join(c for c in cells if c)[:60]


def _leave_out_short_end(cells: list[list[str]], layout: TextLayout, keep: Flags, notes: list[str]) -> None:
    """Leave out a last row that was cut off while being written."""
    kept = np.flatnonzero(keep)
    last = len(layout.kinds.rstrip("M")) - 1
    if kept.size < 3 or last == 0:
        return
    row = int(kept[-1])
    if not cells[last][row] and all(cells[last][r] for r in kept[-4:-1]):
        notes.append(f"last row left out: it is cut short: {_row_text([c[row] for c in cells])!r}")
        keep[row] = False
