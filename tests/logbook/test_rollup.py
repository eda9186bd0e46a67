"""Ten-second summaries: the same bits however the readings were cut into blocks."""

from __future__ import annotations

import math
import statistics
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.logbook import rollup
from benchlog.logbook.reading_block import RECORD
from benchlog.logbook.rollup import BUCKET_NS, Key, Row, rolled_up

ROWS = st.lists(
    st.tuples(
        st.integers(0, 3 * BUCKET_NS), st.integers(1, 3), st.floats() | st.just(math.nan) | st.floats(20, 30)
    ),
    min_size=1,
    max_size=40,
)


def packed(rows: list[tuple[int, int, float]]) -> bytes:
    """Records with these times, channels and values."""
    table = np.zeros(len(rows), RECORD)
    for name, column in zip(("utc_ns", "channel", "value"), zip(*rows, strict=True), strict=True):
        table[name] = column
    return table.tobytes()


def in_blocks(rows: list[tuple[int, int, float]], cuts: list[int]) -> dict[Key, Row]:
    """Roll up block by block."""
    found: dict[Key, Row] = {}
    edges = [0, *sorted(c % (len(rows) + 1) for c in cuts), len(rows)]
    for start, end in pairwise(edges):
        if end > start:
            found.update(rolled_up(packed(rows[start:end]), end - start, found.get))
    return found


@settings(max_examples=50)
@given(ROWS, st.lists(st.integers(0, 100), max_size=5))
def test_the_cuts_do_not_matter(rows: list[tuple[int, int, float]], cuts: list[int]) -> None:
    """One block or many: bit for bit the same summary."""
    assert repr(sorted(in_blocks(rows, cuts).items())) == repr(sorted(in_blocks(rows, []).items()))


@settings(max_examples=50)
@given(ROWS, st.lists(st.integers(0, 100), max_size=3))
def test_arrays_and_plain_python_give_the_same_bits(
    rows: list[tuple[int, int, float]], cuts: list[int]
) -> None:
    """Small blocks go another way than large ones, to the same numbers."""
    few = in_blocks(rows, cuts)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rollup, "_FEW", 0)
        many = in_blocks(rows, cuts)
    assert repr(sorted(few.items())) == repr(sorted(many.items()))


def test_a_summary_is_what_its_readings_say() -> None:
    """Count, mean, extremes, first and last against the readings themselves."""
    values = [27.75, math.nan, 27.80, 27.70]
    row = in_blocks([(n, 1, v) for n, v in enumerate(values)], [])[1, 0]
    good = [27.75, 27.80, 27.70]
    assert (row.ok, row.not_ok, row.minimum, row.maximum, row.first, row.last) == (
        3,
        1,
        27.70,
        27.80,
        27.75,
        27.70,
    )
    assert row.total is not None
    assert row.total_squares is not None
    assert row.total / 3 == pytest.approx(statistics.fmean(good))
    assert row.total_squares == pytest.approx(sum(v * v for v in good))
