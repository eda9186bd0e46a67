"""Clipping: samples at the converter's known limits, or piled up at an extreme value."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchlog.finding import FindingKind
from benchlog.signal.findings import RecordFinding, Severity, channel_name
from benchlog.signal.samples import CHUNK, RawArray, stretch_starts

_SCANNED_WHOLE = 4_000_000  # up to this many samples, all are scanned for clipping
_SCANNED_PARTS, _SCANNED_PART = 16, 65_536  # of longer records


def find_clipping(
    codes: RawArray, limits: tuple[float, float] | None, *, channel: int, step: float, distortion: float
) -> list[RecordFinding]:
    """Find samples clipped at the converter's limits, or piled up at an extreme value.

    Parameters
    ----------
    codes : array of shape (n_samples,)
    limits : tuple of float or None
        Lowest and highest code, where known.
    step : float
        Smallest step between codes, zero for continuous values.
    distortion : float
        Everything but the fundamental, over the fundamental; a pure sine is not clipped.
    """
    parts = _parts(codes)
    low, high, near_low, near_high = _extremes(parts)
    if limits is not None:
        cut = 0
        if low <= limits[0] or high >= limits[1]:
            cut = sum(int(np.count_nonzero((p <= limits[0]) | (p >= limits[1]))) for p in parts)
        return [_clipped(channel, cut, "at the limits of the converter")] if cut else []
    if distortion < 3e-4 or high <= low:
        return []
    width = step or 1e-3 * (high - low)
    tops = _piled_up(near_high, high, width, 1.0)
    bottoms = _piled_up(near_low, low, width, -1.0)
    share = tops / len(near_high) + bottoms / len(near_low)
    if share > 0.6:
        message = f"{channel_name(channel)}: most samples have one of two values: a rectangular wave, or hard clipping"
        return [RecordFinding(FindingKind.CLIPPING, message, Severity.WARNS, channel)]
    if tops or bottoms:
        return [_clipped(channel, tops + bottoms, "at one extreme value")]
    return []


def cut_levels(
    codes: RawArray, limits: tuple[float, float] | None, *, step: float = 0.0
) -> tuple[float | None, float | None]:
    """Codes at which a clipped record is cut off, lowest and highest; None at an end that is not clipped.

    Parameters
    ----------
    codes : array of shape (n_samples,)
    limits : tuple of float or None
        Lowest and highest code of the converter, where known.
    step : float
        Smallest step between codes, zero for continuous values.
    """
    low, high, near_low, near_high = _extremes(_parts(codes))
    if limits is not None and (low <= limits[0] or high >= limits[1]):
        return (low if low <= limits[0] else None), (high if high >= limits[1] else None)
    width = step or 1e-3 * (high - low)
    return (
        low if _piled_up(near_low, low, width, -1.0) else None,
        high if _piled_up(near_high, high, width, 1.0) else None,
    )


def _clipped(channel: int, count: int, what: str) -> RecordFinding:
    return RecordFinding(
        FindingKind.CLIPPING,
        f"{channel_name(channel)} is clipped ({count} samples {what}): use the next larger range or lower the level",
        Severity.BLOCKS,
        channel,
    )


def _parts(codes: RawArray) -> list[RawArray]:
    """Chunks of the record; of a very long one only some, since clipping repeats every cycle."""
    if len(codes) <= _SCANNED_WHOLE:
        return [codes[first : first + CHUNK] for first in range(0, len(codes), CHUNK)]
    return [codes[s : s + _SCANNED_PART] for s in stretch_starts(len(codes), _SCANNED_PART, _SCANNED_PARTS)]


def _extremes(parts: Sequence[RawArray]) -> tuple[float, float, RawArray, RawArray]:
    """Lowest and highest value, and the chunks they were found in."""
    lows, highs = [p.min() for p in parts], [p.max() for p in parts]
    low, high = int(np.argmin(lows)), int(np.argmax(highs))
    return float(lows[low]), float(highs[high]), parts[low], parts[high]


def _piled_up(codes: RawArray, extreme: float, width: float, sign: float) -> int:
    """Number of samples at the extreme if far more than a rounded top has there, else zero.

    The top of a sine has at most 2.4 times as many samples in its last step as in the one before; a clipped top has all
    samples from above it there.
    """
    at_extreme = codes == extreme
    count = int(np.count_nonzero(at_extreme))
    together = int(np.count_nonzero(at_extreme[1:] & at_extreme[:-1]))
    if count < 8 or together < count / 4:
        return 0
    edge = extreme - sign * 1.001 * width
    beside = int(np.count_nonzero(codes >= edge if sign > 0 else codes <= edge)) - count
    return count if count > 3 * beside else 0
