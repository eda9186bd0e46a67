"""Kind of a cell in a text table: number, time, missing, or text."""

from __future__ import annotations

import csv
import re
from functools import lru_cache

BLANKS = " "
"""Stands for "any run of blanks" as a delimiter."""

# Spreadsheet errors, overload as displayed, and what loggers write for missing values.
MISSING_WORDS = frozenset(
    [
        *("", "nan", "na", "n/a", "null", "none", "nil", "-", "--", "---", "----", "?", "...", "*", "n.a."),
        *("#div/0!", "#n/a", "#value!", "#ref!", "#num!", "#name?", "#null!", "#error", "#error!", "#spill!"),
        *("#wert!", "#zahl!", "#bezug!", "#nv", "#valeur!", "#nombre!"),
        *(
            "ol",
            "-ol",
            "+ol",
            "o.l",
            "o.l.",
            "0.l",
            "0l",
            ".ol",
            "ovld",
            "ovl",
            "overload",
            "overflow",
            "over",
        ),
        *("inf", "+inf", "-inf", "infinity", "-infinity", "1.#inf", "-1.#inf", "1.#qnan", "-1.#ind"),
        *("∞", "+∞", "-∞"),
        *("err", "error", "open", "invalid", "bad", "fault", "-nan", "nan(ind)", "-nan(ind)"),
    ]
)

_EXPONENT = r"(?:[eE][+-]?\d+)?"
_NUMBER = {
    ".": re.compile(rf"[+-]?(?:\d+\.?\d*|\.\d+){_EXPONENT}"),
    ",": re.compile(rf"[+-]?(?:\d+(?:,\d+)?|,\d+){_EXPONENT}"),
}
_GROUPED = {
    ".": re.compile(rf"[+-]?\d{{1,3}}(?:,\d{{3}})+(?:\.\d*)?{_EXPONENT}"),
    ",": re.compile(rf"[+-]?\d{{1,3}}(?:\.\d{{3}})+(?:,\d+)?{_EXPONENT}"),
}
AMBIGUOUS_GROUP = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
"""``1,234`` may be 1.234 or 1234."""

DATE = (
    r"(?:\d{4}[-/]\d{1,2}[-/]\d{1,2}|\d{1,2}\.\d{1,2}\.(?:\d{4}|\d{2})|\d{1,2}[/-]\d{1,2}[/-](?:\d{4}|\d{2}))"
)
CLOCK = r"\d{1,3}:\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?(?:\s?[AaPp][Mm])?"
ZONE = r"\s?(?:Z|UTC|GMT|[+-]\d{2}:?\d{2})"
_DATE, _CLOCK = re.compile(DATE), re.compile(CLOCK)
_STAMP = re.compile(rf"{DATE}[T_,]?\s*{CLOCK}(?:{ZONE})?")
_DIGIT = re.compile(r"\d")
_BLANK_CELLS = re.compile(r'"[^"]*"|\S+')


def is_missing(cell: str) -> bool:
    """Return whether a stripped cell stands for "no value"."""
    return cell.casefold() in MISSING_WORDS


@lru_cache(maxsize=65536)
def cell_kind(cell: str, decimal: str) -> str:
    """Return one letter for a stripped cell.

    ``N`` number, ``G`` number with grouped digits, ``S`` time stamp, ``D`` date, ``C`` clock time,
    ``M`` missing, ``X`` other text.
    """
    if cell.casefold() in MISSING_WORDS:
        return "M"
    if not _DIGIT.search(cell):
        return "X"
    if _NUMBER[decimal].fullmatch(cell):
        return "N"
    for pattern, kind in ((_GROUPED[decimal], "G"), (_STAMP, "S"), (_DATE, "D"), (_CLOCK, "C")):
        if pattern.fullmatch(cell):
            return kind
    return "X"


def split_line(line: str, delimiter: str) -> list[str]:
    """Split a line into stripped cells without their quotes; an empty delimiter means one column."""
    if delimiter == BLANKS:
        return [cell.strip('"') for cell in _BLANK_CELLS.findall(line)]
    if not delimiter:
        return [line.strip().strip('"').strip()]
    if '"' in line:
        try:
            row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:  # a quote that is never closed
            row = line.split(delimiter)
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in line.split(delimiter)]


def delimiter_name(delimiter: str) -> str:
    """Return the delimiter in words for messages."""
    names = {
        ",": "comma",
        ";": "semicolon",
        "\t": "tab",
        "|": "bar",
        BLANKS: "blanks",
        "": "none (one column)",
    }
    return names.get(delimiter, repr(delimiter))
