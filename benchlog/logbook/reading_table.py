"""Readings as arrays, and as a DataFrame with units and UTC times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import numpy.typing as npt

from benchlog.errors import LogbookDamagedError
from benchlog.logbook.reading_block import FLAGS, ORIGINS, RECORD, STATES, ChannelKey, records
from benchlog.reading import Function

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class Pieces:
    """Texts or frames of many readings, as slices of one byte string."""

    data: bytes
    #: starts, ends: Shape (n_readings,). Reading i has ``data[starts[i]:ends[i]]``.
    starts: npt.NDArray[np.int64]
    ends: npt.NDArray[np.int64]

    @classmethod
    def of_lengths(cls, data: bytes, lengths: npt.NDArray[Any]) -> Self:
        """Make consecutive slices of these lengths; `LogbookDamagedError` if they don't fill `data`."""
        ends = np.cumsum(lengths, dtype=np.int64)
        if len(data) != (int(ends[-1]) if len(ends) else 0):
            raise LogbookDamagedError("a block of readings does not have the length its records give")
        return cls(data, ends - lengths, ends)

    def take(self, chosen: npt.NDArray[np.int64] | slice) -> Pieces:
        """The slices of these readings only."""
        return Pieces(self.data, self.starts[chosen], self.ends[chosen])

    @staticmethod
    def joined(many: Sequence[Pieces]) -> Pieces:
        """Join the slices of several byte strings."""
        shifts = np.cumsum([0, *(len(p.data) for p in many)])[:-1]
        return Pieces(
            b"".join([p.data for p in many]),
            np.concatenate([p.starts + shift for p, shift in zip(many, shifts, strict=True)]),
            np.concatenate([p.ends + shift for p, shift in zip(many, shifts, strict=True)]),
        )

    def texts(self) -> list[str]:
        """As texts."""
        places = zip(self.starts.tolist(), self.ends.tolist(), strict=True)
        if self.data.isascii():
            text = self.data.decode()
            return [text[a:b] for a, b in places]
        return [self.data[a:b].decode("utf-8", "replace") for a, b in places]

    def frames(self) -> list[bytes]:
        """As bytes."""
        return [self.data[a:b] for a, b in zip(self.starts.tolist(), self.ends.tolist(), strict=True)]


@dataclass(frozen=True, slots=True)
class ReadingArrays:
    """Readings as arrays of shape (n_readings,), in the order they were recorded."""

    #: Times in nanoseconds, values in the SI unit of the channel's function, NaN where there is no number.
    table: npt.NDArray[np.void]
    #: entry, session, number: Entry that holds each reading; its session; its running number in the logbook,
    #: from 0.
    entry: npt.NDArray[np.int64]
    session: npt.NDArray[np.int64]
    number: npt.NDArray[np.int64]
    #: displayed, raw: Texts as displayed, and raw frames; None if not asked for.
    displayed: Pieces | None
    raw: Pieces | None
    channels: dict[int, ChannelKey]  #: Number in ``table["channel"]`` -> (instrument, channel, function).

    def __len__(self) -> int:
        return len(self.table)

    @property
    def utc_ns(self) -> npt.NDArray[np.int64]:
        """Wall time of arrival, nanoseconds since 1970."""
        return np.asarray(self.table["utc_ns"])

    @property
    def value(self) -> npt.NDArray[np.float64]:
        """Values in SI units, NaN where there is no number."""
        return np.asarray(self.table["value"])

    def take(self, chosen: npt.NDArray[np.int64] | slice) -> ReadingArrays:
        """Only these readings."""
        return ReadingArrays(
            self.table[chosen],
            self.entry[chosen],
            self.session[chosen],
            self.number[chosen],
            None if self.displayed is None else self.displayed.take(chosen),
            None if self.raw is None else self.raw.take(chosen),
            self.channels,
        )

    @staticmethod
    def joined(chunks: Sequence[ReadingArrays], channels: dict[int, ChannelKey]) -> ReadingArrays:
        """Join several tables."""
        if len(chunks) == 1:
            return chunks[0]
        if not chunks:
            none = np.empty(0, np.int64)
            pieces = Pieces(b"", none, none)
            return ReadingArrays(np.empty(0, RECORD), none, none, none, pieces, pieces, channels)
        displayed = [c.displayed for c in chunks if c.displayed is not None]
        raw = [c.raw for c in chunks if c.raw is not None]
        return ReadingArrays(
            np.concatenate([c.table for c in chunks]),
            np.concatenate([c.entry for c in chunks]),
            np.concatenate([c.session for c in chunks]),
            np.concatenate([c.number for c in chunks]),
            Pieces.joined(displayed) if displayed else None,
            Pieces.joined(raw) if raw else None,
            channels,
        )


BlockRow = tuple[int, int, int, int, bytes]  # entry, session, first_reading, count, data


