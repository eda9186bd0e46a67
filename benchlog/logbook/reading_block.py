"""Readings packed into one block of bytes, made once and never changed.

Layout, little-endian, for `count` readings: first `count` records of 50 bytes as in `RECORD`, then the displayed
texts in UTF-8 one after the other, then the raw frames one after the other; each record tells its two lengths.
The number is NaN where the reading has none. State, origin and flags are the numbers of `STATES`, `ORIGINS` and the
bits of `FLAGS`: their order is part of the format and only ever grows at the end.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.reading import Flag, Function, Origin, Reading, State

__all__ = ["RECORD", "ChannelKey", "pack", "records", "unpack"]

ChannelKey = tuple[str, str, str]  # instrument, channel, function

RECORD = np.dtype(
    [
        ("utc_ns", "<i8"),
        ("mono_ns", "<i8"),
        ("value", "<f8"),
        ("resolution", "<f8"),
        ("range_max", "<f8"),
        ("channel", "<u2"),
        ("flags", "<u2"),
        ("displayed_length", "<u2"),
        ("raw_length", "<u2"),
        ("state", "u1"),
        ("origin", "u1"),
    ]
)
STATES = (State.OK, State.OVERLOAD, State.UNDERLOAD, State.INVALID)
ORIGINS = (Origin.LINK, Origin.HAND, Origin.FILE)
FLAGS = (
    Flag.AUTO,
    Flag.HOLD,
    Flag.RELATIVE,
    Flag.MINIMUM,
    Flag.MAXIMUM,
    Flag.PEAK,
    Flag.LOW_PASS,
    Flag.LOW_BATTERY,
    Flag.UNSTABLE,
)
_STATE_CODE = {state: code for code, state in enumerate(STATES)}
_ORIGIN_CODE = {origin: code for code, origin in enumerate(ORIGINS)}
_FLAG_BIT = {flag: 1 << bit for bit, flag in enumerate(FLAGS)}
MAX_TEXT = 65535


@dataclass(frozen=True, slots=True)
class Block:
    """A packed block and what its entry says of it."""

    data: bytes
    count: int
    first_utc_ns: int
    last_utc_ns: int


def pack(readings: Sequence[Reading], channels: Mapping[ChannelKey, int]) -> Block:
    """Pack readings; the same readings always give the same bytes.

    Parameters
    ----------
    readings : sequence of Reading
    channels : mapping
        Number of each (instrument, channel, function).

    Raises
    ------
    UsageError
        If a displayed text or raw frame is longer than 65535 bytes, or a time is out of range.
    """
    texts = [r.displayed.encode("utf-8", "replace") for r in readings]
    raws = [r.raw for r in readings]
    table = np.empty(len(readings), RECORD)
    flag_codes: dict[frozenset[Flag], int] = {}
    for flags in {r.flags for r in readings}:
        flag_codes[flags] = sum(_FLAG_BIT[flag] for flag in flags)
    try:
        table["utc_ns"] = [r.utc_ns for r in readings]
        table["mono_ns"] = [r.mono_ns for r in readings]
        table["value"] = [math.nan if r.value is None else r.value for r in readings]
        table["resolution"] = [r.resolution for r in readings]
        table["range_max"] = [math.nan if r.range_max is None else r.range_max for r in readings]
        table["channel"] = [channels[r.instrument, r.channel, r.function] for r in readings]
        table["flags"] = [flag_codes[r.flags] for r in readings]
        table["displayed_length"] = [len(text) for text in texts]
        table["raw_length"] = [len(raw) for raw in raws]
        table["state"] = [_STATE_CODE[r.state] for r in readings]
        table["origin"] = [_ORIGIN_CODE[r.origin] for r in readings]
    except OverflowError as error:
        raise UsageError(
            f"a reading can't be kept: {error}", hint="times are nanoseconds since 1970"
        ) from error
    if any(len(text) > MAX_TEXT for text in texts) or any(len(raw) > MAX_TEXT for raw in raws):
        raise UsageError(f"a displayed text or raw frame is longer than {MAX_TEXT} bytes")
    utc = table["utc_ns"]
    return Block(b"".join([table.tobytes(), *texts, *raws]), len(readings), int(utc.min()), int(utc.max()))


def records(data: bytes, count: int) -> npt.NDArray[np.void]:
    """View a block's records without copying; array of shape (count,), dtype `RECORD`.

    Raises
    ------
    LogbookDamagedError
        If the block is shorter or longer than its records say.
    """
    if count < 1 or len(data) < count * RECORD.itemsize:
        raise LogbookDamagedError(f"a block of {len(data)} bytes can't hold {count} readings")
    return np.frombuffer(data, RECORD, count)


def unpack(data: bytes, count: int, channels: Mapping[int, ChannelKey]) -> list[Reading]:
    """Read a block back into readings.

    Raises
    ------
    LogbookDamagedError
        If the block contradicts itself or names an unknown channel.
    """
    table = records(data, count)
    lengths = table["displayed_length"].astype(np.int64), table["raw_length"].astype(np.int64)
    start = count * RECORD.itemsize
    text_ends = start + np.cumsum(lengths[0])
    raw_ends = text_ends[-1] + np.cumsum(lengths[1])
    if raw_ends[-1] != len(data):
        raise LogbookDamagedError(f"a block of {len(data)} bytes should have {raw_ends[-1]}")
    found = []
    rows = zip(
        table.tolist(),
        (text_ends - lengths[0]).tolist(),
        text_ends.tolist(),
        (raw_ends - lengths[1]).tolist(),
        raw_ends.tolist(),
        strict=True,
    )
    try:
        for row, text_start, text_end, raw_start, raw_end in rows:
            utc, mono, value, resolution, range_max, channel, flags, _, _, state, origin = row
            instrument, display, function = channels[channel]
            found.append(
                Reading(
                    function=Function(function),
                    value=None if math.isnan(value) else value,
                    resolution=resolution,
                    displayed=data[text_start:text_end].decode(),
                    state=STATES[state],
                    flags=frozenset(flag for flag in FLAGS if flags & _FLAG_BIT[flag]),
                    range_max=None if math.isnan(range_max) else range_max,
                    raw=data[raw_start:raw_end],
                    instrument=instrument,
                    channel=display,
                    utc_ns=utc,
                    mono_ns=mono,
                    origin=ORIGINS[origin],
                )
            )
    except (KeyError, IndexError, ValueError) as error:
        raise LogbookDamagedError(f"a block holds what no reading has: {error}") from error
    return found
