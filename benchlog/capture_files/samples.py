"""A table of numbers to a capture: which column is the time, what is the interval, what are the channels."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture, ChannelRecord
from benchlog.capture_files.cells import split_line
from benchlog.capture_files.columns import is_time_name, pick_columns
from benchlog.capture_files.header import interval_from_fields, unit_of
from benchlog.capture_files.table import Column, Table
from benchlog.capture_files.text_layout import seen
from benchlog.capture_files.time_base import last_digit_step, time_base
from benchlog.errors import CaptureFileError, UsageError

_INDEX_NAME = re.compile(
    r"(?:#|n|no\.?|index|idx|sample|samples|sequence|point|points|row|record|x)", re.IGNORECASE
)

_VERTICAL_UNIT_KEYS = ("vertical units", "vertical unit", "y units", "y unit", "yunit", "unit", "units")


def capture_from_table(
    table: Table, path: Path, interval_s: float | None, columns: Sequence[str] | None
) -> Capture:
    """Make a capture of a table.

    Raises
    ------
    CaptureFileError
        If the time base can't be determined, contradicts itself, or steps back.
    """
    name = path.name
    picked = pick_columns(table, columns, name)
    named = table.named or columns is not None
    stated, start, source = interval_from_fields(table.fields, table.layout.decimal, name, interval_s)
    time, rest = _split_time(picked, named, stated, interval_s is not None, name)
    rest, index = _drop_index(rest, named)
    if not rest:
        raise CaptureFileError(f"{name}: no channel besides the time column", hint=seen(table.layout))
    settings = {f"left out {i}": note for i, note in enumerate(table.notes, start=1)}
    values = _stacked(rest)
    time_s, utc_ns = _times(time) if time is not None else (None, 0)
    rest, values, keep = _without_empty(rest, values, time_s, name, settings)
    positions: npt.NDArray[np.float64] | None
    if time is not None and time_s is not None:
        time_s = time_s[keep]
        interval, uniform = _judge_times(time, time_s, table, stated, source, name, whole=bool(keep.all()))
        start, positions = float(time_s[0]), None if uniform else time_s
        settings["interval from"] = f"column {time.name or '1'}"
    elif stated is not None:
        interval, positions = stated, _counted_positions(index, keep, stated, start)
        settings["interval from"] = source
    else:
        raise CaptureFileError(
            f"{name}: no time column and no sample interval in the header",
            hint="give it with --sample-interval, e.g. --sample-interval '1 us', or name the time column with "
            f"--columns time,...; {seen(table.layout)}",
        )
    if start and utc_ns == 0:
        settings["first sample"] = f"{start!r} s"
    channels = _channels(rest, values, keep, table.fields, settings)
    if keep.sum() < 2:
        raise CaptureFileError(f"{name}: fewer than two samples", hint=seen(table.layout))
    return Capture(channels, interval, path.stem, utc_ns, positions, settings, str(path))


def _stacked(columns: Sequence[Column]) -> npt.NDArray[np.float64]:
    """Return values of shape (n_columns, n); a single column is not copied."""
    return np.vstack([c.values for c in columns]) if len(columns) > 1 else columns[0].values[np.newaxis]


def _counted_positions(
    index: Column | None, keep: npt.NDArray[np.bool_], interval_s: float, start_s: float | None
) -> npt.NDArray[np.float64] | None:
    """Return the times of samples that are numbered, not timed; None where none is missing."""
    counts = index.values if index is not None else np.arange(keep.size, dtype=np.float64)
    if keep.all() and (index is None or bool((np.diff(counts) == 1).all())):
        return None
    positions: npt.NDArray[np.float64] = (start_s or 0.0) + interval_s * (counts[keep] - counts[0])
    return positions


def _channels(
    columns: list[Column],
    values: npt.NDArray[np.float64],
    keep: npt.NDArray[np.bool_],
    fields: Mapping[str, str],
    settings: dict[str, str],
) -> tuple[ChannelRecord, ...]:
    """Make the channels; a single one without name or unit takes those of the header's fields."""
    if len(columns) == 1:
        columns = [_completed(columns[0], fields)]
    if not all(c.unit for c in columns):
        settings["unit"] = "the file does not say: V assumed"
    return tuple(
        ChannelRecord(
            c.name or f"CH{i}",
            np.ascontiguousarray(v if keep.all() else v[keep]),
            scale=c.factor,
            unit=c.unit or "V",
            aliases=c.aliases,
        )
        for i, (c, v) in enumerate(zip(columns, values, strict=True), start=1)
    )


