"""WAV, NPZ, NPY and MAT files, and our own format, give back what was put in."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import scipy.io
import scipy.io.wavfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchlog.capture import Capture, ChannelRecord
from benchlog.capture_files import load_capture, save_capture
from benchlog.errors import CaptureFileError, UsageError

_rng = np.random.default_rng(11)


@pytest.mark.parametrize("dtype", [np.uint8, np.int16, np.int32, np.float32, np.float64])
def test_wav_keeps_the_converters_codes(tmp_path: Path, dtype: type[np.generic]) -> None:
    if np.dtype(dtype).kind in "iu":
        limits = np.iinfo(dtype)  # type: ignore[arg-type]
        codes = _rng.integers(limits.min, limits.max, size=(100, 2), endpoint=True).astype(dtype)
    else:
        codes = _rng.uniform(-1, 1, size=(100, 2)).astype(dtype)
    scipy.io.wavfile.write(tmp_path / "x.wav", 48000, codes)
    capture = load_capture(tmp_path / "x.wav", columns=["L", "R"])
    assert capture.interval_s == 1 / 48000
    assert capture.names == ("L", "R")
    np.testing.assert_array_equal(capture.channels[1].codes, codes[:, 1])
    assert np.abs(capture.channels[0].values()).max() <= 1.0
    if dtype is np.int16:
        assert capture.channels[0].code_limits == (-32768, 32767)
        assert capture.channels[0].values()[0] == codes[0, 0] / 32768


def test_wav_of_24_bits_in_the_extensible_form(tmp_path: Path) -> None:
    codes = np.array([-(2**23), -1, 0, 1, 2**23 - 1])
    body = b"".join(int(c).to_bytes(3, "little", signed=True) for c in codes)
    guid = struct.pack("<H", 1) + b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xaa\x00\x38\x9b\x71"
    fmt = struct.pack("<HHIIHHHHI", 0xFFFE, 1, 96000, 288000, 3, 24, 22, 24, 0) + guid
    pad = b"\x00" * (len(body) % 2)
    chunks = b"fmt " + struct.pack("<I", len(fmt)) + fmt + b"data" + struct.pack("<I", len(body)) + body + pad
    path = tmp_path / "x.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks)
    channel = load_capture(path).channels[0]
    np.testing.assert_array_equal(channel.codes, codes)
    assert channel.values()[0] == -1.0
    path.write_bytes(path.read_bytes()[:-6])
    with pytest.raises(CaptureFileError, match="cut short"):
        load_capture(path)


def test_npz_and_mat_with_time_interval_or_rate(tmp_path: Path) -> None:
    t = np.arange(100) * 1e-5
    u, v = np.sin(t * 1e3), np.cos(t * 1e3)
    np.savez(tmp_path / "time.npz", t=t, u=u, v=v)
    np.savez(tmp_path / "rate.npz", fs=1e5, u=u, v=v)
    scipy.io.savemat(tmp_path / "dt.mat", {"dt": 1e-5, "u": u, "v": v})
    for name in ("time.npz", "rate.npz", "dt.mat"):
        capture = load_capture(tmp_path / name)
        assert capture.interval_s == pytest.approx(1e-5)
        assert capture.names == ("u", "v")
        np.testing.assert_array_equal(capture.channel("v").values(), v)
    assert load_capture(tmp_path / "rate.npz", columns=["v"]).names == ("v",)
    np.savez(tmp_path / "bare.npz", u=u)
    with pytest.raises(CaptureFileError, match="no sample interval"):
        load_capture(tmp_path / "bare.npz")
    assert load_capture(tmp_path / "bare.npz", sample_interval_s=1e-5).n_samples == 100


def test_an_interval_given_beside_the_files_own_must_equal_it(tmp_path: Path) -> None:
    """Whatever kind of file states it: one that contradicts is neither taken nor ignored."""
    u = np.sin(np.arange(200) / 10)
    own = Capture((ChannelRecord("CH1", u), ChannelRecord("CH2", u)), 1e-5, "SC-03")
    save_capture(own, tmp_path / "own.npz")
    save_capture(own, tmp_path / "own.csv")
    scipy.io.wavfile.write(tmp_path / "x.wav", 100_000, (u * 1000).astype(np.int16))
    np.savez(tmp_path / "rate.npz", fs=1e5, u=u)
    rows = "\n".join(f"{x:.5f},{x:.5f}" for x in u)
    (tmp_path / "head.csv").write_text(f"Sample Interval,1e-5\n\nCH1 (V),CH2 (V)\n{rows}\n", encoding="utf-8")
    for name in ("own.npz", "own.csv", "x.wav", "rate.npz", "head.csv"):
        assert load_capture(tmp_path / name, sample_interval_s=1e-5).interval_s == pytest.approx(1e-5), name
        with pytest.raises(CaptureFileError, match=r"but 0\.001 s was given") as caught:
            load_capture(tmp_path / name, sample_interval_s=1e-3)
        assert "--sample-interval" in caught.value.hint


@pytest.mark.parametrize("name", ["own.npz", "own.csv"])
def test_columns_choose_channels_of_a_file_that_names_them(tmp_path: Path, name: str) -> None:
    u = np.sin(np.arange(200) / 10)
    own = Capture((ChannelRecord("CH1", u), ChannelRecord("CH2", 2 * u)), 1e-5, "SC-03")
    save_capture(own, tmp_path / name)
    assert load_capture(tmp_path / name, columns=["time", "CH2"]).names == ("CH2",)
    with pytest.raises(UsageError, match="no channel 'CH3'"):
        load_capture(tmp_path / name, columns=["CH3"])
    with pytest.raises(UsageError, match="column names must differ"):
        load_capture(tmp_path / name, columns=["CH2", " CH2"])


def test_matrix_with_few_columns_is_channels_and_a_square_one_is_asked_about(tmp_path: Path) -> None:
    wide = _rng.normal(size=(3, 200))
    np.save(tmp_path / "wide.npy", wide)
    capture = load_capture(tmp_path / "wide.npy", sample_interval_s=1e-3)
    assert capture.names == ("wide[0]", "wide[1]", "wide[2]")
    np.save(tmp_path / "b.npy", _rng.normal(size=(50, 60)))
    with pytest.raises(CaptureFileError) as caught:
        load_capture(tmp_path / "b.npy", sample_interval_s=1e-3)
    assert "b[0]" in caught.value.hint
    assert load_capture(tmp_path / "b.npy", sample_interval_s=1e-3, columns=["b[3]", "b[5]"]).n_samples == 60
    assert load_capture(tmp_path / "b.npy", sample_interval_s=1e-3, columns=["b.T[3]"]).n_samples == 50


def test_objects_are_not_unpickled(tmp_path: Path) -> None:
    np.save(tmp_path / "o.npy", np.array([{"a": 1}], dtype=object), allow_pickle=True)
    with pytest.raises(CaptureFileError, match="can't be read"):
        load_capture(tmp_path / "o.npy", sample_interval_s=1)


def same(a: Capture, b: Capture) -> bool:
    """Everything but the place it came from."""
    times = (a.time_s is None and b.time_s is None) or (
        a.time_s is not None and b.time_s is not None and np.array_equal(a.time_s, b.time_s)
    )
    return (
        times
        and (a.interval_s, a.instrument, a.utc_ns, dict(a.settings))
        == (b.interval_s, b.instrument, b.utc_ns, dict(b.settings))
        and len(a.channels) == len(b.channels)
        and all(
            np.array_equal(x.codes, y.codes)
            and x.codes.dtype == y.codes.dtype
            and (x.name, x.scale, x.offset, x.unit, x.probe, x.coupling, x.code_limits, x.range_max)
            == (y.name, y.scale, y.offset, y.unit, y.probe, y.coupling, y.code_limits, y.range_max)
            for x, y in zip(a.channels, b.channels, strict=True)
        )
    )


NUMBERS = st.floats(-1e6, 1e6, allow_subnormal=False).filter(lambda v: v == 0 or abs(v) > 1e-9)


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    n = draw(st.integers(2, 12))
    channels = []
    for i in range(draw(st.integers(1, 3))):
        dtype = draw(st.sampled_from(["int8", "uint8", "int16", "uint16", "float32", "float64"]))
        codes: npt.NDArray[np.generic]
        if dtype.startswith("f"):
            codes = np.array(draw(st.lists(NUMBERS, min_size=n, max_size=n)), dtype=dtype)
        else:
            limits = np.iinfo(dtype)
            whole = st.integers(int(limits.min), int(limits.max))
            codes = np.array(draw(st.lists(whole, min_size=n, max_size=n)), dtype=dtype)
        channels.append(
            ChannelRecord(
                name=draw(st.sampled_from(["CH", 'a "b"', "U, sec", "µ"])) + str(i),
                codes=codes,
                scale=draw(st.sampled_from([1.0, 0.02, 1 / 3, -4e-5])),
                offset=draw(st.sampled_from([0.0, -1.28, 0.1])),
                unit=draw(st.sampled_from(["V", "A", "1"])),
                probe=draw(st.sampled_from([1.0, 10.0, 100.0])),
                coupling=draw(st.sampled_from(["dc", "ac", ""])),
                code_limits=draw(st.sampled_from([None, (-128.0, 127.0)])),
                range_max=draw(st.sampled_from([None, 4.0])),
            )
        )
    uneven = draw(st.booleans())
    return Capture(
        tuple(channels),
        draw(st.sampled_from([1e-9, 1 / 3, 2.5e-6])),
        "SC-03",
        draw(st.sampled_from([0, 1_795_588_811_123_456_789])),
        np.cumsum(np.full(n, 0.1)) ** 2 if uneven else None,
        {"time base": "1 ms"},
        "scope",
    )


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(captures(), st.sampled_from([".npz", ".csv"]))
def test_what_is_saved_reads_back_equal(tmp_path: Path, capture: Capture, ending: str) -> None:
    back = load_capture(save_capture(capture, tmp_path / f"own{ending}"))
    assert same(capture, back)
    assert back.source.endswith(f"own{ending}")


def test_own_csv_holds_values_at_the_probe_tip_for_other_programs(tmp_path: Path) -> None:
    codes = np.array([-100, 0, 100, 127], dtype=np.int8)
    channel = ChannelRecord("CH1", codes, 0.02, 0.5, "V", 10.0)
    path = save_capture(Capture((channel,), 1e-6), tmp_path / "x.csv")
    table = np.loadtxt(path, delimiter=",", skiprows=3)
    np.testing.assert_allclose(table[:, 1], channel.values(), rtol=1e-15)
    np.testing.assert_allclose(table[:, 0], np.arange(4) * 1e-6)


@pytest.mark.parametrize("ending", [".npz", ".csv"])
def test_damaged_own_files_are_refused(tmp_path: Path, ending: str) -> None:
    channel = ChannelRecord("CH1", np.arange(9, dtype=np.int16), 0.02)
    path = save_capture(Capture((channel,), 1e-6), tmp_path / f"x{ending}")
    data = path.read_bytes()
    for cut in (len(data) // 2, len(data) - 20, 60):
        path.write_bytes(data[:cut])
        with pytest.raises(CaptureFileError):
            load_capture(path)
    with pytest.raises(UsageError, match=r"\.npz or \.csv"):
        save_capture(Capture((channel,), 1e-6), tmp_path / "x.xls")
    with pytest.raises(CaptureFileError, match="can't be written"):
        save_capture(Capture((channel,), 1e-6), tmp_path / "nowhere" / f"x{ending}")
