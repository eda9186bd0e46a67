"""WAV files: integer and floating-point samples, with the converter's codes."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture, ChannelRecord
from benchlog.errors import CaptureFileError

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_WHAT_IS_READ = "save it as 8, 16, 24 or 32 bit PCM, or 32 or 64 bit floating point"


def _chunks(data: bytes, name: str) -> Iterator[tuple[bytes, bytes]]:
    place = 12
    while place + 8 <= len(data):
        tag, size = struct.unpack_from("<4sI", data, place)
        body = data[place + 8 : place + 8 + size]
        if len(body) < size:
            if tag == b"data" and size >= 0xFFFFFF00:  # written to a pipe: length not known when written
                yield tag, body
                return
            raise CaptureFileError(
                f"{name}: cut short, chunk {tag.decode('latin-1')!r} has {len(body)} of {size} bytes",
                hint="copy or export it again",
            )
        yield tag, body
        place += 8 + size + size % 2


def capture_from_wav(data: bytes, path: Path) -> Capture:
    """Read a RIFF WAVE file.

    Integer samples become codes with scale 1/full scale; the unit is ``"1"`` (of full scale), since the file has no volts.

    Raises
    ------
    CaptureFileError
        If it is cut short, compressed, or RF64.

    References
    ----------
    Multimedia Programming Interface and Data Specifications 1.0 (1991), chapter 3, WAVE format.
    """
    name = path.name
    if data[:4] == b"RF64":
        raise CaptureFileError(
            f"{name}: a WAV file of the RF64 kind", hint="export less than 4 GB, as plain WAV"
        )
    (code, channels, rate, bits), samples = _format_and_samples(data, name)
    if not channels or not rate:
        raise CaptureFileError(f"{name}: {channels} channels at {rate} Hz", hint="export it again")
    codes, full = _codes(samples, code, bits, name)
    if codes.size < 2 * channels:
        raise CaptureFileError(f"{name}: fewer than two samples", hint="export it again")
    table = codes[: codes.size // channels * channels].reshape(-1, channels)
    limits = None
    offset = 0.0
    if code == _PCM:
        limits = (0.0, 255.0) if bits == 8 else (-full, full - 1.0)
        offset = -1.0 if bits == 8 else 0.0
    records = tuple(
        ChannelRecord(
            f"CH{i + 1}",
            np.ascontiguousarray(table[:, i]),
            scale=1.0 / full,
            offset=offset,
            unit="1",
            code_limits=limits,
        )
        for i in range(channels)
    )
    settings = {"interval from": f"WAV header: {rate} Hz", "unit": "fraction of full scale"}
    return Capture(records, 1.0 / rate, path.stem, 0, None, settings, str(path))


def _format_and_samples(data: bytes, name: str) -> tuple[tuple[int, int, int, int], bytes]:
    """Return format code, channels, sampling rate and bits, and the bytes of the samples."""
    wave: tuple[int, int, int, int] | None = None
    samples: bytes | None = None
    for tag, body in _chunks(data, name):
        if tag == b"fmt " and len(body) >= 16:
            code, channels, rate, _, _, bits = struct.unpack_from("<HHIIHH", body)
            if code == _EXTENSIBLE and len(body) >= 26:
                code = struct.unpack_from("<H", body, 24)[0]
            wave = (code, channels, rate, bits)
        elif tag == b"data" and samples is None:
            samples = body
    if wave is None or samples is None:
        missing = "fmt" if wave is None else "data"
        raise CaptureFileError(f"{name}: a WAV file without its {missing!r} chunk", hint="export it again")
    return wave, samples


def _codes(samples: bytes, code: int, bits: int, name: str) -> tuple[npt.NDArray[np.generic], float]:
    """Return codes and the code of full scale."""
    if code == _FLOAT and bits in (32, 64):
        size = bits // 8
        values = np.frombuffer(samples[: len(samples) // size * size], dtype=f"<f{size}")
        if not np.isfinite(values).all():
            raise CaptureFileError(f"{name}: samples that are not numbers", hint="export it again")
        return values, 1.0
    if code == _PCM and bits == 8:
        return np.frombuffer(samples, dtype=np.uint8), 128.0
    if code == _PCM and bits in (16, 32):
        size = bits // 8
        whole = np.frombuffer(samples[: len(samples) // size * size], dtype=f"<i{size}")
        return (whole if bits == 16 else whole.astype(np.float64)), 2.0 ** (bits - 1)
    if code == _PCM and bits == 24:
        raw = np.frombuffer(samples[: len(samples) // 3 * 3], dtype=np.uint8).reshape(-1, 3)
        wide = np.zeros((len(raw), 4), dtype=np.uint8)
        wide[:, 1:] = raw
        # 24 bits fit a float32 exactly.
        return (wide.view("<i4").ravel() >> 8).astype(np.float32), 2.0**23
    raise CaptureFileError(f"{name}: WAV format {code} with {bits} bits", hint=_WHAT_IS_READ)
