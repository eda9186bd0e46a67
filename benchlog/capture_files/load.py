"""Open capture files: one, or one per channel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.capture_files.arrays import capture_from_arrays, read_mat, read_npy, read_npz
from benchlog.capture_files.columns import distinct, is_time_name
from benchlog.capture_files.header import agreed_interval
from benchlog.capture_files.kinds import FileKind, file_kind, read_bytes
from benchlog.capture_files.native_format import (
    CSV_MARK,
    NPZ_MARK,
    capture_from_native_csv,
    capture_from_native_npz,
)
from benchlog.capture_files.samples import apply_probes, capture_from_table
from benchlog.capture_files.table import read_table
from benchlog.capture_files.wav import capture_from_wav
from benchlog.errors import CaptureFileError, UsageError


def load_capture(
    path: str | Path,
    *,
    sample_interval_s: float | None = None,
    columns: Sequence[str] | None = None,
    probes: Mapping[str, float] | None = None,
    decimal: str | None = None,
) -> Capture:
    """Read a capture file: text table in any common layout, NPZ, NPY, WAV or MAT.

    Parameters
    ----------
    path : str or Path
        The file; the kind follows from its content.
    sample_interval_s : float, optional
        Time between samples, second, when the file does not say.
    columns : sequence of str, optional
        Names of the columns if the file has none (``time`` names the time column, ``-`` leaves one out), else the columns to
        use. ``b[3]`` takes row 3 of an array variable ``b``, ``b.T[3]`` its column 3.
    probes : mapping of str to float, optional
        Probe factors by channel name.
    decimal : {".", ","}, optional
        Decimal mark, for files whose cells can be read both ways.

    Returns
    -------
    Capture
        `Capture.time_s` is given when the time base is not uniform or rows had to be left out;
        `Capture.settings` says what was.

    Raises
    ------
    CaptureFileError
        If it can't be read reliably; the hint shows what was found.
    """
    path = Path(path)
    if sample_interval_s is not None and not 0 < sample_interval_s < float("inf"):
        raise UsageError(
            f"the sample interval must be positive, not {sample_interval_s!r} s",
            hint="e.g. --sample-interval '1 us'",
        )
    data = read_bytes(path)
    kind = file_kind(data, path)
    if kind is not FileKind.TEXT:
        return apply_probes(_from_binary(kind, data, path, sample_interval_s, columns), probes)
    if data.lstrip(b"\xef\xbb\xbf").startswith(CSV_MARK):
        capture = capture_from_native_csv(data.lstrip(b"\xef\xbb\xbf"), path)
        return apply_probes(_chosen(capture, path, sample_interval_s, columns), probes)
    table = read_table(data, path, strict=True, decimal=decimal, wanted=len(columns) if columns else None)
    capture = capture_from_table(table, path, sample_interval_s, columns)
    return apply_probes(capture, probes)


def _from_binary(
    kind: FileKind, data: bytes, path: Path, interval_s: float | None, columns: Sequence[str] | None
) -> Capture:
    if kind is FileKind.WAV:
        capture = capture_from_wav(data, path)
        agreed_interval(path.name, "sample rate in its header", capture.interval_s, interval_s)
        return _renamed(capture, columns, path)
    if kind is FileKind.MAT:
        return capture_from_arrays(read_mat(path), path, interval_s, columns)
    if kind is FileKind.NPY:
        return capture_from_arrays(read_npy(data, path), path, interval_s, columns)
    arrays = read_npz(data, path)
    if NPZ_MARK in arrays:
        return _chosen(capture_from_native_npz(arrays, path), path, interval_s, columns)
    return capture_from_arrays(arrays, path, interval_s, columns)


def _chosen(capture: Capture, path: Path, interval_s: float | None, columns: Sequence[str] | None) -> Capture:
    """Keep the named channels of a file that states everything itself."""
    agreed_interval(path.name, "in its header", capture.interval_s, interval_s)
    names = [n for n in distinct(columns or (), path.name) if n != "-" and not is_time_name(n)]
    return replace(capture, channels=tuple(map(capture.channel, names))) if names else capture


def _renamed(capture: Capture, columns: Sequence[str] | None, path: Path) -> Capture:
    """Name the channels of a file that has no names for them."""
    if columns is None:
        return capture
    names = distinct(columns, path.name)
    if len(names) != len(capture.channels):
        raise UsageError(
            f"{path.name}: {len(names)} names for {len(capture.channels)} channels",
            hint="name each channel once",
        )
    return replace(
        capture, channels=tuple(replace(c, name=n) for c, n in zip(capture.channels, names, strict=True))
    )


def load_captures(
    paths: Sequence[str | Path],
    *,
    sample_interval_s: float | None = None,
    columns: Sequence[str] | None = None,
    probes: Mapping[str, float] | None = None,
    decimal: str | None = None,
) -> Capture:
    """Read one record saved as one file per channel (a single file is read as by `load_capture`).

    Channels with equal names are named after their files. `columns` with one name applies to each file, else it has one name
    per file.

    Raises
    ------
    CaptureFileError
        If the files are not from one record: different length, interval or start.
    """
    if not paths:
        raise UsageError("no capture file given", hint="give one, or one per channel")
    one_each = columns is not None and len(paths) > 1 and len(columns) == len(paths)
    captures = [
        load_capture(
            path,
            sample_interval_s=sample_interval_s,
            columns=None if one_each else columns,
            decimal=decimal,
        )
        for path in paths
    ]
    first = captures[0]
    for other in captures[1:]:
        _check_same_record(first, other)
    channels = _distinct_channels(captures, paths)
    if one_each and columns is not None:
        if len(channels) != len(columns):
            raise UsageError(
                f"{len(columns)} column names for {len(channels)} channels", hint="give one name per file"
            )
        channels = [replace(c, name=name) for c, name in zip(channels, columns, strict=True)]
    merged = replace(first, channels=tuple(channels)) if len(captures) > 1 else first
    return apply_probes(merged, probes)


def _distinct_channels(captures: Sequence[Capture], paths: Sequence[str | Path]) -> list[ChannelRecord]:
    """Return the channels of all files; those whose names clash are named after their files."""
    names = [name for capture in captures for name in capture.names]
    channels = []
    for capture, path in zip(captures, paths, strict=True):
        stem = Path(path).stem
        clash = len(paths) > 1 and any(names.count(name) > 1 for name in capture.names)
        for channel in capture.channels:
            name = stem if len(capture.channels) == 1 else f"{stem} {channel.name}"
            channels.append(replace(channel, name=name) if clash else channel)
    return channels


def _check_same_record(first: Capture, other: Capture) -> None:
    for what, a, b in (
        ("samples", first.n_samples, other.n_samples),
        ("first sample at", first.settings.get("first sample", "0"), other.settings.get("first sample", "0")),
        ("start", first.utc_ns, other.utc_ns),
    ):
        if a != b:
            raise CaptureFileError(
                f"{first.source} and {other.source} are not from one record: {what} {a} and {b}",
                hint="give files that the scope saved from one trigger",
            )
    same_times = (first.time_s is None) is (other.time_s is None) and (
        first.time_s is None or other.time_s is None or np.array_equal(first.time_s, other.time_s)
    )
    if abs(first.interval_s / other.interval_s - 1) > 1e-6 or not same_times:
        raise CaptureFileError(
            f"{first.source} and {other.source} are not from one record: intervals {first.interval_s:.9g} s and "
            f"{other.interval_s:.9g} s",
            hint="give files that the scope saved from one trigger",
        )
