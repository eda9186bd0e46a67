"""Tables of readings, results and captures."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd
import pytest
from helpers.small_logbook import START, some_readings

import benchlog
from benchlog.clock import ManualClock
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import Logbook, view
from benchlog.logbook.view import LogbookView, parse_span


@pytest.fixture
def filled(book: Logbook, clock: ManualClock) -> Logbook:
    """Three sessions' readings, twenty a block, a day apart."""
    for session in (1, 2, 3):
        book.begin_session()
        for _ in range(3):
            book.append_readings(some_readings(clock, instrument=f"M{session % 2}"))
        book.end_session()
        clock.advance(86400)
    return book


def test_a_table_has_units_and_utc_times(filled: Logbook) -> None:
    """One row a reading, as displayed, times in UTC to the nanosecond, units beside the values."""
    frame = LogbookView(filled).readings()
    assert len(frame) == 180
    assert frame["time"].dtype == "datetime64[ns, UTC]"
    assert frame["time"].iloc[0] == pd.Timestamp(START + 50_000_000, tz="UTC")
    assert frame.attrs["units"] == {"V~": "V", "ohm": "ohm"}
    first, last = frame.iloc[0], frame.iloc[19]
    assert (first["instrument"], first["value"], first["unit"], first["displayed"]) == (
        "M1",
        27.75,
        "V",
        "27.75 V",
    )
    assert (first["flags"], first["state"], first["range_max"]) == ("auto range", "ok", 60.0)
    assert (last["instrument"], last["unit"], last["state"], last["origin"]) == (
        "MB-02",
        "ohm",
        "overload",
        "hand",
    )
    assert last["displayed"] == "OL Ω"
    assert np.isnan(last["value"])
    assert frame["number"].tolist() == list(range(180))


def test_readings_are_chosen_by_time_meter_function_and_session(filled: Logbook) -> None:
    """Each choice gives exactly those that the whole table shows."""
    tables = LogbookView(filled)
    whole = tables.readings()
    newest = whole["time"].max()

    def same(frame: pd.DataFrame, wanted: pd.Series) -> None:
        assert frame["number"].tolist() == whole.loc[wanted, "number"].tolist()
        assert 0 < len(frame) < len(whole)

    same(tables.readings(last="1 s"), whole["time"] >= newest - pd.Timedelta("1s"))
    same(tables.readings(last="1 d"), whole["time"] >= newest - pd.Timedelta("1D"))
    same(tables.readings(instrument="M0"), whole["instrument"] == "M0")
    same(tables.readings(function="ohm"), whole["function"] == "ohm")
    same(tables.readings(session=2), whole["session"] == 2)
    moment = pd.Timestamp(START, tz="UTC") + pd.Timedelta("1D")
    for since in (moment.to_pydatetime(), moment.value, "2026-03-02T10:00:00+01:00"):
        same(tables.readings(since=since), whole["time"] >= moment)
    same(
        tables.readings(since=moment.value, instrument="M0", session=2),
        (whole["time"] >= moment) & (whole["instrument"] == "M0"),
    )
    assert tables.readings(instrument="none").empty


