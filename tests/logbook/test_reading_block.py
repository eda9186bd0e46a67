"""Blocks of readings: what goes in comes out."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook.reading_block import FLAGS, ORIGINS, RECORD, STATES, fields, pack, records, unpack
from benchlog.reading import Flag, Function, Origin, Reading, State

NS = st.integers(-(2**63), 2**63 - 1)


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    """Any reading an adapter may yield."""
    state = draw(st.sampled_from(State))
    return Reading(
        function=draw(st.sampled_from(Function)),
        value=draw(st.floats(allow_nan=False)) if state is State.OK else None,
        resolution=draw(st.floats(0, 1e6)),
        displayed=draw(st.text(max_size=12)),
        state=state,
        flags=draw(st.frozensets(st.sampled_from(Flag))),
        range_max=draw(st.none() | st.floats(0, 1e6)),
        raw=draw(st.binary(max_size=20)),
        instrument=draw(st.sampled_from(["MA-01", "MB-02", "Zähler 3"])),
        channel=draw(st.sampled_from(["", "lower"])),
        utc_ns=draw(NS),
        mono_ns=draw(NS),
        origin=draw(st.sampled_from(Origin)),
    )


def numbered(rows: list[Reading]) -> dict[tuple[str, str, str], int]:
    """A number for each channel."""
    keys = sorted({(r.instrument, r.channel, str(r.function)) for r in rows})
    return {key: number for number, key in enumerate(keys, 1)}


@settings(max_examples=30)
@given(st.lists(readings(), min_size=1, max_size=5))
def test_a_block_gives_back_its_readings(rows: list[Reading]) -> None:
    """Every field of every reading survives, and the same readings always give the same bytes."""
    channels = numbered(rows)
    block = pack(rows, channels)
    assert unpack(block.data, block.count, {n: key for key, n in channels.items()}) == rows
    assert pack(rows, channels) == block
    assert (block.first_utc_ns, block.last_utc_ns) == (
        min(r.utc_ns for r in rows),
        max(r.utc_ns for r in rows),
    )


@settings(max_examples=30)
@given(st.lists(readings(), min_size=1, max_size=5))
def test_arrays_and_tuples_of_a_block_agree(rows: list[Reading]) -> None:
    """The two ways of reading a block's records see the same numbers."""
    block = pack(rows, numbered(rows))
    for tuple_, record in zip(
        fields(block.data, len(rows)), records(block.data, len(rows)).tolist(), strict=True
    ):
        assert repr(tuple_) == repr(record)


def test_the_layout_is_fixed() -> None:
    """Sizes, places and code numbers are the file format: old logbooks rely on them."""
    assert RECORD.itemsize == 50
    assert [RECORD.fields[name][1] for name in RECORD.names] == [0, 8, 16, 24, 32, 40, 42, 44, 46, 48, 49]  # type: ignore[index,union-attr]
    assert [str(s) for s in STATES] == ["ok", "overload", "underload", "invalid"]
    assert [str(o) for o in ORIGINS] == ["link", "hand", "file"]
    assert [str(f) for f in FLAGS] == [
        "auto range",
        "hold",
        "relative",
        "minimum",
        "maximum",
        "peak",
        "low pass",
        "low battery",
        "unstable",
    ]
    assert set(STATES) == set(State)
    assert set(ORIGINS) == set(Origin)
    assert set(FLAGS) == set(Flag)


@pytest.mark.parametrize(
    "bad",
    [{"utc_ns": 2**70}, {"raw": bytes(70_000)}, {"displayed": "x" * 70_000}, {"value": math.nan}],
    ids=["time", "frame", "text", "nan"],
)
def test_a_reading_that_cannot_be_kept_is_refused(bad: dict[str, object]) -> None:
    """One clear error before anything is written."""
    fields_ = {"value": 1.0, "resolution": 0.1, "displayed": "1.0 V", **bad}
    reading = Reading(Function.DC_VOLTS, **fields_)  # type: ignore[arg-type]
    with pytest.raises(UsageError):
        pack([reading], {("", "", "V="): 1})


@settings(max_examples=30)
@given(st.binary(max_size=300), st.integers(-1, 6))
def test_bytes_that_are_not_a_block_are_damage(data: bytes, count: int) -> None:
    """Nonsense never becomes a reading without complaint, nor another kind of error."""
    try:
        found = unpack(data, count, {1: ("MA-01", "", "V=")})
    except LogbookDamagedError:
        return
    assert len(found) == count
