"""A record comes out of every common layout of text file as it went in."""

from __future__ import annotations

import codecs
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from helpers.capture_text import sample_rows, written
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.capture_files import load_capture, load_captures
from benchlog.errors import CaptureFileError

INTERVAL_S = 2e-6
_rng = np.random.default_rng(5)
SAMPLES = np.round(_rng.normal(0, 3, size=(40, 2)), 4)
NO_SETTLE = [HealthCheck.function_scoped_fixture]


@dataclass(frozen=True)
class TextLayout:
    delimiter: str
    decimal: str
    quote_names: bool
    quote_cells: bool
    names: str  # "plain", "brackets", "units row", "none"
    prose: int
    mark: bytes
    encoding: str
    line_end: str
    trailing: bool
    blank_line: bool
    time: str  # "column", "header", "argument", "start and increment"
    time_unit: tuple[str, float]


def _number(value: float, layout: TextLayout, decimals: int) -> str:
    text = f"{value:.{decimals}f}".replace(".", layout.decimal)
    return f'"{text}"' if layout.quote_cells else text


def write(layout: TextLayout) -> bytes:
    """The record in this layout."""
    d = layout.delimiter
    unit, factor = layout.time_unit
    names = [(f"Time{'' if d == ' ' else ' '}", unit)] if layout.time == "column" else []
    names += [("CH1", "V"), ("CH2", "mV")]
    lines = [f"instrument note {i} about nothing" for i in range(layout.prose)]
    if layout.time == "header":
        lines.append(f"Sample Interval{d if d != ' ' else ': '}{INTERVAL_S:.2e}".replace(".", layout.decimal))
    if layout.names != "none":
        bracketed = layout.names == "brackets"
        cells = [f"{n.strip()}{'' if d == ' ' else ' '}({u})" if bracketed else n.strip() for n, u in names]
        if layout.time == "start and increment":
            cells = ["X", *cells, "Start", "Increment"]
        lines.append(d.join(f'"{c}"' if layout.quote_names else c for c in cells))
        if layout.names == "units row" or layout.time == "start and increment":
            row = [f"({u})" for _, u in names]
            if layout.time == "start and increment":
                row = ["Sequence", *row, _number(-1e-3, layout, 6), _number(INTERVAL_S, layout, 8)]
            lines.append(d.join(row))
    if layout.blank_line and lines:
        lines.append("")
    for i, (a, b) in enumerate(SAMPLES):
        cells = [_number(a, layout, 4), _number(b, layout, 4)]
        if layout.time == "column":
            cells.insert(0, _number(i * INTERVAL_S / factor, layout, 6 if factor == 1 else 3))
        elif layout.time == "start and increment":
            cells.insert(0, str(i))
        lines.append(d.join(cells) + (d if layout.trailing and d != " " else ""))
    text = layout.line_end.join(lines) + layout.line_end
    return layout.mark + text.encode(layout.encoding)


