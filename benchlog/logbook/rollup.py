"""Ten-second summaries per channel, kept beside the readings so that a summary never reads them all.

Sums run over the readings in the order they were recorded, starting from the stored sum, so that they don't depend on
how the readings were cut into blocks: recomputing must give the same bits. They serve plots and overviews; a standard
deviation for a verdict is computed from the readings themselves.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchlog.logbook.reading_block import fields, records

BUCKET_NS = 10_000_000_000
_FEW = 200
Key = tuple[int, int]  # channel, bucket (utc_ns // BUCKET_NS)


class Row(NamedTuple):
    """Summary of one channel in one bucket; None where there is no number.

    Readings without a number (overload, open...) count in `not_ok` only.
    """

    ok: int
    not_ok: int
    total: float | None
    total_squares: float | None
    minimum: float | None
    maximum: float | None
    first: float | None
    last: float | None


_EMPTY = Row(0, 0, None, None, None, None, None, None)


def rolled_up(data: bytes, count: int, old: Callable[[Key], Row | None]) -> dict[Key, Row]:
    """Add readings to summaries.

    Parameters
    ----------
    data : bytes
        A block of readings, or the records of several joined.
    count : int
        How many.
    old : callable
        Gives the summary so far of a bucket, None if there is none.

    Returns
    -------
    dict
        New summaries of all buckets touched.
    """
    if count < _FEW:
        return _rolled_up_few(data, count, old)
    table = records(data, count)
    buckets = table["utc_ns"] // BUCKET_NS
    channels = table["channel"].astype(np.int64)
    order = np.lexsort((buckets, channels))  # stable: keeps the order within a bucket
    sorted_buckets, sorted_channels = buckets[order], channels[order]
    values = table["value"][order] + 0.0  # SQLite does not store negative zero
    changes = np.flatnonzero((np.diff(sorted_buckets) != 0) | (np.diff(sorted_channels) != 0)) + 1
    starts = [0, *changes.tolist()]
    ends = [*changes.tolist(), len(values)]
    fresh: dict[Key, Row] = {}
    for start, end in zip(starts, ends, strict=True):
        key = int(sorted_channels[start]), int(sorted_buckets[start])
        fresh[key] = _extended(old(key) or _EMPTY, values[start:end])
    return fresh


def _extended(row: Row, values: npt.NDArray[np.float64]) -> Row:
    good = values[~np.isnan(values)]
    not_ok = row.not_ok + len(values) - len(good)
    if not len(good):
        return row._replace(not_ok=not_ok)
    with np.errstate(over="ignore", invalid="ignore"):
        total = _running(row.total if row.ok else 0.0, good)
        squares = _running(row.total_squares if row.ok else 0.0, good * good)
    low, high = float(good.min()), float(good.max())
    if row.minimum is not None and row.maximum is not None:
        low, high = min(low, row.minimum), max(high, row.maximum)
    return Row(
        ok=row.ok + len(good),
        not_ok=not_ok,
        total=total,
        total_squares=squares,
        minimum=low,
        maximum=high,
        first=float(good[0]) if row.first is None else row.first,
        last=float(good[-1]),
    )


def _running(start: float | None, values: npt.NDArray[np.float64]) -> float | None:
    """Sum from left to right; None (no number, after an overflow of both signs) stays None."""
    if start is None:
        return None
    # numpy's sum adds pairwise, in an order that depends on the length; accumulate does not.
    return _number(float(np.add.accumulate(np.concatenate([[start], values]))[-1]))


def _number(total: float) -> float | None:
    return None if math.isnan(total) else total


def _rolled_up_few(data: bytes, count: int, old: Callable[[Key], Row | None]) -> dict[Key, Row]:
    """Do the same one reading at a time: exactly the same sums, nine times faster for a block of twenty."""
    fresh: dict[Key, Row] = {}
    for utc_ns, _, value, _, _, channel, *_ in fields(data, count):
        key = channel, utc_ns // BUCKET_NS
        row = fresh.get(key) or old(key) or _EMPTY
        if math.isnan(value):
            fresh[key] = row._replace(not_ok=row.not_ok + 1)
            continue
        value += 0.0  # SQLite does not store negative zero
        total = row.total if row.ok else 0.0
        squares = row.total_squares if row.ok else 0.0
        fresh[key] = Row(
            row.ok + 1,
            row.not_ok,
            None if total is None else _number(total + value),
            None if squares is None else _number(squares + value * value),
            value if row.minimum is None else min(value, row.minimum),
            value if row.maximum is None else max(value, row.maximum),
            value if row.first is None else row.first,
            value,
        )
    return fresh


def add_to_rollup(db: sqlite3.Connection, data: bytes, count: int) -> None:
    """Bring the rollup table up to date with a new block, inside the caller's transaction."""

    def old(key: Key) -> Row | None:
        row = db.execute(
            "SELECT ok, not_ok, total, total_squares, minimum, maximum, first, last FROM rollup"
            " WHERE channel=? AND bucket=?",
            key,
        ).fetchone()
        return None if row is None else Row(*row)

    db.executemany(
        "INSERT OR REPLACE INTO rollup VALUES (?,?,?,?,?,?,?,?,?,?)",
        [(*key, *row) for key, row in rolled_up(data, count, old).items()],
    )
