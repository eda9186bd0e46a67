"""Logs of instruments: times, named columns, NaN for bad cells, notes of what was left out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers.capture_text import written

from benchlog.capture_files import load_log
from benchlog.errors import CaptureFileError, UsageError


@pytest.mark.parametrize(
    ("stamp", "start"),
    [
        ("31.12.2025 23:59:{:02d}", "2025-12-31T23:59:00.000000000"),
        ("2025-12-31 23:59:{:02d}", "2025-12-31T23:59:00.000000000"),
        ("2025-12-31T23:59:{:02d}.250Z", "2025-12-31T23:59:00.250000000Z"),
        ("2025-12-31T23:59:{:02d}-05:00", "2026-01-01T04:59:00.000000000Z"),
        ("2025/12/31 23:59:{:02d}", "2025-12-31T23:59:00.000000000"),
        ("12/31/2025 11:59:{:02d} PM", "2025-12-31T23:59:00.000000000"),
        ("31/12/25 23:59:{:02d}", "2025-12-31T23:59:00.000000000"),
        ("2025-12-31;23:59:{:02d}", "2025-12-31T23:59:00.000000000"),
        ("23:59:{:02d},5", "23:59:00.500000000"),
    ],
)
def test_times_in_many_notations(tmp_path: Path, stamp: str, start: str) -> None:
    names = "date;clock;MA-01 (mV)\n" if ";" in stamp else "when;MA-01 (mV)\n"
    text = names + "".join(f"{stamp.format(i)};{i % 7},5\n" for i in range(40))
    log = load_log(written(tmp_path, text))
    assert log.start == start
    assert (log.utc_ns > 0) is start.endswith("Z")
    np.testing.assert_array_equal(log.time_s, np.arange(40.0))
    np.testing.assert_allclose(log.column("MA-01"), (np.arange(40) % 7 + 0.5) * 1e-3)
    assert log.units["MA-01"] == "V"


def test_month_and_day_are_distinguished_by_midnight_or_refused(tmp_path: Path) -> None:
    night = [f"3/4/2025 23:59:{i:02d}" for i in range(60)] + [f"3/5/2025 0:00:{i:02d}" for i in range(60)]
    log = load_log(written(tmp_path, "when,u\n" + "".join(f"{t},{i % 5}.5\n" for i, t in enumerate(night))))
    np.testing.assert_array_equal(np.diff(log.time_s), 1.0)
    assert log.start.startswith("2025-03-04")
    assert any("month/day/year" in note for note in log.notes)
    one_day = "when,u\n" + "".join(f"3/4/2025 12:00:{i:02d},{i % 5}.5\n" for i in range(30))
    assert any("can't be distinguished" in note for note in load_log(written(tmp_path, one_day)).notes)
    doubtful = "when,u\n" + "".join(
        f"{d}/{m}/2025,1.{d}\n" for d, m in ((1, 2), (2, 3), (3, 5), (4, 9), (5, 11))
    )
    with pytest.raises(CaptureFileError, match="could be day/month or month/day"):
        load_log(written(tmp_path, doubtful))


def test_clock_times_pass_midnight(tmp_path: Path) -> None:
    times = ["23:59:58", "23:59:59", "00:00:00", "00:00:01"]
    log = load_log(written(tmp_path, "t,u\n" + "".join(f"{t},{i}.5\n" for i, t in enumerate(times))))
    np.testing.assert_array_equal(log.time_s, [0, 1, 2, 3])


def test_bad_cells_are_nan_and_counted(tmp_path: Path) -> None:
    rows = [f"{i},{i}.5,{i}.25" for i in range(30)]
    rows[4], rows[9], rows[11], rows[20] = "4,OL,4.25", "9,9.5,", "11,what,11.25", "20,9.91E37,20.25"
    log = load_log(written(tmp_path, "time (s),A,B\n" + "\n".join(rows)))
    assert np.flatnonzero(np.isnan(log.column("A"))).tolist() == [4, 11, 20]
    assert np.flatnonzero(np.isnan(log.column("B"))).tolist() == [9]
    assert log.n_rows == 30
    assert any("3 of 30 cells of 'A'" in note for note in log.notes)
    assert any("'what'" in note for note in log.notes)


def test_header_again_after_a_restart_is_left_out_another_table_refused(tmp_path: Path) -> None:
    rows = "".join(f"{i},{i}.5\n" for i in range(9))
    log = load_log(written(tmp_path, f"time (s),A\n{rows}time (s),A\n{rows}"))
    assert log.n_rows == 18
    assert {"1 repeated header lines left out", "time steps back 1 times"} <= set(log.notes)
    with pytest.raises(CaptureFileError, match="two tables"):
        load_log(written(tmp_path, f"time (s),A\n{rows}f (Hz),Z\n{rows}"))


def test_text_columns_and_footers_are_left_out_with_a_note(tmp_path: Path) -> None:
    rows = "".join(f"2026-01-01 00:00:{i:02d},MA-01,{i}.5,V~\n" for i in range(20))
    log = load_log(written(tmp_path, f"time,meter,value,function\n{rows}end of log\n"))
    assert list(log.columns) == ["value"]
    assert any("'meter' left out" in note for note in log.notes)
    assert any("after the data" in note for note in log.notes)


def test_columns_are_chosen_by_name_name_with_unit_or_number_or_given(tmp_path: Path) -> None:
    path = written(tmp_path, "time (s),A (V),B (V)\n" + "".join(f"{i},{i}.5,{i}.25\n" for i in range(9)))
    assert list(load_log(path, ["B"]).columns) == ["B"]
    assert list(load_log(path, ["B (V)", "A"]).columns) == ["B", "A"]
    assert list(load_log(path, ["3"]).columns) == ["B"]
    assert not load_log(path, ["A"]).indexed, "the time comes along"
    bare = written(tmp_path, "".join(f"{i % 3}.5 {i % 4}.25\n" for i in range(9)), "bare.txt")
    assert list(load_log(bare, ["MA", "MB"]).columns) == ["MA", "MB"]
    assert load_log(bare).indexed
    with pytest.raises(UsageError, match="no column 'C'"):
        load_log(path, ["C"])
    with pytest.raises(UsageError, match="no column 'C'"):
        load_log(path).column("C")


def test_a_recording_of_samples_is_not_a_log(tmp_path: Path) -> None:
    np.savez(tmp_path / "x.npz", u=np.arange(9.0))
    with pytest.raises(CaptureFileError, match="holds no log"):
        load_log(tmp_path / "x.npz")
