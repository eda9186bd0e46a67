"""Quantities of results, one row each, and which check each reading was taken for."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from benchlog.bench import Bench
from benchlog.logbook.chain import Entry
from benchlog.logbook.reader import LogbookReader
from benchlog.logbook.reading_table import ReadingArrays
from benchlog.reading import Function

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

QUANTITY_COLUMNS = (
    "entry",
    "time",
    "part",
    "check",
    "check_id",
    "verdict",
    "quantity",
    "value",
    "expanded_uncertainty",
    "unit",
    "low",
    "high",
    "coverage_factor",
    "degrees_of_freedom",
    "superseded_by",
)
_SHARED = ("time", "part", "check", "check_id", "verdict")
_OF_QUANTITY = ("value", "expanded_uncertainty", "unit", "coverage_factor", "degrees_of_freedom")


def quantity_rows(book: LogbookReader, *, withdrawn: bool) -> list[dict[str, Any]]:
    """One row for each quantity of each result, oldest first; those of withdrawn results only when asked for."""
    superseded = book.superseded()
    return [
        row
        for entry in book.entries("result")
        if withdrawn or entry.seq not in superseded
        for row in rows_of_result(entry.seq, entry.body, superseded.get(entry.seq))
    ]


def rows_of_result(
    entry: int, body: Mapping[str, Any], superseded_by: int | None
) -> Iterator[dict[str, Any]]:
    """One row of `QUANTITY_COLUMNS` for each quantity of one result."""
    limits = body.get("limits", {})
    for name, quantity in body.get("quantities", {}).items():
        limit = limits.get(name, {})
        row = {
            "entry": entry,
            **{key: body.get(key, "") for key in _SHARED},
            "quantity": name,
            **{key: quantity.get(key) for key in _OF_QUANTITY},
            "low": limit.get("low"),
            "high": limit.get("high"),
            "superseded_by": superseded_by,
        }
        yield {column: row[column] for column in QUANTITY_COLUMNS}


@dataclass(frozen=True, slots=True)
class Served:
    """The check that an entry of readings is evidence of."""

    part: str
    check_id: str
    check: str
    withdrawn: bool


def served_checks(results: Iterable[Entry], superseded: Collection[int]) -> Mapping[int, Served]:
    """Entry of readings -> the check it was taken for; withdrawn if no result that still counts uses it."""
    found: dict[int, Served] = {}
    for entry in results:
        gone = entry.seq in superseded
        for reference in entry.body.get("evidence", ()):
            kind, _, number = str(reference).partition(":")
            if kind != "readings" or not number.isdigit():
                continue
            seq = int(number)
            if not gone or seq not in found:
                part, check_id, check = (entry.body.get(key, "") for key in ("part", "check_id", "check"))
                found[seq] = Served(part, check_id, check, gone or seq in superseded)
    for seq in superseded:
        found.setdefault(seq, Served("", "", "", withdrawn=True))
    return found


def add_checks(
    frame: pd.DataFrame, book: LogbookReader, *, part: str | None, check: str | None, withdrawn: bool
) -> pd.DataFrame:
    """Add the columns part and check to a table of readings, and drop the rows that were not asked for."""
    import pandas as pd

    served = served_checks(book.entries("result"), book.superseded())
    entries, places = np.unique(frame["entry"].to_numpy(), return_inverse=True)
    none = Served("", "", "", withdrawn=False)
    of_entry = [served.get(int(entry), none) for entry in entries]
    keep = np.array(
        [
            (withdrawn or not s.withdrawn) and part in (None, s.part) and check in (None, s.check_id, s.check)
            for s in of_entry
        ],
        np.bool_,
    )
    at = list(frame.columns).index("entry")
    for name, words in (
        ("part", [s.part for s in of_entry]),
        ("check", [s.check_id or s.check for s in of_entry]),
    ):
        known = list(dict.fromkeys(words))
        codes = np.array([known.index(word) for word in words], np.int32)
        column = pd.Categorical.from_codes(codes[places], pd.Index(known, dtype=str))
        frame.insert(at, name, pd.Series(column))
        at += 1
    return frame if keep.all() else frame[keep[places]].reset_index(drop=True)


def add_uncertainty(frame: pd.DataFrame, arrays: ReadingArrays, bench: Bench) -> pd.DataFrame:
    """Add the column expanded_uncertainty (k = 2) from the accuracy statements of a bench; NaN where none applies."""
    frame.insert(
        list(frame.columns).index("unit") + 1, "expanded_uncertainty", expanded_uncertainties(arrays, bench)
    )
    return frame


def expanded_uncertainties(arrays: ReadingArrays, bench: Bench) -> npt.NDArray[np.float64]:
    """Expanded uncertainty (k = 2) of readings, shape (n_readings,), in the unit of their function; NaN: not known."""
    expanded = np.full(len(arrays), np.nan)
    for number, (tag, _, function) in arrays.channels.items():
        if tag in bench.instruments:
            rows = np.flatnonzero(arrays.table["channel"] == number)
            resolutions = arrays.table["resolution"][rows]
            u = bench.standard_uncertainties(tag, Function(function), arrays.value[rows], resolutions)
            expanded[rows] = 2 * u
    return expanded
