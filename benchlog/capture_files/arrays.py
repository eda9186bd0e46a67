"""Named arrays (NPZ, NPY, MAT) to a capture."""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture, ChannelRecord
from benchlog.capture_files.columns import is_time_name
from benchlog.capture_files.header import interval_from_fields
from benchlog.capture_files.time_base import time_base
from benchlog.errors import CaptureFileError

_INDEXED = re.compile(r"(\w+)(\.T)?\[(\d+)\]")
# As many columns as a scope may have channels; wider matrices are rarely one record.
_MOST_CHANNELS = 16
_MOST_UNPACKED = 64_000_000
_MAT_BYTES = {
    "int8": 1,
    "uint8": 1,
    "int16": 2,
    "uint16": 2,
    "int32": 4,
    "uint32": 4,
    "single": 4,
    "logical": 1,
}

Arrays = Mapping[str, npt.NDArray[Any]]


def read_npz(data: bytes, path: Path) -> Arrays:
    """Return the arrays of an NPZ file; pickled objects are refused."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            _refuse_bomb(sum(member.file_size for member in archive.infolist()), len(data), path)
            arrays = {}
            for member in archive.infolist():
                arrays[member.filename.removesuffix(".npy")] = _array(archive.read(member))
            return arrays
    except CaptureFileError:
        raise
    except Exception as error:  # noqa: BLE001 - numpy raises anything on a file made to mislead it
        raise _damaged(path, error) from None


def read_npy(data: bytes, path: Path) -> Arrays:
    """Return the array of an NPY file under the file's name, or its fields."""
    try:
        array = _array(data)
    except Exception as error:  # noqa: BLE001 - as above
        raise _damaged(path, error) from None
    if array.dtype.names:
        return {name: array[name] for name in array.dtype.names}
    return {path.stem: array}


def _array(data: bytes) -> npt.NDArray[Any]:
    """Return the array in the bytes of an NPY file, whose header may ask for no more than follows it."""
    stream = io.BytesIO(data)
    version = np.lib.format.read_magic(stream)
    read_header = {
        (1, 0): np.lib.format.read_array_header_1_0,
        (2, 0): np.lib.format.read_array_header_2_0,
    }.get(version, np.lib.format.read_array_header_2_0)
    shape, _, dtype = read_header(stream)
    if dtype.hasobject:
        raise ValueError("it holds pickled objects, which benchlog never opens")
    if math.prod(shape) * dtype.itemsize > len(data) - stream.tell():
        raise ValueError(f"its header says {'x'.join(map(str, shape))} values, which are not there")
    stream.seek(0)
    found: npt.NDArray[Any] = np.lib.format.read_array(stream, allow_pickle=False)
    return found


def _refuse_bomb(unpacked: int, packed: int, path: Path) -> None:
    if unpacked > _MOST_UNPACKED + 10 * packed:
        raise CaptureFileError(
            f"{path.name} has {packed / 1e6:.1f} MB and would unpack to {unpacked / 1e6:.0f} MB",
            hint="export it without compression if it is a real capture",
        )


def read_mat(path: Path) -> Arrays:
    """Return the variables of a MAT file up to version 7."""
    import scipy.io

    try:
        listed = scipy.io.whosmat(str(path), appendmat=False)  # names and shapes, nothing unpacked yet
        sizes = (math.prod(shape) * _MAT_BYTES.get(kind, 8) for _, shape, kind in listed)
        _refuse_bomb(sum(sizes), path.stat().st_size, path)
        found = scipy.io.loadmat(str(path), appendmat=False)
    except CaptureFileError:
        raise
    except Exception as error:  # noqa: BLE001 - scipy raises anything on a file made to mislead it
        raise _damaged(path, error) from None
    return {name: np.asarray(value) for name, value in found.items() if not name.startswith("__")}


def _damaged(path: Path, error: Exception) -> CaptureFileError:
    return CaptureFileError(f"{path.name} can't be read: {error}", hint="copy or export it again")


def _listed(arrays: Arrays) -> str:
    shown = [f"{name} {'x'.join(map(str, a.shape)) or 'scalar'} {a.dtype}" for name, a in arrays.items()]
    return "arrays here: " + ", ".join(shown[:12]) + (" ..." if len(shown) > 12 else "")