def _completed(column: Column, fields: Mapping[str, str]) -> Column:
    """Return the only channel's column with the name and unit that the header's fields give it."""
    name = column.name or fields.get("source") or fields.get("channel") or ""
    if column.unit:
        return replace(column, name=name)
    stated = next((v for k, v in fields.items() if k in _VERTICAL_UNIT_KEYS and unit_of(v)), "")
    factor, unit = unit_of(stated) or (1.0, "")
    return replace(column, name=name, factor=factor, unit=unit)


def _split_time(
    columns: Sequence[Column], named: bool, stated: float | None, explicit: bool, name: str
) -> tuple[Column | None, list[Column]]:
    """Find the time column; time columns beside it that say the same are dropped."""
    numeric = [c for c in columns if c.stamps is None]
    stamps = _best_stamps(columns)
    if stamps is not None:
        return stamps, [c for c in numeric if not _counts_seconds(c)]
    timed = [c for c in numeric if _may_be_time(c, stated)]
    if not timed and _first_is_time(numeric, named, stated if explicit else None):
        timed = numeric[:1]
    if not timed:
        return None, numeric
    _refuse_two_times(timed, name)
    dropped = {id(c) for c in timed}
    return timed[0], [c for c in numeric if id(c) not in dropped]


def _best_stamps(columns: Sequence[Column]) -> Column | None:
    """The first column of time stamps, one that says its time zone before others."""
    found = [(c.stamps.zoned, c) for c in columns if c.stamps is not None]
    return max(found, key=lambda stamped: stamped[0])[1] if found else None


def _refuse_two_times(timed: Sequence[Column], name: str) -> None:
    for other in timed[1:]:
        if not np.array_equal(other.values, timed[0].values, equal_nan=True):
            raise CaptureFileError(
                f"{name}: two time columns ({timed[0].name!r}, {other.name!r}) that differ",
                hint="export one file per channel, or leave one out: choose the others with --columns",
            )


def _first_is_time(numeric: Sequence[Column], named: bool, step_s: float | None) -> bool:
    """Return whether the first column is the time although its name does not say so."""
    if not numeric:
        return False
    if numeric[0].unit == "s":
        return True
    return not named and len(numeric) > 1 and _climbs_evenly(numeric[0], step_s)


def _counts_seconds(column: Column) -> bool:
    return is_time_name(column.name) and column.unit == "s"


def _may_be_time(column: Column, stated: float | None) -> bool:
    named = is_time_name(column.name) and column.unit in ("", "s")
    return named and not _counts_up(column, stated)


def _climbs_evenly(column: Column, step_s: float | None) -> bool:
    """Return whether an unnamed column increases in equal steps, as time does and a signal does not."""
    steps = np.diff(column.values)
    if steps.size <= 2 or not (steps > 0).all() or np.ptp(steps) > 0.02 * steps.mean():
        return False
    return step_s is None or bool(abs(steps.mean() / step_s - 1) < 1e-3)


def _counts_up(column: Column, stated: float | None) -> bool:
    """Return whether the column is a sample number although its name could mean time."""
    return (
        stated is not None
        and column.unit != "s"
        and column.values.size > 2
        and bool((np.diff(column.values) == 1).all())
        and abs(stated - 1) > 1e-6
    )


def _drop_index(columns: list[Column], named: bool) -> tuple[list[Column], Column | None]:
    if (
        named
        and len(columns) > 1
        and (_INDEX_NAME.fullmatch(columns[0].name) or is_time_name(columns[0].name))
        and columns[0].values.size > 1
        and bool((np.diff(columns[0].values) >= 1).all())
        and bool((columns[0].values == np.round(columns[0].values)).all())
    ):
        return columns[1:], columns[0]
    return columns, None


def numeric_times(time: Column) -> tuple[npt.NDArray[np.float64], int]:
    """Return times of a column of numbers in second, and the start in UTC where they count from 1970.

    A column of times without a unit whose numbers are as large as seconds (milli-, micro-, nanoseconds) since
    1970 are today counts from then.
    """
    if time.unit == "s":
        return time.values * time.factor, 0
    seen = time.values[~np.isnan(time.values)]
    for power in (0, 3, 6, 9):
        if seen.size and seen.min() >= 1e9 * 10.0**power and seen.max() < 4e9 * 10.0**power:
            first = int(seen[0])
            return (time.values - first) / 10.0**power, first * 10 ** (9 - power)
    return time.values, 0