def join_blocks(rows: Sequence[BlockRow], channels: dict[int, ChannelKey], *, texts: bool) -> ReadingArrays:
    """Join blocks into arrays; one copy of the bytes, then views.

    Raises
    ------
    LogbookDamagedError
        If a block does not have the length its records give, or names an undefined channel.
    """
    size = RECORD.itemsize
    fixed = []
    for _, _, _, count, data in rows:
        if count < 1 or len(data) < count * size:
            raise LogbookDamagedError(f"a block of {len(data)} bytes can't hold {count} readings")
        fixed.append(data[: count * size] if texts else data)
    counts = np.array([count for _, _, _, count, _ in rows], np.int64)
    joined = b"".join(fixed)
    table = records(joined, int(counts.sum()))
    _refuse_undefined(table, channels)
    ends = np.cumsum(counts)
    firsts = np.array([first for _, _, first, _, _ in rows], np.int64)
    displayed, raw = _texts(rows, table, ends - counts) if texts else (None, None)
    return ReadingArrays(
        table,
        np.repeat(np.array([entry for entry, *_ in rows], np.int64), counts),
        np.repeat(np.array([session for _, session, *_ in rows], np.int64), counts),
        np.arange(len(table)) + np.repeat(firsts - ends + counts, counts),
        displayed,
        raw,
        channels,
    )


def frame_of(arrays: ReadingArrays) -> pd.DataFrame:
    """Make the table of `LogbookView.readings` from arrays."""
    import pandas as pd

    table = arrays.table
    keys = list(arrays.channels.values())
    place_of = np.full(max(arrays.channels, default=0) + 1, -1)
    place_of[list(arrays.channels)] = np.arange(len(keys))
    places = place_of[table["channel"]]
    flags = np.arange(1 << len(FLAGS))[np.isin(np.arange(1 << len(FLAGS)), table["flags"])]
    flag_names = [
        ", ".join(name for bit, name in enumerate(FLAGS) if code & 1 << bit) for code in flags.tolist()
    ]
    units = [Function(function).unit for _, _, function in keys]
    columns: dict[str, Any] = {
        "time": pd.DatetimeIndex(np.ascontiguousarray(table["utc_ns"]).view("datetime64[ns]"), tz="UTC"),
        "instrument": _words([tag for tag, _, _ in keys], places),
        "channel": _words([channel for _, channel, _ in keys], places),
        "function": _words([function for _, _, function in keys], places),
        "value": np.ascontiguousarray(table["value"]),
        "unit": _words(units, places),
        "resolution": np.ascontiguousarray(table["resolution"]),
        "range_max": np.ascontiguousarray(table["range_max"]),
        "state": _words([str(state) for state in STATES], table["state"]),
        "flags": _words(flag_names, np.searchsorted(flags, table["flags"])),
        "origin": _words([str(origin) for origin in ORIGINS], table["origin"]),
        "entry": arrays.entry,
        "session": arrays.session,
        "number": arrays.number,
    }
    if arrays.displayed is not None:
        columns["displayed"] = arrays.displayed.texts()
    frame = pd.DataFrame(columns, copy=False)
    frame.attrs["units"] = {function: unit for (_, _, function), unit in zip(keys, units, strict=True)}
    return frame


def _words(names: list[str], places: npt.NDArray[Any]) -> pd.Categorical[str]:
    """Turn indices into a list of names, which may repeat, into a categorical column."""
    import pandas as pd

    words = list(dict.fromkeys(names))
    codes = np.array([words.index(name) for name in names], np.int16)
    return pd.Categorical.from_codes(
        codes[places] if names else np.empty(0, np.int16), pd.Index(words, dtype=str)
    )


def _refuse_undefined(table: npt.NDArray[np.void], channels: dict[int, ChannelKey]) -> None:
    known = np.array(sorted(channels), np.int64)
    if (
        not np.isin(table["channel"], known).all()
        or table["state"].max() >= len(STATES)
        or table["origin"].max() >= len(ORIGINS)
        or table["flags"].max() >> len(FLAGS)
    ):
        raise LogbookDamagedError("a block of readings uses an undefined channel or code")


def _texts(
    rows: Sequence[BlockRow], table: npt.NDArray[np.void], starts: npt.NDArray[np.int64]
) -> tuple[Pieces, Pieces]:
    """Displayed and raw texts, which follow a block's records."""
    lengths = table["displayed_length"].astype(np.int64)
    sums = np.add.reduceat(lengths, starts).tolist()
    after = [(data, count * RECORD.itemsize) for _, _, _, count, data in rows]
    displayed = b"".join([data[at : at + n] for (data, at), n in zip(after, sums, strict=True)])
    raw = b"".join([data[at + n :] for (data, at), n in zip(after, sums, strict=True)])
    return (
        Pieces.of_lengths(displayed, lengths),
        Pieces.of_lengths(raw, table["raw_length"].astype(np.int64)),
    )
