"""How a text table is laid out: delimiter, decimal mark, kind of each column, where the data begin.

Every pair of delimiter and decimal mark is tried on a sample of lines; the pair with most numbers and times wins. If two
pairs fit equally well but give different numbers, the file is refused: a wrong guess would look like a good capture.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.capture_files.cells import AMBIGUOUS_GROUP, BLANKS, cell_kind, delimiter_name, split_line
from benchlog.capture_files.plain_text import PlainText
from benchlog.errors import CaptureFileError

# The earlier one wins a tie: a tab or semicolon is rarely there by chance, a blank often is.
_DELIMITERS = ("\t", ";", ",", "|", BLANKS, "")
_SEP_LINE = re.compile(r'"?sep=(.)"?', re.IGNORECASE)
_EDGE_LINES = 60
_VALUE_KINDS = frozenset("NSDC")
# Cells that settle whether "1,234" is a decimal: a leading zero, or other than three digits after the comma.
_DECIMAL_EVIDENCE = re.compile(rb"(?<![\d,.])[+-]?0,\d|\d,(?:\d{1,2}|\d{4,})(?![\d,])|\d{4,},\d|\d,\d+[eE]")


@dataclass(frozen=True, slots=True)
class TextLayout:
    """How to read the table."""

    #: delimiter, decimal, thousands: Delimiter (`BLANKS` for runs of blanks, empty for one column), decimal
    #: mark, mark of grouped digits.
    delimiter: str
    decimal: str
    thousands: str
    kinds: (
        str  #: One letter per column: N number, S time stamp, D date, C clock time, X text, M never a value.
    )
    header: tuple[str, ...]  #: Lines above the data.
    first_line: int  #: Number of the first data line, counted from 1.
    first_text: str  #: That line.
    offset: int  #: Its place in the plain text, bytes.

    @property
    def width(self) -> int:
        """Columns."""
        return len(self.kinds)


def seen(layout: TextLayout) -> str:
    """Say in a hint how the file was read."""
    mark = "point" if layout.decimal == "." else "comma"
    return (
        f"seen: {delimiter_name(layout.delimiter)} separated, decimal {mark}, {layout.width} columns, "
        f"data from line {layout.first_line}: {layout.first_text[:80]!r}"
    )


def _kinds_of(cells: list[str], decimal: str) -> str:
    return "".join([cell_kind(cell, decimal) for cell in cells])


def _column_kinds(rows: list[str]) -> str:
    """Return the usual kind of each column over rows of one width."""
    kinds = ""
    for column in zip(*rows, strict=True):
        counted = Counter(kind for kind in column if kind != "M")
        if not counted:
            kinds += "M"
        elif "X" in counted and counted.total() < 0.5 * len(column):
            kinds += "X"  # a header written beside the first rows
        else:
            kinds += max(counted, key=lambda kind: (counted[kind], kind == "N"))
    return kinds


def _fits(row: str, kinds: str) -> bool:
    """Return whether a row of cell kinds is a data row of columns of these kinds."""
    some = False
    for kind, wanted in zip(row, kinds, strict=True):
        if kind == "M":
            continue
        if wanted in ("X", "M"):
            continue
        if kind != wanted and not (kind == "G" and wanted == "N"):
            return False
        some = True
    return some


@dataclass(frozen=True, slots=True)
class _Trial:
    delimiter: str
    decimal: str
    kinds: str
    score: float
    rows: int
    grouped: bool


def _try(lines: list[str], delimiter: str, decimal: str) -> _Trial | None:
    by_width: dict[int, list[str]] = {}
    for line in lines:
        cells = split_line(line, delimiter)
        if cells:
            by_width.setdefault(len(cells), []).append(_kinds_of(cells, decimal))
    best: _Trial | None = None
    for rows in by_width.values():
        kinds = _column_kinds(rows).replace("G", "N")
        if not set(kinds) & _VALUE_KINDS:
            continue
        fitting = [row for row in rows if _fits(row, kinds)]
        if fitting:  # once more without header lines that happen to have as many cells
            kinds = _column_kinds(fitting).replace("G", "N")
        values = filled = grouped = 0
        for row in fitting:
            for kind, wanted in zip(row, kinds, strict=True):
                if kind != "M":
                    filled += 1
                    values += wanted in _VALUE_KINDS and kind != "G"
                    grouped += kind == "G"
        score = len(fitting) * values / max(filled, 1)
        if best is None or score > best.score:
            best = _Trial(delimiter, decimal, kinds, score, len(fitting), grouped > 0)
    return best


def _sample(text: PlainText) -> tuple[list[str], list[str]]:
    """Return the head, and a sample of non-blank lines from head, middle and end."""
    head = text.head()
    middle: list[str] = []
    size = len(text.data)
    if size > 60_000:
        # Lines may be long: take enough bytes for a few dozen of the longest seen.
        piece = 40 * max(80, max(len(line) for line in head[:200]) + 1)
        middle = text.lines_at(size // 2, piece)[:40] + text.lines_at(size - piece, piece)[-41:]
        lines = head[:_EDGE_LINES] + middle
    else:
        lines = head if len(head) <= 3 * _EDGE_LINES else head[:_EDGE_LINES] + head[-2 * _EDGE_LINES :]
    return head, [line for line in lines if line.strip()]


def sniff(text: PlainText, name: str, *, decimal: str | None = None, wanted: int | None = None) -> TextLayout:
    """Find out the layout of a text table.

    Parameters
    ----------
    decimal : {".", ","}, optional
        Decimal mark when the caller knows it.
    wanted : int, optional
        How many columns the caller expects; settles ``1,5`` (one column or two).

    Raises
    ------
    CaptureFileError
        If no table of numbers is there, or the cells can be read in two ways.
    """
    head, lines = _sample(text)
    stated = next((m.group(1) for line in head[:2] if (m := _SEP_LINE.fullmatch(line.strip()))), None)
    trials = _trials(lines, (stated,) if stated else _DELIMITERS, (decimal,) if decimal else (".", ","))
    if not trials:
        raise CaptureFileError(f"{name}: no table of numbers in it", hint=f"it begins: {_shown(lines)}")
    best = _best(trials)
    if best.score < 0.2 * best.rows or best.rows < 2:
        raise CaptureFileError(
            f"{name}: no table of numbers in it (no two rows look alike)",
            hint=f"it begins: {_shown(lines)}",
        )
    if best.delimiter == "," and not decimal:
        best = _one_column_or_two(best, trials, head, lines, name, wanted)
    if best.decimal == "," and not decimal:
        _refuse_ambiguous_comma(best, lines, text, name)
    thousands = _thousands(best, lines, name) if best.grouped else ""
    return _locate(head, best, thousands, name)


def _best(trials: list[_Trial]) -> _Trial:
    """The first of those that read most rows."""
    top = max(trial.score for trial in trials)
    return next(trial for trial in trials if trial.score >= top - 1e-9)


def _trials(lines: list[str], delimiters: Sequence[str], marks: Sequence[str]) -> list[_Trial]:
    """Try every pair of delimiter and decimal mark that can be in these lines."""
    joined = "\n".join(lines)
    trials = []
    for delimiter in delimiters:
        if delimiter not in ("", BLANKS) and delimiter not in joined:
            continue
        for mark in marks:
            if mark == "," and ("," not in joined or (delimiter == "," and '"' not in joined)):
                continue
            if trial := _try(lines, delimiter, mark):
                trials.append(trial)
    return trials


def _shown(lines: list[str]) -> str:
    return " / ".join(repr(line[:60]) for line in lines[:3])


def _one_column_or_two(
    best: _Trial,
    trials: list[_Trial],
    head: list[str],
    lines: list[str],
    name: str,
    wanted: int | None,
) -> _Trial:
    """Settle ``1,5``: two columns of whole numbers, or one with a decimal comma."""
    single = next((t for t in trials if t.decimal == "," and t.delimiter == "" and t.kinds == "N"), None)
    if best.kinds != "NN" or single is None or single.score < best.score - 1e-9:
        _refuse_doubled_cells(best, head, lines, name)
        return best
    if wanted in (1, 2):
        return single if wanted == 1 else best
    data = [line for line in lines if _kinds_of(split_line(line, ","), ".") == "NN"]
    two = _two_columns(head, data)
    if two is None:
        raise CaptureFileError(
            f"{name}: lines such as {data[0]!r} could be two columns or one with a decimal comma",
            hint="name the columns, or export with a decimal point",
        )
    return best if two else single


def _two_columns(head: list[str], data: list[str]) -> bool | None:
    """Whether titles or digits show two columns, one, or neither (None)."""
    if title := next((line for line in reversed(head[:60]) if line.strip() and line not in data), ""):
        return "," in title
    return False if any(re.search(r",0\d", line) for line in data) else None


def _refuse_doubled_cells(best: _Trial, head: list[str], lines: list[str], name: str) -> None:
    """Refuse ``0,001,1,234``, where the comma separates and marks decimals.

    Raises
    ------
    CaptureFileError
        If there are twice as many cells, all whole numbers, as names.
    """
    width = len(best.kinds)
    if width % 2 or set(best.kinds) != {"N"}:
        return
    titles = [line for line in head[:60] if line.strip() and "N" not in _kinds_of(split_line(line, ","), ".")]
    names = [c for c in split_line(titles[-1], ",") if c] if titles else []
    cells = (c for line in lines[-20:] for c in split_line(line, ","))
    if len(names) * 2 == width and all(re.fullmatch(r"[+-]?\d+(?:[eE][+-]?\d+)?", c) for c in cells):
        raise CaptureFileError(
            f"{name}: {len(names)} names ({titles[-1][:60]!r}) but {width} cells a line ({lines[-1][:60]!r}): "
            "the comma seems to be both separator and decimal mark",
            hint="export with a semicolon or tab between columns, or with a decimal point",
        )


def _refuse_ambiguous_comma(best: _Trial, lines: list[str], text: PlainText, name: str) -> None:
    """Refuse cells such as ``1,234`` where nothing in the file tells a decimal comma from grouped digits."""
    if _comma_is_decimal(best, lines, text):
        return
    cell = next(c for line in lines for c in split_line(line, best.delimiter) if AMBIGUOUS_GROUP.fullmatch(c))
    raise CaptureFileError(
        f"{name}: cells such as {cell!r} could be {cell.replace(',', '.')} or {cell.replace(',', '')}",
        hint="export with a decimal point, or with other than three decimals; "
        f"seen: {delimiter_name(best.delimiter)} separated, e.g. {lines[-1][:80]!r}",
    )


def _comma_is_decimal(best: _Trial, lines: list[str], text: PlainText) -> bool:
    cells = [c for line in lines for c in split_line(line, best.delimiter) if "," in c]
    numbers = [c for c in cells if cell_kind(c, ",") == "N"]
    if not numbers or not all(AMBIGUOUS_GROUP.fullmatch(c) for c in numbers):
        return True
    return best.delimiter != "," and _DECIMAL_EVIDENCE.search(text.data) is not None


def _thousands(best: _Trial, lines: list[str], name: str) -> str:
    """Return the grouping mark when some cell shows both marks, so that there is no doubt."""
    mark = "," if best.decimal == "." else "."
    grouped = [
        c for line in lines for c in split_line(line, best.delimiter) if cell_kind(c, best.decimal) == "G"
    ]
    if any(mark in c and best.decimal in c for c in grouped):
        return mark
    raise CaptureFileError(
        f"{name}: cells such as {grouped[0]!r} could be {grouped[0].replace(mark, '.')} or "
        f"{grouped[0].replace(mark, '')}",
        hint="export without grouping of digits, with a decimal point",
    )


def _locate(head: list[str], best: _Trial, thousands: str, name: str) -> TextLayout:
    """Find the first data line and settle the width."""
    offset = 0
    for number, line in enumerate(head, start=1):
        cells = split_line(line, best.delimiter) if line.strip() else []
        if len(cells) == len(best.kinds) and _fits(_kinds_of(cells, best.decimal), best.kinds):
            # Some writers end only some lines with a delimiter.
            widest = max(
                len(split_line(row, best.delimiter)) for row in head[number - 1 : number + 99] if row.strip()
            )
            kinds = best.kinds + "M" * (1 if widest == len(best.kinds) + 1 else 0)
            delimiter = "" if len(kinds) == 1 else best.delimiter
            return TextLayout(
                delimiter,
                best.decimal,
                thousands,
                kinds,
                tuple(head[: number - 1]),
                number,
                line,
                offset,
            )
        offset += len(line.encode("utf-8")) + 1
    raise CaptureFileError(
        f"{name}: no data line within the first {len(head)} lines", hint=f"it begins: {_shown(head)}"
    )
