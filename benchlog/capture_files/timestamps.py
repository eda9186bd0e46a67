"""Columns of time stamps to seconds and, where a zone is given, to UTC."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import numpy.typing as npt

from benchlog.clock import DAY_NS
from benchlog.errors import CaptureFileError

_PARTS = re.compile(
    r"(?P<a>\d{1,4})(?P<mark>[-/.])(?P<b>\d{1,2})[-/.](?P<c>\d{1,4})"
    r"(?:[T_,]?\s*(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?\s?(?P<ap>[AaPp][Mm])?"
    r"\s?(?P<z>Z|UTC|GMT|[+-]\d{2}:?\d{2})?)?"
)
_CLOCK = re.compile(r"(\d{1,3}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s?([AaPp][Mm])?")


@dataclass(frozen=True, slots=True, eq=False)
class Stamps:
    """Times of one column."""

    #: Shape (n,). Nanoseconds since 1970 on the clock of the file; `valid` says which mean anything.
    ns: npt.NDArray[np.int64]
    valid: npt.NDArray[np.bool_]  #: Shape (n,). False where the cell held no time.
    zoned: bool  #: Whether the zone was given, so that `ns` is UTC.
    note: str = ""  #: What had to be settled, e.g. the order of day and month.


def read_stamps(cells: Sequence[str], name: str) -> Stamps:
    """Read dates with times: ISO 8601, DD.MM.YYYY, or M/D/YYYY and D/M/YYYY distinguished by the data.

    Raises
    ------
    CaptureFileError
        If day and month can't be distinguished and it matters.
    """
    fast = _read_iso(cells)
    if fast is not None:
        return fast
    matches = [_PARTS.fullmatch(cell.strip()) for cell in cells]
    first = next((m for m in matches if m), None)
    if first is None:
        raise CaptureFileError(
            f"{name}: no time can be read from {cells[0]!r}", hint="write times as ISO 8601"
        )
    slashed = len(first["a"]) < 3 and first["mark"] != "."
    if not slashed:
        ns, valid = _convert(matches, "ymd" if len(first["a"]) > 2 else "dmy")
        return Stamps(ns, valid, bool(first["z"]))
    readings = {}
    for order in ("dmy", "mdy"):
        with suppress(ValueError):
            readings[order] = _convert(matches, order)
    if not readings:
        raise CaptureFileError(f"{name}: {first.group()!r} is not a date", hint="write times as ISO 8601")
    order, note = _settle_order(readings, first.group(), name)
    ns, valid = readings[order]
    return Stamps(ns, valid, bool(first["z"]), note)


def _settle_order(
    readings: Mapping[str, tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]], example: str, name: str
) -> tuple[str, str]:
    """Return the order of day and month, and what to say about it."""
    if len(readings) == 1:
        (order,) = readings
        return order, "" if order == "dmy" else "dates read as month/day/year"
    (day_ns, valid), (month_ns, _) = readings["dmy"], readings["mdy"]
    if np.array_equal(day_ns - day_ns[valid][0], month_ns - month_ns[valid][0]):
        same = np.array_equal(day_ns, month_ns)
        return "dmy", "" if same else "day and month of the dates can't be distinguished"
    # The wrong order makes a log jump by weeks at midnight: the one with the smaller largest step is right.
    steps = {order: int(np.abs(np.diff(ns[ok])).max()) for order, (ns, ok) in readings.items()}
    best = min(steps, key=lambda order: steps[order])
    if steps["dmy"] == steps["mdy"] or steps[best] > 2 * DAY_NS:
        raise CaptureFileError(
            f"{name}: dates such as {example!r} could be day/month or month/day",
            hint="write dates as YYYY-MM-DD",
        )
    words = "day/month/year" if best == "dmy" else "month/day/year"
    return best, f"dates read as {words}: the other order would jump"


def _read_iso(cells: Sequence[str]) -> Stamps | None:
    """Read ISO 8601 in bulk; None when the cells are something else."""
    first = next((c.strip() for c in cells if c.strip()), "")
    if not re.match(r"\d{4}-\d{2}-\d{2}", first):
        return None
    zoned = re.search(r"(?:Z|:\d{2}(?:\.\d+)?\s?[+-]\d{2}:?\d{2})$", first) is not None
    import pandas as pd

    try:
        times = pd.to_datetime(list(cells), format="ISO8601", errors="coerce", utc=zoned)
    except (ValueError, TypeError):
        return None
    if zoned:
        times = times.tz_convert("UTC").tz_localize(None)
    valid = np.asarray(times.notna())
    if not valid.any():
        return None
    ns = times.to_numpy().astype("datetime64[ns]").astype(np.int64)
    return Stamps(np.where(valid, ns, 0), valid, zoned)


def _convert(
    matches: Sequence[re.Match[str] | None], order: str
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    ns = np.zeros(len(matches), dtype=np.int64)
    valid = np.zeros(len(matches), dtype=bool)
    days: dict[tuple[str, str, str, str | None], int] = {}
    for i, match in enumerate(matches):
        if match is None:
            continue
        a, b, c = match["a"], match["b"], match["c"]
        key = (a, b, c, match["z"])
        if key not in days:
            days[key] = _day_ns(a, b, c, match["z"], order)
        fraction = int((match["f"] or "0").ljust(9, "0"))
        seconds = _clock_s(int(match["h"] or 0), int(match["m"] or 0), int(match["s"] or 0), match["ap"])
        ns[i] = days[key] + seconds * 1_000_000_000 + fraction
        valid[i] = True
    return ns, valid


def _day_ns(a: str, b: str, c: str, zone: str | None, order: str) -> int:
    named = dict(zip(order, (int(a), int(b), int(c)), strict=True))
    year = named["y"] + (2000 if named["y"] < 70 else 1900) if named["y"] < 100 else named["y"]
    offset = UTC
    if zone and zone[0] in "+-":
        sign = -1 if zone[0] == "-" else 1
        digits = zone[1:].replace(":", "")
        offset = timezone(sign * timedelta(hours=int(digits[:2]), minutes=int(digits[2:])))
    moment = datetime(year, named["m"], named["d"], tzinfo=offset)
    return round((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()) * 1_000_000_000


def _clock_s(hours: int, minutes: int, seconds: int, half: str | None) -> int:
    if half:
        hours = hours % 12 + (12 if half.lower() == "pm" else 0)
    return hours * 3600 + minutes * 60 + seconds


def read_clock(cells: Sequence[str]) -> Stamps:
    """Read clock times without a date; a step back of more than half a day is midnight."""
    ns = np.zeros(len(cells), dtype=np.int64)
    valid = np.zeros(len(cells), dtype=bool)
    day, last, note = 0, 0, ""
    for i, cell in enumerate(cells):
        match = _CLOCK.fullmatch(cell.strip())
        if match is None:
            continue
        seconds = _clock_s(int(match[1]), int(match[2]), int(match[3] or 0), match[5])
        value = seconds * 1_000_000_000 + int((match[4] or "0").ljust(9, "0"))
        if value + day < last - DAY_NS // 2:
            day += DAY_NS
            note = "clock times pass midnight"
        ns[i] = last = value + day
        valid[i] = True
    return Stamps(ns, valid, False, note)