@st.composite
def notations(draw: st.DrawFn) -> TextLayout:
    """Notations that leave no doubt: a comma is never both separator and decimal mark unless cells are quoted."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", " "]))
    decimal = draw(st.sampled_from([".", ","]))
    quote_cells = delimiter == "," and decimal == ","
    time = draw(st.sampled_from(["column", "header", "argument", "start and increment"]))
    names = draw(st.sampled_from(["plain", "brackets", "units row", "none"]))
    if time == "start and increment":
        names = "units row"
    mark, encoding = draw(
        st.sampled_from(
            [
                (b"", "utf-8"),
                (codecs.BOM_UTF8, "utf-8"),
                (codecs.BOM_UTF16_LE, "utf-16-le"),
                (codecs.BOM_UTF16_BE, "utf-16-be"),
                (b"", "utf-16-le"),
                (b"", "cp1252"),
            ]
        )
    )
    unit = ("s", 1.0)
    if time == "column" and names in ("brackets", "units row"):
        units = [("s", 1.0), ("ms", 1e-3), ("us", 1e-6)]
        if encoding != "cp1252" or draw(st.booleans()):
            units.append(("µs", 1e-6))
        unit = draw(st.sampled_from(units))
    return TextLayout(
        delimiter=delimiter,
        decimal=decimal,
        quote_names=draw(st.booleans()) and time != "start and increment",
        quote_cells=quote_cells,
        names=names,
        prose=draw(st.sampled_from([0, 0, 1, 12, 70])),
        mark=mark,
        encoding=encoding,
        line_end=draw(st.sampled_from(["\n", "\r\n", "\r\r\n", "\r"])),
        trailing=draw(st.booleans()),
        blank_line=draw(st.booleans()),
        time=time,
        time_unit=unit,
    )


@settings(max_examples=60, deadline=None, suppress_health_check=NO_SETTLE)
@given(notations())
def test_every_notation_gives_the_record_back(tmp_path: Path, layout: TextLayout) -> None:
    path = tmp_path / "record.csv"
    path.write_bytes(write(layout))
    interval_s = INTERVAL_S if layout.time == "argument" else None
    capture = load_capture(path, sample_interval_s=interval_s)
    assert capture.interval_s == pytest.approx(INTERVAL_S, rel=1e-9)
    assert capture.time_s is None
    assert len(capture.channels) == 2
    if layout.names != "none":
        assert capture.names == ("CH1", "CH2")
    factor = 1e-3 if layout.names in ("brackets", "units row") else 1.0
    np.testing.assert_allclose(capture.channels[0].values(), SAMPLES[:, 0], rtol=1e-12)
    np.testing.assert_allclose(capture.channels[1].values(), SAMPLES[:, 1] * factor, rtol=1e-12)


def test_header_beside_the_first_rows_is_read_and_no_sample_is_lost(tmp_path: Path) -> None:
    beside = ["Record Length,2500", "Sample Interval,1.0e-05", "Source,CH2", "Vertical Units,mV"]
    rows = [f"{beside[i] if i < 4 else ','},,{-0.005 + i * 1e-5:.5f},{i % 7:.4f}," for i in range(60)]
    capture = load_capture(written(tmp_path, "\n".join(rows)))
    assert capture.names == ("CH2",)
    assert capture.n_samples == 60
    assert capture.interval_s == pytest.approx(1e-5)
    np.testing.assert_allclose(capture.channels[0].values()[:8], np.arange(8) % 7 * 1e-3)


def test_sample_rate_in_the_header_with_prefix_and_unit(tmp_path: Path) -> None:
    text = "# Sample rate: 2.5 MSa/s\nCH1 (V)\n" + "".join(f"{np.sin(i):.4f}\n" for i in range(20))
    capture = load_capture(written(tmp_path, text))
    assert capture.interval_s == pytest.approx(0.4e-6)
    assert capture.names == ("CH1",)


def test_spreadsheet_separator_line_is_obeyed(tmp_path: Path) -> None:
    capture = load_capture(written(tmp_path, "sep=;\ntime;u;v\n" + sample_rows().replace(",", ";")))
    assert capture.names == ("u", "v")


def test_column_of_time_stamps_with_zone_gives_the_start(tmp_path: Path) -> None:
    rows = "".join(f"2026-01-02T03:04:{i:02d}+01:00,{i % 5}.5\n" for i in range(30))
    capture = load_capture(written(tmp_path, "time,u\n" + rows))
    assert capture.interval_s == 1.0
    assert capture.utc_ns == 1_767_319_440_000_000_000


def test_missing_rows_show_as_times_not_as_a_shorter_record(tmp_path: Path) -> None:
    capture = load_capture(written(tmp_path, "t,u,v\n" + sample_rows(40) + sample_rows(40, first=50)))
    assert capture.time_s is not None
    assert capture.interval_s == pytest.approx(1e-6)
    assert np.diff(capture.time_s).max() == pytest.approx(11e-6)


@pytest.mark.parametrize("cell", ["", "#DIV/0!", "OL", "NaN", "-inf", "9.9E37"])
def test_a_row_without_a_value_is_left_out_and_reported(tmp_path: Path, cell: str) -> None:
    text = "t,u,v\n" + sample_rows(60).replace("0.000030,-0.9880", f"0.000030,{cell}")
    capture = load_capture(written(tmp_path, text))
    assert capture.n_samples == 59
    assert capture.time_s is not None
    assert np.isfinite(capture.channels[0].values()).all()
    assert "1 of 60 rows" in capture.settings["left out rows"]


def test_a_last_row_cut_short_is_left_out_and_reported(tmp_path: Path) -> None:
    capture = load_capture(written(tmp_path, "t,u,v\n" + sample_rows(30) + "0.000030,1.2"))
    assert capture.n_samples == 30
    assert any("cut short" in note for note in capture.settings.values())


def test_columns_choose_name_and_leave_out(tmp_path: Path) -> None:
    named, bare = (
        written(tmp_path, "t,u,v\n" + sample_rows(), "named.csv"),
        written(tmp_path, sample_rows(), "bare.csv"),
    )
    assert load_capture(named, columns=["v"]).names == ("v",)
    assert load_capture(named, columns=["t", "v", "u"]).names == ("v", "u")
    assert load_capture(bare, columns=["time", "A", "-"]).names == ("A",)
    assert load_capture(bare, columns=["P", "A", "B"], sample_interval_s=1e-3).names == ("P", "A", "B")


def test_probe_factors_multiply(tmp_path: Path) -> None:
    path = written(tmp_path, "t,u,v\n" + sample_rows())
    plain, probed = load_capture(path), load_capture(path, probes={"v": 10.0})
    np.testing.assert_array_equal(probed.channel("v").values(), 10 * plain.channel("v").values())
    assert probed.channel("u").probe == 1.0


def test_one_channel_a_file_makes_one_record(tmp_path: Path) -> None:
    for name, shift in (("left", 0.0), ("right", 1.0)):
        rows = "".join(f"{i * 1e-6:.6f},{np.sin(i + shift):.4f}\n" for i in range(30))
        written(tmp_path, "time,voltage (V)\n" + rows, f"{name}.csv")
    both = load_captures([tmp_path / "left.csv", tmp_path / "right.csv"], probes={"right": 10})
    assert both.names == ("left", "right")
    assert both.channel("right").probe == 10
    named = load_captures([tmp_path / "left.csv", tmp_path / "right.csv"], columns=["A", "B"])
    assert named.names == ("A", "B")
    np.testing.assert_array_equal(named.channel("A").values(), both.channel("left").values())


def test_a_table_of_a_million_numbers_is_read_about_as_fast_as_by_the_bare_parser(tmp_path: Path) -> None:
    """At most three times: a wide margin, since the machine may be busy; about 1.4 when it is not."""
    import time

    import pandas as pd

    t = np.arange(100_000) * 1e-6
    frame = pd.DataFrame({"time (s)": t, "CH1 (V)": np.round(np.sin(5000 * t), 5)})
    path = tmp_path / "long.csv"
    frame.to_csv(path, index=False, float_format="%.6f")
    ours, bare = [], []
    for _ in range(4):
        start = time.perf_counter()
        pd.read_csv(path, engine="c")
        middle = time.perf_counter()
        capture = load_capture(path)
        ours.append(time.perf_counter() - middle)
        bare.append(middle - start)
    assert capture.n_samples == 100_000
    assert capture.time_s is None
    assert min(ours) < 3 * min(bare)


def test_unit_of_the_rate_in_its_key(tmp_path: Path) -> None:
    text = "Sampling frequency [kHz]: 50\nPoints: 40\n\nCH A [V], CH B [A]\n" + "".join(
        f"{i % 7}.25, 1.5\n" for i in range(40)
    )
    capture = load_capture(written(tmp_path, text))
    assert capture.interval_s == pytest.approx(2e-5)
    assert [c.unit for c in capture.channels] == ["V", "A"]


@pytest.mark.parametrize("power", [0, 3, 6, 9])
def test_times_counted_from_1970(tmp_path: Path, power: int) -> None:
    text = "Timestamp,U\n" + "".join(f"{(1_600_000_000 + 2 * i) * 10**power},{i % 7}.5\n" for i in range(40))
    capture = load_capture(written(tmp_path, text))
    assert capture.interval_s == pytest.approx(2.0)
    assert capture.utc_ns == 1_600_000_000_000_000_000


def test_a_time_column_for_each_channel(tmp_path: Path) -> None:
    same = "t,CH1,t,CH2\n" + "".join(f"{i}e-6,{i % 7}.5,{i}e-6,{i % 3}.5\n" for i in range(40))
    assert load_capture(written(tmp_path, same)).names == ("CH1", "CH2")
    shifted = "t,CH1,t,CH2\n" + "".join(f"{i}e-6,{i % 7}.5,{i}.5e-6,{i % 3}.5\n" for i in range(40))
    with pytest.raises(CaptureFileError, match="two time columns"):
        load_capture(written(tmp_path, shifted))
