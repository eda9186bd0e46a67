"""What can't be read surely is refused with a hint that shows what was seen; nothing else ever comes out."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest
from helpers.capture_text import sample_rows, written
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchlog.capture_files import load_capture, load_captures, load_log
from benchlog.errors import BenchlogError, CaptureFileError, UsageError


def _zip(**files: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, data in files.items():
            # A ZipInfo has a fixed date: test names made of the bytes must not change with the time of day.
            archive.writestr(zipfile.ZipInfo(name.replace("__", ".")), data)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("data", "named"),
    [
        (b"\x89PNG\r\n\x1a\n" + bytes(40), "PNG picture"),
        (b"\xff\xd8\xff\xe0" + bytes(40), "JPEG picture"),
        (b"BM\x36\x00\x00\x00\x00\x00" + bytes(40), "BMP picture"),
        (b"%PDF-1.7\n%\xe2\xe3", "PDF document"),
        (_zip(readme__txt=b"hello"), "ZIP archive (readme.txt)"),
        (_zip(mimetype=b"x"), "office document"),
        (b"PK\x03\x04broken", "damaged"),
        (b"SQLite format 3\x00" + bytes(80), "SQLite"),
        (b"\x89HDF\r\n\x1a\n" + bytes(80), "HDF5"),
        (b"<!DOCTYPE html><html></html>", "web page"),
        (b"", "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (bytes(range(1, 256)) * 3, "binary"),
        (b"hello there\nthis is prose\n" * 9, "no table of numbers"),
        (b"1\n", "no table of numbers"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "fmt"),
        (b"MATLAB 5.0 MAT-file" + bytes(200), "can't be read"),
        (b"\x93NUMPY\x01\x00", "can't be read"),
    ],
)
def test_other_files_are_named_for_what_they_are(tmp_path: Path, data: bytes, named: str) -> None:
    with pytest.raises(CaptureFileError) as caught:
        load_capture(written(tmp_path, data), sample_interval_s=1e-6)
    assert named in str(caught.value)
    assert caught.value.hint


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(CaptureFileError, match="no file"):
        load_capture(tmp_path / "nothing.csv")
    with pytest.raises(CaptureFileError, match="is a folder"):
        load_capture(tmp_path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("t;u\n" + "".join(f"{i};{i + 1},{123 + i}\n" for i in range(20)), "'1,123' could be 1.123 or 1123"),
        ("t,u\n" + "".join(f"0,{i:03d},1,{123 + i}\n" for i in range(20)), "both separator and decimal mark"),
        ("".join(f"{i},{i * 7 % 10}\n" for i in range(20)), "two columns or one with a decimal comma"),
        ("t;u\n" + "".join(f"{i},5;{i % 3}.5\n" for i in range(20)), "'0,5' in data row 1"),
        (
            "t;u\n" + "".join(f"{i},5;{i % 3},5\n" for i in range(50)) + "51,5;1.125\n",
            "could be 1.125 or 1125",
        ),
        ("t,u\n" + "".join(f"{i}.5,0.25 V\n" for i in range(20)), "'u' holds '0.25 V'"),
        ("1 234,5;2\n" * 9, "'column 1' holds '1 234,5'"),
        ("t,u,v\n" + sample_rows() + "f,Z,P\n1,2,3\n2,3,4\n", "two tables in one file"),
        ("t,u,v\n" + sample_rows() + "1,2,3,4,5\n", "line 32 has 5 cells"),
        ("t,u,v\n" + sample_rows() + sample_rows(), "time steps back at data row 31"),
        (
            "u,v\n" + "".join(f"{i % 3}.5,{i % 7}.5\n" for i in range(20)),
            "no time column and no sample interval",
        ),
        ("t,u\n" + "".join(f"0.0,{i % 7}.5\n" for i in range(20)), "all times are 0"),
        (
            "t,u,v\n" + "".join(f"{i}.0,{'' if i % 2 else 1},{1 if i % 2 else ''}\n" for i in range(40)),
            "lack a channel",
        ),
    ],
)
def test_doubtful_tables_are_refused_and_the_hint_shows_what_was_seen(
    tmp_path: Path, text: str, words: str
) -> None:
    with pytest.raises(CaptureFileError) as caught:
        load_capture(written(tmp_path, text))
    assert words in str(caught.value)
    assert caught.value.hint


def test_a_stated_decimal_mark_settles_the_ambiguous(tmp_path: Path) -> None:
    path = written(tmp_path, "t;u\n" + "".join(f"{i};{i + 1},{123 + i}\n" for i in range(20)))
    assert load_capture(path, decimal=",").channels[0].values()[0] == 1.123
    other = written(tmp_path, "t;u\n" + "".join(f"{i};{i + 1},{123 + i}.5\n" for i in range(20)), "y.csv")
    assert load_capture(other).channels[0].values()[0] == 1123.5, "both marks in one cell leave no doubt"


def test_interval_given_and_time_column_must_agree(tmp_path: Path) -> None:
    path = written(tmp_path, "t,u,v\n" + sample_rows())
    assert load_capture(path, sample_interval_s=1e-6).n_samples == 30
    with pytest.raises(CaptureFileError, match=r"steps by 1e-06 s, but .* is 0\.001 s"):
        load_capture(path, sample_interval_s=1e-3)
    with pytest.raises(UsageError, match="must be positive"):
        load_capture(path, sample_interval_s=0.0)


def test_names_that_do_not_fit_are_refused_with_those_there_are(tmp_path: Path) -> None:
    path = written(tmp_path, "t,u,v\n" + sample_rows())
    with pytest.raises(UsageError) as caught:
        load_capture(path, columns=["u", "w"])
    assert "t, u, v" in caught.value.hint
    with pytest.raises(UsageError, match="do not fit"):
        load_capture(written(tmp_path, sample_rows(), "bare.csv"), columns=["a", "b", "c", "d"])
    with pytest.raises(UsageError, match="no channel 'w'"):
        load_capture(path, probes={"w": 10})
    with pytest.raises(UsageError, match="must be positive"):
        load_capture(path, probes={"v": -1})
    with pytest.raises(UsageError, match="must differ"):
        load_capture(path, columns=["u", "u"])


def test_files_of_different_records_are_not_merged(tmp_path: Path) -> None:
    a = written(tmp_path, "t,u,v\n" + sample_rows(), "a.csv")
    with pytest.raises(CaptureFileError, match="not from one record: samples 30 and 31"):
        load_captures([a, written(tmp_path, "t,u,v\n" + sample_rows(31), "b.csv")])
    with pytest.raises(CaptureFileError, match="not from one record: first sample"):
        load_captures([a, written(tmp_path, "t,u,v\n" + sample_rows(first=5), "c.csv")])
    slow = "".join(f"{i * 2e-6:.6f},{i % 3},{i % 7}\n" for i in range(30))
    with pytest.raises(CaptureFileError, match="intervals"):
        load_captures([a, written(tmp_path, "t,u,v\n" + slow, "d.csv")])
    with pytest.raises(UsageError):
        load_captures([])


CELL = st.one_of(
    st.sampled_from(
        [
            "1,234",
            "1.234,5",
            "12:00",
            "2020-01-01",
            "1/2/2020",
            "31.12.2020",
            "nan",
            "OL",
            "",
            '"',
            "\x00",
            "1e999",
        ]
    ),
    st.floats(-1e6, 1e6).map(lambda v: f"{v:.3f}"),
    st.text(max_size=6),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.one_of(
        st.binary(max_size=300),
        st.tuples(
            st.sampled_from(["", "t,u\n", "a;b;c\n", "# x\n"]),
            st.sampled_from([",", ";", "\t", " "]),
            st.lists(st.lists(CELL, min_size=1, max_size=4), max_size=12),
        ).map(lambda t: (t[0] + "\n".join(t[1].join(row) for row in t[2])).encode("utf-8", "replace")),
    ),
    st.sampled_from(
        [b"", b"RIFF\x00\x00\x00\x00WAVE", b"MATLAB 5.0 MAT-file", b"\x93NUMPY", b"PK\x03\x04", b"\xff\xfe"]
    ),
)
@example(b"30/2/2020,1\n31/2/2020,2\n", b"")
@example(b"0:00,0,,,\n!,0\n0:00,,,,", b"")
@example(b"9:9,1\n2,3\n12:00,5\n12:01,6", b"")
def test_whatever_the_bytes_one_clear_error_or_a_finite_capture(
    tmp_path: Path, data: bytes, begin: bytes
) -> None:
    path = written(tmp_path, begin + data)
    try:
        capture = load_capture(path, sample_interval_s=1e-3)
    except BenchlogError as error:
        assert error.hint  # noqa: PT017 - either outcome is right
    else:
        assert all(np.isfinite(c.values()).all() for c in capture.channels)
    try:
        log = load_log(path)
    except BenchlogError as error:
        assert error.hint  # noqa: PT017
    else:
        assert np.isfinite(log.time_s).all()
