"""Logs: readings of one or more instruments over time, one per column."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchlog.capture_files.columns import is_time_name, pick_columns
from benchlog.capture_files.kinds import FileKind, file_kind, read_bytes
from benchlog.capture_files.samples import numeric_times
from benchlog.capture_files.table import Column, Table, read_table
from benchlog.capture_files.text_layout import seen
from benchlog.clock import rfc3339
from benchlog.errors import CaptureFileError, UsageError


@dataclass(frozen=True, slots=True, eq=False)
class Log:
    """Readings of several instruments."""

    #: Shape (n_rows,). Second since the first row; row numbers when `indexed`.
    time_s: npt.NDArray[np.float64]
    #: Shape (n_rows,). In SI units where the file gives them; NaN where a cell held no number.
    columns: Mapping[str, npt.NDArray[np.float64]]
    #: SI unit of each column, empty when the file does not say.
    units: Mapping[str, str] = field(default_factory=dict)
    indexed: bool = False  #: True when the file has no times.
    start: str = ""  #: Time of the first row as text, with ``Z`` when it is UTC; empty when there are none.
    utc_ns: int = 0  #: The same in nanoseconds; 0 when the zone is unknown.
    notes: tuple[str, ...] = ()  #: What was left out or decided.
    source: str = ""  #: Path of the file.
    #: Names with their units as in the file, to names of columns.
    aliases: Mapping[str, str] = field(default_factory=dict)

    @property
    def n_rows(self) -> int:
        """Rows."""
        return self.time_s.size

    def column(self, name: str) -> npt.NDArray[np.float64]:
        """Return a column by its name, or its name with the unit as in the file.

        Raises
        ------
        UsageError
            If there is none of that name; the hint lists those there are.
        """
        try:
            return self.columns[self.aliases.get(name, name)]
        except KeyError:
            raise UsageError(
                f"no column {name!r} in {Path(self.source).name}",
                hint=f"columns here: {', '.join(self.columns)}",
            ) from None


def load_log(path: str | Path, columns: Sequence[str] | None = None, *, decimal: str | None = None) -> Log:
    """Read a log as text table.

    Parameters
    ----------
    columns : sequence of str, optional
        Columns to take, by name or number from 1; names for all of them where the file has none.
    decimal : {".", ","}, optional
        Decimal mark, for files whose cells can be read both ways.

    Raises
    ------
    CaptureFileError
        If it can't be read reliably.
    """
    path = Path(path)
    data = read_bytes(path)
    kind = file_kind(data, path)
    if kind is not FileKind.TEXT:
        raise CaptureFileError(f"{path.name}: a {kind} file holds no log of readings", hint="give a CSV file")
    wanted = len(columns) if columns else None
    table = read_table(data, path, strict=False, decimal=decimal, wanted=wanted)
    return _log_from_table(table, path, columns)


def _log_from_table(table: Table, path: Path, columns: Sequence[str] | None) -> Log:
    picked = pick_columns(table, columns, path.name)
    notes = list(table.notes)
    time = _time_column(picked, notes) or _time_column(table.columns, [])
    chosen = [c for c in picked if c.stamps is None and c is not time]
    if not chosen:
        raise CaptureFileError(f"{path.name}: no column of readings", hint=seen(table.layout))
    n_rows = chosen[0].values.size
    time_s, start, utc_ns = _row_times(time, n_rows)
    if time is None:
        notes.append("no times: rows are numbered")
    keep = ~np.isnan(time_s)
    if not keep.all():
        notes.append(f"{int((~keep).sum())} rows without a time left out")
    time_s = time_s[keep]
    if not time_s.size:
        raise CaptureFileError(f"{path.name}: no row with a time", hint=seen(table.layout))
    values: dict[str, npt.NDArray[np.float64]] = {}
    units: dict[str, str] = {}
    aliases: dict[str, str] = {}
    for i, column in enumerate(chosen, start=1):
        name = column.name or f"column {i}"
        values[name] = column.values[keep] * column.factor
        units[name] = column.unit
        aliases |= {alias: name for alias in column.aliases if alias != name}
        if empty := int(np.isnan(values[name]).sum()):
            notes.append(f"{empty} of {keep.sum()} cells of {name!r} hold no number")
    if back := int((np.diff(time_s) < 0).sum()):
        notes.append(f"time steps back {back} times")
    return Log(time_s, values, units, time is None, start, utc_ns, tuple(notes), str(path), aliases)


def _row_times(time: Column | None, n_rows: int) -> tuple[npt.NDArray[np.float64], str, int]:
    """Return times from the first row in second, the first time as text, and the same in UTC where known."""
    if time is None:
        return np.arange(n_rows, dtype=np.float64), "", 0
    if time.stamps is None:
        time_s, utc_ns = numeric_times(time)
        return time_s, rfc3339(utc_ns) if utc_ns else "", utc_ns
    stamps = time.stamps
    first = int(stamps.ns[stamps.valid][0])
    time_s = np.where(stamps.valid, (stamps.ns - first) / 1e9, np.nan)
    text = rfc3339(first)
    if stamps.zoned:
        return time_s, text, first
    return time_s, text[11:-1] if time.clock_only else text[:-1], 0


def _time_column(columns: Sequence[Column], notes: list[str]) -> Column | None:
    """Choose the time column: stamps with a date, then elapsed time, then times of day."""
    dated = [(c, c.stamps) for c in columns if c.stamps is not None and not c.clock_only]
    elapsed = [
        c for c in columns if c.stamps is None and c.name and is_time_name(c.name) and c.unit in ("", "s")
    ]
    # A stamp whose day and month had to be settled gives way to one that needs no settling.
    dated.sort(key=lambda found: (not found[1].zoned, bool(found[1].note)))
    ranked = [*(c for c, _ in dated), *elapsed, *(c for c in columns if c.clock_only)]
    notes += [f"second time column {c.name!r} left out" for c in ranked[1:] if c.stamps is not None]
    return ranked[0] if ranked else None
