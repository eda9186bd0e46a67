"""Files made to take all memory or all day: refused, or read within a second a megabyte."""

from __future__ import annotations

import io
import time
import zipfile
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import scipy.io

from benchlog.bench import read_bench
from benchlog.capture_files.load import load_capture
from benchlog.errors import BenchlogError, CaptureFileError, ConfigError, UsageError
from benchlog.plan import read_plan
from benchlog.units import parse_quantity


def lying_npy(shape: str, data: bytes = b"\0" * 80) -> bytes:
    """An NPY file whose header promises more than follows."""
    header = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {shape}, }}".ljust(117) + "\n"
    return b"\x93NUMPY\x01\x00" + len(header).to_bytes(2, "little") + header.encode() + data


def zipped(*members: tuple[str, bytes]) -> bytes:
    """An NPZ file."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members:
            archive.writestr(name, data)
    return out.getvalue()


def bomb_mat(path: Path) -> None:
    """A small MAT file of many zeros."""
    scipy.io.savemat(path, {"a": np.zeros(12_000_000)}, do_compression=True)


def zeros(count: int) -> bytes:
    """An NPY file of zeros."""
    out = io.BytesIO()
    np.save(out, np.zeros(count))
    return out.getvalue()


FILES = {
    "bomb.npz": lambda: zipped(*((f"CH{n}.npy", zeros(2_000_000)) for n in range(6)), ("dt.npy", zeros(1))),
    "lies.npy": lambda: lying_npy("(1000000000000,)"),
    "lies_below_zero.npy": lambda: lying_npy("(-5, -7)"),
    "lies_past_all_bounds.npy": lambda: lying_npy("(10**400,)"),
    "lies.npz": lambda: zipped(("a.npy", lying_npy("(1000000000000,)"))),
    "one_line.csv": lambda: b"1.5," * 2_000_000,
    "commas.csv": lambda: b"," * 10_000_000,
    "quotes.csv": lambda: b'"' * 10_000_000,
    "quotes_in_lines.csv": lambda: (b'"' * 140_000 + b"\n") * 20,
    "flipped.mat": lambda: b"MATLAB 5.0 MAT-file" + b"\xff" * 5000,
}


@pytest.mark.parametrize("name", FILES)
def test_a_capture_made_to_mislead_is_refused_at_once(tmp_path: Path, name: str) -> None:
    """With one clear error."""
    path = tmp_path / name
    path.write_bytes(FILES[name]())
    began = time.process_time()
    with pytest.raises(CaptureFileError):
        load_capture(path, sample_interval_s=1e-3)
    assert time.process_time() - began < 1 + path.stat().st_size / 1e6


def test_a_packed_mat_file_of_many_zeros_is_refused(tmp_path: Path) -> None:
    """Before it is unpacked."""
    bomb_mat(tmp_path / "bomb.mat")
    assert (tmp_path / "bomb.mat").stat().st_size < 1_000_000
    with pytest.raises(CaptureFileError, match="would unpack to 96 MB"):
        load_capture(tmp_path / "bomb.mat", sample_interval_s=1e-3)


def test_a_real_packed_capture_is_read(tmp_path: Path) -> None:
    """A clean record packs well, too."""
    signal = np.round(100 * np.sin(np.arange(1_000_000) / 50)).astype("i1")
    np.savez_compressed(tmp_path / "t.npz", CH1=signal, dt=1e-6)
    assert load_capture(tmp_path / "t.npz").n_samples == 1_000_000


@pytest.mark.parametrize(
    "text",
    [
        ".".join("a" * 20_000) + " = 1",
        "[" + ".".join("a" * 20_000) + "]",
        "x = {" + ".".join("a" * 20_000) + " = 1}",
        "a = " + "1" * 5000,
        "a = " + "[" * 20_000,
        "[[part]]\n" * 20_000,
        "".join(f'[[instrument]]\ntag = "M{n}"\nkind = "meter"\naddress = "typed:"\n' for n in range(5_000)),
    ],
    ids=["dotted", "header", "inline", "digits", "deep", "parts", "instruments"],
)
def test_a_plan_or_bench_file_takes_a_second_a_megabyte(tmp_path: Path, text: str) -> None:
    """Refused or read."""
    path = tmp_path / "plan.toml"
    path.write_text(text)
    for read in (read_plan, read_bench):
        began = time.process_time()
        with suppress(ConfigError):
            read(path)
        assert time.process_time() - began < 1.5


@pytest.mark.parametrize("text", ["1e" + "4" * 5000 + " V", "1" * 5000 + " V", "-" * 5000, "1e-" + "9" * 400])
def test_numbers_of_thousands_of_digits_are_refused(text: str) -> None:
    """As typed readings and expectations."""
    with pytest.raises((UsageError, BenchlogError)):
        parse_quantity(text)