def test_pieces_make_the_whole(filled: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """However few readings are read at a time."""
    whole = LogbookView(filled).readings()
    monkeypatch.setattr(view, "_CHUNK_READINGS", 50)
    assert len(list(LogbookView(filled).reading_chunks())) == 3
    pd.testing.assert_frame_equal(LogbookView(filled).readings(), whole)
    proved = list(LogbookView(filled).reading_chunks(proved=True))
    assert sum(map(len, proved)) == len(whole)


def test_arrays_come_without_pandas_and_without_texts(filled: Logbook) -> None:
    """The same numbers as in the table."""
    arrays = LogbookView(filled).reading_arrays(texts=False)
    assert arrays.displayed is None
    frame = LogbookView(filled).readings(texts=False)
    assert "displayed" not in frame
    assert np.array_equal(arrays.value, frame["value"].to_numpy(), equal_nan=True)
    assert np.array_equal(arrays.utc_ns, frame["time"].astype("int64").to_numpy())


def test_frames_come_back_from_arrays(book: Logbook, clock: ManualClock) -> None:
    """Texts and raw frames of unlike lengths keep to their readings."""
    readings = [
        msgspec.structs.replace(r, displayed=r.displayed * (n % 3), raw=bytes([n]) * (n % 4))
        for n, r in enumerate(some_readings(clock, 30))
    ]
    book.append_readings(readings[:7])
    book.append_readings(readings[7:])
    arrays = LogbookView(book).reading_arrays()
    assert arrays.displayed is not None
    assert arrays.raw is not None
    assert arrays.displayed.texts() == [r.displayed for r in readings]
    assert arrays.raw.frames() == [r.raw for r in readings]


def test_an_empty_logbook_gives_empty_tables(book: Logbook) -> None:
    """With the same columns as a full one."""
    tables = LogbookView(book)
    frame = tables.readings(last="10 min")
    assert frame.empty
    assert list(frame.columns)[:4] == ["time", "instrument", "channel", "function"]
    assert frame["time"].dtype == "datetime64[ns, UTC]"
    assert tables.results().empty
    assert tables.captures().empty
    assert tables.summary().empty


def test_results_are_a_table(small: Path) -> None:
    """One row a result with its first judged quantity; superseded ones are marked."""
    with benchlog.open(small) as tables:
        frame = tables.results()
        captures = tables.captures()
        entries = tables.entries_table("note")
    assert frame["verdict"].tolist() == ["fail", "pass"]
    right = frame.iloc[1]
    assert (right["part"], right["check_id"], right["quantity"], right["unit"]) == (
        "T1",
        "C01",
        "no_load_voltage",
        "V",
    )
    assert (right["value"], right["expanded_uncertainty"], right["low"], right["high"]) == (
        27.75,
        0.38,
        25.6,
        29.0,
    )
    assert frame["superseded_by"].notna().tolist() == [True, False]
    assert captures["channels"].tolist() == ["CH1, CH2"]
    assert entries["body"].tolist() == [{"text": "cover stays on"}]


def test_the_summary_agrees_with_the_readings(filled: Logbook) -> None:
    """Count, mean and extremes from the rollup are those of the table."""
    summary = LogbookView(filled).summary().set_index("instrument")
    values = LogbookView(filled).readings(instrument="M1")["value"]
    row = summary.loc["M1"]
    assert row["count"] == values.count()
    assert row["mean"] == pytest.approx(values.mean())
    assert (row["minimum"], row["maximum"]) == (values.min(), values.max())
    assert summary.loc["MB-02", "not_ok"] == 9


def test_lengths_of_time_and_moments_are_checked() -> None:
    """A slip is an error, not another window."""
    assert parse_span("2.5 h") == 9_000_000_000_000
    for bad in ("10", "ten min", "10 minutes ago", "-1 s", ""):
        with pytest.raises(UsageError):
            parse_span(bad)


def test_a_moment_needs_a_zone(filled: Logbook) -> None:
    """Local time without its zone is ambiguous."""
    for bad in (datetime(2026, 3, 1), "2026-03-01T09:00:00", "yesterday"):
        with pytest.raises(UsageError):
            LogbookView(filled).readings(since=bad)
    assert len(LogbookView(filled).readings(since=datetime(2026, 3, 1, tzinfo=UTC))) == 180


def test_a_block_that_contradicts_itself_is_damage(small: Path) -> None:
    """Arrays are never filled from beside the records."""
    with Logbook.open(small) as book:
        with book.querying() as db:
            db.execute("UPDATE block SET data = substr(data, 1, 30)")
        with pytest.raises(LogbookDamagedError):
            LogbookView(book).readings()
        with pytest.raises(LogbookDamagedError):
            LogbookView(book).reading_arrays(texts=False)