def _times(time: Column) -> tuple[npt.NDArray[np.float64], int]:
    """Return sample times in second, and the start in UTC where the file says."""
    stamps = time.stamps
    if stamps is None:
        return numeric_times(time)
    first = int(stamps.ns[stamps.valid][0]) if stamps.valid.any() else 0
    seconds = np.where(stamps.valid, (stamps.ns - first) / 1e9, np.nan)
    return seconds, first if stamps.zoned else 0


def _without_empty(
    rest: list[Column],
    values: npt.NDArray[np.float64],
    time_s: npt.NDArray[np.float64] | None,
    name: str,
    settings: dict[str, str],
) -> tuple[list[Column], npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Leave out columns with hardly any values, then rows without a time or a value in every channel."""
    keep = _complete_rows(values, time_s)
    if keep.all():
        return rest, values, keep
    filled = 1 - np.isnan(values).mean(axis=1)
    for column, share in zip(rest, filled, strict=True):
        if share < 0.5:
            settings[f"left out column {column.name or '?'}"] = (
                f"only {100 * share:.0f} % of its cells hold a number"
            )
    chosen = [i for i, share in enumerate(filled) if share >= 0.5]
    if not chosen:
        raise CaptureFileError(
            f"{name}: no column is filled in at least half of the rows",
            hint="export one file per channel, or with one time column for all",
        )
    values = values[chosen]
    keep = _complete_rows(values, time_s)
    if not keep.all():
        lost = int((~keep).sum())
        if lost > 0.5 * keep.size:
            raise CaptureFileError(
                f"{name}: {lost} of {keep.size} rows lack a channel's value",
                hint="the channels seem to be sampled at different times: export one file per channel",
            )
        settings["left out rows"] = f"{lost} of {keep.size} rows without a value in every channel"
    return [rest[i] for i in chosen], values, keep


def _complete_rows(
    values: npt.NDArray[np.float64], time_s: npt.NDArray[np.float64] | None
) -> npt.NDArray[np.bool_]:
    """Return which samples have a value in every channel, and a time where there are times."""
    keep: npt.NDArray[np.bool_] = np.asarray(~np.isnan(values).any(axis=0))
    return keep if time_s is None else keep & ~np.isnan(time_s)


def _judge_times(
    time: Column,
    time_s: npt.NDArray[np.float64],
    table: Table,
    stated: float | None,
    source: str,
    name: str,
    *,
    whole: bool,
) -> tuple[float, bool]:
    if time_s.size < 2:
        raise CaptureFileError(f"{name}: fewer than two samples", hint=seen(table.layout))
    step = 0.0
    if time.stamps is None:
        number = next((i for i, c in enumerate(table.columns) if c.values is time.values), 0)
        rows = [split_line(line, table.layout.delimiter) for line in table.sample]
        step = last_digit_step([row[number] for row in rows if len(row) > number])
        step *= time.factor if time.unit == "s" else _seconds_per_unit(time.values, time_s)
    base = time_base(time_s, step, whole=whole)
    if base.backward_at > 0:
        raise CaptureFileError(
            f"{name}: time steps back at data row {base.backward_at + 1} "
            f"({time_s[base.backward_at - 1]:.9g} s, then {time_s[base.backward_at]:.9g} s)",
            hint="two records in one file? split it and give one part",
        )
    if not base.interval_s > 0:
        raise CaptureFileError(f"{name}: all times are {time_s[0]:.9g} s", hint=seen(table.layout))
    if stated is not None and abs(base.interval_s / stated - 1) > max(
        0.01, 2 * step / (time_s[-1] - time_s[0])
    ):
        raise CaptureFileError(
            f"{name}: the time column steps by {base.interval_s:.6g} s, but the sample interval "
            f"({source}) is {stated:.6g} s",
            hint="leave out --sample-interval, or name the columns without a time column",
        )
    return base.interval_s, base.uniform


def _seconds_per_unit(values: npt.NDArray[np.float64], time_s: npt.NDArray[np.float64]) -> float:
    """Return what one unit of the time column is in second."""
    span = float(np.nanmax(values) - np.nanmin(values))
    return float(time_s.max() - time_s.min()) / span if span > 0 else 1.0


def apply_probes(capture: Capture, probes: Mapping[str, float] | None) -> Capture:
    """Set probe factors by channel name.

    Raises
    ------
    UsageError
        If a channel is not there or a factor is not positive.
    """
    if not probes:
        return capture
    for name, factor in probes.items():
        capture.channel(name)
        if not factor > 0:
            raise UsageError(f"probe factor of {name} must be positive, not {factor!r}", hint="e.g. CH1=10")
    return replace(
        capture, channels=tuple(replace(c, probe=probes.get(c.name, c.probe)) for c in capture.channels)
    )
