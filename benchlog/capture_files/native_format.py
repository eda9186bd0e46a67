"""benchlog's own capture format, NPZ and CSV, which reads back exactly what was saved.

NPZ: arrays ``codes_0``, ``codes_1``... as delivered, ``time_s`` when the time base is not uniform, and
``benchlog_capture``, JSON text of everything else. CSV: two comment lines, ``# benchlog capture 1`` and the same
JSON, then a line of names with units and one line per sample. Columns hold values at the probe tip; if the codes can't be
restored exactly from them (floating-point codes with a scale) they hold codes, and the name says so.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import CaptureFileError, UsageError
from benchlog.files import whole_file

NPZ_MARK = "benchlog_capture"
CSV_MARK = b"# benchlog capture "
_VERSION = 1


def save_capture(capture: Capture, path: str | Path) -> Path:
    """Write a capture as ``.npz`` or ``.csv`` in our own format; return the path.

    Raises
    ------
    UsageError
        For another ending.
    CaptureFileError
        If it can't be written.
    """
    path = Path(path)
    if path.suffix.lower() not in (".npz", ".csv"):
        raise UsageError(f"captures are saved as .npz or .csv, not {path.suffix!r}", hint="e.g. ct1.npz")
    try:
        if path.suffix.lower() == ".npz":
            _save_npz(capture, path)
        else:
            _save_csv(capture, path)
    except OSError as error:
        raise CaptureFileError(
            f"{str(path)!r} can't be written: {error.strerror or error}", hint="check folder and free space"
        ) from error
    return path


def _about(capture: Capture) -> dict[str, Any]:
    return {
        "version": _VERSION,
        "samples": capture.n_samples,
        "interval_s": capture.interval_s,
        "instrument": capture.instrument,
        "utc_ns": str(capture.utc_ns),  # beyond 2**53, so text
        "settings": dict(capture.settings),
        "channels": [
            c.described()
            | {"dtype": c.codes.dtype.name, "column": "values" if _values_give_codes(c) else "codes"}
            for c in capture.channels
        ],
    }


def _values_give_codes(channel: ChannelRecord) -> bool:
    if channel.codes.dtype.kind in "iu":
        back = _codes_of(
            channel.values(), channel.scale, channel.offset, channel.probe, channel.codes.dtype.name
        )
        return back is not None and np.array_equal(back, channel.codes)
    return (channel.scale, channel.offset, channel.probe) == (1.0, 0.0, 1.0)


def _codes_of(
    values: npt.NDArray[np.float64], scale: float, offset: float, probe: float, dtype: str
) -> npt.NDArray[np.generic] | None:
    """Return integer codes that give these values; None when they do not fit the type."""
    with np.errstate(all="ignore"):
        codes = np.round((values / probe - offset) / scale)
    limits = np.iinfo(dtype)
    if not (
        np.isfinite(codes).all() and codes.min(initial=0) >= limits.min and codes.max(initial=0) <= limits.max
    ):
        return None
    return codes.astype(dtype)


def _save_npz(capture: Capture, path: Path) -> None:
    arrays: dict[str, Any] = {f"codes_{i}": c.codes for i, c in enumerate(capture.channels)}
    if capture.time_s is not None:
        arrays["time_s"] = capture.time_s
    arrays[NPZ_MARK] = np.array(json.dumps(_about(capture)))
    np.savez_compressed(path, **arrays)


def _save_csv(capture: Capture, path: Path) -> None:
    import pandas as pd

    about = _about(capture)
    about["times"] = "own" if capture.time_s is not None else "interval"
    columns: list[npt.NDArray[Any]] = [
        capture.time_s if capture.time_s is not None else np.arange(capture.n_samples) * capture.interval_s
    ]
    titles = ["time (s)"]
    for channel, described in zip(capture.channels, about["channels"], strict=True):
        raw = described["column"] == "codes"
        # float32 codes are written as the float64 they equal, so that no digit is lost.
        columns.append(channel.codes.astype(np.float64) if raw else channel.values())
        unit = "codes" if raw else channel.unit
        titles.append('"' + f"{channel.name} ({unit})".replace('"', "'") + '"')
    with whole_file(path) as stream:
        stream.write(f"{CSV_MARK.decode()}{_VERSION}\n# {json.dumps(about)}\n{','.join(titles)}\n")
        pd.DataFrame(dict(enumerate(columns))).to_csv(stream, header=False, index=False, lineterminator="\n")


def capture_from_native_npz(arrays: Mapping[str, npt.NDArray[Any]], path: Path) -> Capture:
    """Read what `save_capture` wrote as NPZ."""
    try:
        about = json.loads(str(arrays[NPZ_MARK][()]))
        codes = [arrays[f"codes_{i}"] for i in range(len(about["channels"]))]
        return _rebuild(about, codes, arrays.get("time_s"), path)
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise _damaged(path, error) from None


def capture_from_native_csv(data: bytes, path: Path) -> Capture:
    """Read what `save_capture` wrote as CSV."""
    try:
        _, second, _, body = data.replace(b"\r\n", b"\n").split(b"\n", 3)
        about = json.loads(second.lstrip(b"# "))
        table = np.loadtxt(io.BytesIO(body), delimiter=",", ndmin=2, comments=None)
        codes: list[npt.NDArray[np.generic]] = []
        for i, described in enumerate(about["channels"], start=1):
            values = np.ascontiguousarray(table[:, i])
            if np.dtype(described["dtype"]).kind in "iu" and described["column"] == "values":
                whole = _codes_of(
                    values, described["scale"], described["offset"], described["probe"], described["dtype"]
                )
                if whole is None:
                    raise ValueError(f"values of {described['name']!r} do not fit its codes")
                codes.append(whole)
            else:
                codes.append(values.astype(described["dtype"]))
        time_s = np.ascontiguousarray(table[:, 0]) if about["times"] == "own" else None
        return _rebuild(about, codes, time_s, path)
    except (KeyError, ValueError, TypeError, IndexError, AttributeError) as error:
        raise _damaged(path, error) from None


def _rebuild(
    about: Mapping[str, Any],
    codes: list[npt.NDArray[np.generic]],
    time_s: npt.NDArray[np.float64] | None,
    path: Path,
) -> Capture:
    if about["version"] != _VERSION:
        raise CaptureFileError(
            f"{path.name}: written by a newer benchlog (capture version {about['version']})",
            hint="update benchlog",
        )
    if any(len(array) != about["samples"] for array in codes):
        raise CaptureFileError(
            f"{path.name}: {len(codes[0])} of {about['samples']} samples, cut short",
            hint="copy or save it again",
        )
    channels = tuple(
        ChannelRecord.from_description(array, described)
        for described, array in zip(about["channels"], codes, strict=True)
    )
    return Capture(
        channels,
        about["interval_s"],
        about["instrument"],
        int(about["utc_ns"]),
        time_s,
        about["settings"],
        str(path),
    )


def _damaged(path: Path, error: Exception) -> CaptureFileError:
    if isinstance(error, CaptureFileError):
        return error
    return CaptureFileError(
        f"{path.name}: a damaged capture file of benchlog ({error})", hint="save it again"
    )
