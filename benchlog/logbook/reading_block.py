"""Readings packed into one block of bytes, made once and never changed.

Layout, little-endian, for `count` readings: first `count` records of 50 bytes as in `RECORD`, then the displayed
texts in UTF-8 one after the other, then the raw frames one after the other; each record holds the lengths of its two.
The number is NaN where the reading has none. State, origin and flags are the numbers of `STATES`, `ORIGINS` and the
bits of `FLAGS`: their order is part of the format: new ones are only added at the end.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.reading import Flag, Function, Origin, Reading, State

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
_PACKED = struct.Struct("<qqdddHHHHBB")  # one record of RECORD
_STATE_CODE = {state: code for code, state in enumerate(STATES)}
_ORIGIN_CODE = {origin: code for code, origin in enumerate(ORIGINS)}
_FLAG_BIT = {flag: 1 << bit for bit, flag in enumerate(FLAGS)}


@dataclass(frozen=True, slots=True)
class Block:
    """A packed block and the fields of its entry."""

    data: bytes
    count: int
    first_utc_ns: int
    last_utc_ns: int


def pack(readings: Sequence[Reading], channels: Mapping[ChannelKey, int]) -> Block:
    """Pack readings; the same readings always give the same bytes.

    Parameters
    ----------
    channels : mapping
        Number of each (instrument, channel, function).

    Raises
    ------
    UsageError
        If a displayed text or raw frame is longer than 65535 bytes, or a time is out of range.
    """
    if any(r.value != r.value for r in readings):
        raise UsageError(
            "a reading's value is NaN", hint="a display without a number is a state, such as overload"
        )
    texts = [r.displayed.encode("utf-8", "replace") for r in readings]
    raws = [r.raw for r in readings]
    flag_codes = {flags: sum(_FLAG_BIT[flag] for flag in flags) for flags in {r.flags for r in readings}}
    pack_one = _PACKED.pack
    try:
        # One pass in plain Python is faster than NumPy column by column, for twenty readings and for ten thousand.
        fixed = [
            pack_one(
                r.utc_ns,
                r.mono_ns,
                math.nan if r.value is None else r.value,
                r.resolution,
                math.nan if r.range_max is None else r.range_max,
                channels[r.instrument, r.channel, r.function],
                flag_codes[r.flags],
                len(text),
                len(raw),
                _STATE_CODE[r.state],
                _ORIGIN_CODE[r.origin],
            )
            for r, text, raw in zip(readings, texts, raws, strict=True)
        ]
    except struct.error as error:
        raise UsageError(
            f"a reading can't be stored: {error}",
            hint="times are nanoseconds since 1970; a displayed text or raw frame has at most 65535 bytes",
        ) from error
    times = [r.utc_ns for r in readings]
    return Block(b"".join([*fixed, *texts, *raws]), len(readings), min(times), max(times))


def fields(data: bytes, count: int) -> Iterator[tuple[Any, ...]]:
    """Iterate over a block's records as tuples in the order of `RECORD`; best for a few readings.

    Raises
    ------
    LogbookDamagedError
        If the block is shorter than its records.
    """
    size = count * _PACKED.size
    if count < 1 or len(data) < size:
        raise LogbookDamagedError(f"a block of {len(data)} bytes can't hold {count} readings")
    return _PACKED.iter_unpack(memoryview(data)[:size])


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
    rows = list(fields(data, count))
    text_at = count * _PACKED.size
    raw_at = text_at + sum(row[7] for row in rows)
    if raw_at + sum(row[8] for row in rows) != len(data):
        raise LogbookDamagedError(f"a block of {len(data)} bytes does not have the length its records give")
    found = []
    try:
        for (
            utc,
            mono,
            value,
            resolution,
            range_max,
            channel,
            flags,
            text_size,
            raw_size,
            state,
            origin,
        ) in rows:
            instrument, display, function = channels[channel]
            found.append(
                Reading(
                    function=Function(function),
                    value=None if math.isnan(value) else value,
                    resolution=resolution,
                    displayed=data[text_at : text_at + text_size].decode(),
                    state=STATES[state],
                    flags=frozenset(flag for flag in FLAGS if flags & _FLAG_BIT[flag]),
                    range_max=None if math.isnan(range_max) else range_max,
                    raw=data[raw_at : raw_at + raw_size],
                    instrument=instrument,
                    channel=display,
                    utc_ns=utc,
                    mono_ns=mono,
                    origin=ORIGINS[origin],
                )
            )
            text_at += text_size
            raw_at += raw_size
    except (KeyError, IndexError, ValueError) as error:
        raise LogbookDamagedError(f"a block holds an impossible reading: {error}") from error
    return found