def capture_from_arrays(
    arrays: Arrays, path: Path, interval_s: float | None, columns: Sequence[str] | None
) -> Capture:
    """Make a capture of named arrays.

    Vectors of one length are channels, one called time or t the time, scalars such as ``dt`` or ``fs`` the
    interval. Of a matrix with few columns (or few rows) each is a channel; any row or column is had by
    ``b[3]`` or ``b.T[3]`` in `columns`.

    Raises
    ------
    CaptureFileError
        If that is not clear; the hint lists the arrays.
    """
    name = path.name
    numeric = {k: a for k, a in arrays.items() if a.dtype.kind in "iuf" and a.size}
    scalars = {k.casefold(): repr(float(a.ravel()[0])) for k, a in numeric.items() if a.size == 1}
    stated, start, source = interval_from_fields(scalars, ".", name, interval_s)
    vectors = {k: a.ravel() for k, a in numeric.items() if a.size > 1 and a.size == max(a.shape)}
    time_name = next(filter(is_time_name, vectors), None)
    channels, length = _channels(numeric, vectors, arrays, columns, time_name, name)
    settings: dict[str, str] = {"unit": "the file does not say: V assumed"}
    positions: npt.NDArray[np.float64] | None = None
    time = None if time_name is None else vectors[time_name]
    if time is not None and time.size == length:
        time_s = time.astype(np.float64)
        interval, uniform = _judge_times(time_s, str(time_name), stated, source, name)
        start, positions = float(time_s[0]), None if uniform else time_s
        settings["interval from"] = f"array {time_name}"
    elif stated is not None:
        interval = stated
        settings["interval from"] = source
    else:
        raise CaptureFileError(
            f"{name}: no time array and no sample interval",
            hint=f"give it with --sample-interval; {_listed(arrays)}",
        )
    if start:
        settings["first sample"] = f"{start!r} s"
    records = tuple(ChannelRecord(k, _as_codes(v, k, name)) for k, v in channels.items())
    return Capture(records, interval, path.stem, 0, positions, settings, str(path))


def _channels(
    numeric: Arrays,
    vectors: Arrays,
    arrays: Arrays,
    columns: Sequence[str] | None,
    time_name: str | None,
    name: str,
) -> tuple[dict[str, npt.NDArray[Any]], int]:
    """Return the channels, all of one length, and that length."""
    if columns is not None:
        channels = {text: _chosen(text, numeric, vectors, arrays, name) for text in columns}
    else:
        channels = dict(vectors)
    channels.pop(time_name or "", None)
    if columns is None and not channels:
        channels = _from_matrix(numeric, arrays, name)
    lengths = {v.size for v in channels.values()}
    if len(lengths) != 1:
        raise CaptureFileError(
            f"{name}: arrays of different lengths", hint=f"choose with --columns; {_listed(arrays)}"
        )
    return channels, lengths.pop()


def _judge_times(
    time_s: npt.NDArray[np.float64], time_name: str, stated: float | None, source: str, name: str
) -> tuple[float, bool]:
    """Return the interval of an array of times, and whether all are alike."""
    base = time_base(time_s, 0.0)
    if base.backward_at > 0 or not base.interval_s > 0 or not np.isfinite(time_s).all():
        raise CaptureFileError(
            f"{name}: {time_name!r} does not increase at sample {max(base.backward_at, 1)}",
            hint="give the interval and leave the time out of --columns",
        )
    if stated is not None and abs(base.interval_s / stated - 1) > 0.01:
        raise CaptureFileError(
            f"{name}: {time_name!r} steps by {base.interval_s:.6g} s, but the sample interval ({source}) is "
            f"{stated:.6g} s",
            hint="leave out --sample-interval",
        )
    return base.interval_s, base.uniform


def _as_codes(values: npt.NDArray[Any], channel: str, name: str) -> npt.NDArray[np.generic]:
    """Keep small integers and floats as they are; wider integers become float64."""
    values = np.ascontiguousarray(values)
    if values.dtype.newbyteorder("=") in (np.int8, np.uint8, np.int16, np.uint16, np.float32, np.float64):
        values = values.astype(values.dtype.newbyteorder("="))
    else:
        values = values.astype(np.float64)
    if values.dtype.kind == "f" and not np.isfinite(values).all():
        bad = int(np.flatnonzero(~np.isfinite(values))[0])
        raise CaptureFileError(
            f"{name}: sample {bad} of {channel!r} is {values[bad]}",
            hint="leave the sample out, or export again",
        )
    return values


def _chosen(text: str, numeric: Arrays, vectors: Arrays, arrays: Arrays, name: str) -> npt.NDArray[Any]:
    if text in vectors:
        return vectors[text]
    match = _INDEXED.fullmatch(text)
    if match and match[1] in numeric and numeric[match[1]].ndim == 2:
        matrix = numeric[match[1]].T if match[2] else numeric[match[1]]
        if int(match[3]) < len(matrix):
            return np.asarray(matrix[int(match[3])])
    if text in numeric:
        raise CaptureFileError(
            f"{name}: {text!r} is {'x'.join(map(str, numeric[text].shape))}, not a single record",
            hint=f"choose a row as {text}[0] or a column as {text}.T[0]",
        )
    raise CaptureFileError(f"{name}: no array {text!r}", hint=_listed(arrays))


def _from_matrix(numeric: Arrays, arrays: Arrays, name: str) -> dict[str, npt.NDArray[Any]]:
    matrices = {k: a for k, a in numeric.items() if a.ndim == 2 and min(a.shape) > 1}
    if len(matrices) == 1:
        key, matrix = next(iter(matrices.items()))
        if min(matrix.shape) <= _MOST_CHANNELS and max(matrix.shape) >= 4 * min(matrix.shape):
            if matrix.shape[0] < matrix.shape[1]:
                return {f"{key}[{i}]": row for i, row in enumerate(matrix)}
            return {f"{key}.T[{i}]": column for i, column in enumerate(matrix.T)}
    example = next(iter(matrices), "b")
    raise CaptureFileError(
        f"{name}: it is not clear which arrays are channels",
        hint=f"choose with --columns, e.g. '{example}[0]' for a row or '{example}.T[0]' for a column; "
        f"{_listed(arrays)}",
    )
