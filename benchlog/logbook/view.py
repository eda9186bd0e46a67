"""Tables of what is in a logbook: arrays without pandas, or DataFrames with units and UTC times."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import numpy as np
import numpy.typing as npt

from benchlog.clock import parse_rfc3339
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook.lookup import Lookup
from benchlog.logbook.reading_block import FLAGS, ORIGINS, RECORD, STATES, ChannelKey
from benchlog.reading import Function

if TYPE_CHECKING:
    import pandas as pd

    from benchlog.capture import Capture

__all__ = ["LogbookView", "ReadingArrays", "parse_span"]

_CHUNK_READINGS = 200_000
_SPANS = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "day": 86400.0, "days": 86400.0}


@dataclass(frozen=True, slots=True)
class ReadingArrays:
    """Readings as arrays of shape (n_readings,), in the order they were recorded.

    Attributes
    ----------
    table : structured array, dtype `reading_block.RECORD`
        Times in nanoseconds, values in the SI unit of the channel's function, NaN where there is no number.
    session, number : array of int64
        Session of each reading; its running number in the logbook, from 0.
    displayed : list of str
        Texts as the displays showed them; empty when not asked for.
    channels : dict
        Number in ``table["channel"]`` -> (instrument, channel, function).
    """

    table: npt.NDArray[np.void]
    session: npt.NDArray[np.int64]
    number: npt.NDArray[np.int64]
    displayed: list[str]
    channels: dict[int, ChannelKey]

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


def parse_span(text: str) -> int:
    """Read a length of time such as ``"10 min"`` into nanoseconds.

    >>> parse_span("10 min")
    600000000000

    Raises
    ------
    UsageError
        If it is no length of time.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([a-z]+)\s*", text)
    if match is None or match[2] not in _SPANS:
        raise UsageError(f"{text!r} is no length of time", hint='write it like "10 min", "2 h" or "3 d"')
    return round(float(match[1]) * _SPANS[match[2]] * 1e9)


def _moment_ns(moment: datetime | str | int) -> int:
    """Nanoseconds since 1970 of an aware datetime, RFC 3339 text, or nanoseconds."""
    if isinstance(moment, int):
        return moment
    if isinstance(moment, datetime):
        if moment.tzinfo is None:
            raise UsageError(f"{moment} has no time zone", hint="give it one, e.g. datetime.now(UTC)")
        return parse_rfc3339(moment.isoformat())
    try:
        return parse_rfc3339(moment)
    except ValueError as error:
        raise UsageError(
            f"{moment!r} is no moment with a time zone", hint='write it like "2026-03-01T09:00:00Z"'
        ) from error


class LogbookView:
    """Tables of an open logbook.

    Parameters
    ----------
    book : Logbook
        Closed together with this view.
    """

    def __init__(self, book: Lookup) -> None:
        self.book = book

    @property
    def path(self) -> Path:
        """The logbook's file."""
        return self.book.path

    def close(self) -> None:
        """Close the logbook; safe to repeat."""
        self.book.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.close()

    # -- readings ---------------------------------------------------------------------------------------------

    def reading_chunks(
        self,
        *,
        last: str | None = None,
        since: datetime | str | int | None = None,
        instrument: str | None = None,
        function: Function | str | None = None,
        session: int | None = None,
        texts: bool = True,
        after: int = 0,
    ) -> Iterator[ReadingArrays]:
        """Iterate over readings, a few hundred thousand at a time; see `readings` for the parameters.

        `after` leaves out the blocks of entries up to that number.
        """
        channels = self.book.channels()
        wanted = [
            number
            for number, (tag, _, name) in channels.items()
            if instrument in (None, tag) and function in (None, name)
        ]
        everything = len(wanted) == len(channels)
        from_ns = _moment_ns(since) if since is not None else None
        if last is not None:
            newest = self._newest_ns()
            cut = newest - parse_span(last) if newest is not None else 0
            from_ns = cut if from_ns is None else max(from_ns, cut)
        for rows in self._block_rows(from_ns, session, texts, after):
            chunk = _joined(rows, channels, texts)
            keep = None
            if from_ns is not None and int(chunk.utc_ns.min()) < from_ns:
                keep = chunk.utc_ns >= from_ns
            if not everything:
                right = np.isin(chunk.table["channel"], wanted)
                keep = right if keep is None else keep & right
            if keep is not None:
                chosen = np.flatnonzero(keep)
                texts_left = [chunk.displayed[i] for i in chosen.tolist()] if texts else []
                chunk = ReadingArrays(
                    chunk.table[chosen], chunk.session[chosen], chunk.number[chosen], texts_left, channels
                )
            if len(chunk):
                yield chunk

    def _newest_ns(self) -> int | None:
        with self.book.querying() as db:
            newest: int | None = db.execute("SELECT max(last_utc_ns) FROM block").fetchone()[0]
        return newest

    def _block_rows(
        self, from_ns: int | None, session: int | None, texts: bool, after: int
    ) -> Iterator[list[tuple[int, int, int, bytes]]]:
        """Yield lists of (session, first_reading, count, data) with about `_CHUNK_READINGS` readings each."""
        data = "data" if texts else f"substr(data, 1, count * {RECORD.itemsize})"
        conditions, values = ["entry>?"], [after]
        if from_ns is not None:
            conditions.append("last_utc_ns>=?")
            values.append(from_ns)
        if session is not None:
            conditions.append("session=?")
            values.append(session)
        where = " AND ".join(conditions)
        with self.book.querying() as db:
            # Only the numbers of the blocks are held; their bytes come a chunk at a time.
            query = f"SELECT entry, count FROM block WHERE {where} ORDER BY entry"  # noqa: S608 - fixed words
            blocks = db.execute(query, values).fetchall()
        start = total = 0
        for position, (_, count) in enumerate(blocks):
            total += count
            if total >= _CHUNK_READINGS or position == len(blocks) - 1:
                with self.book.querying() as db:
                    yield db.execute(
                        f"SELECT session, first_reading, count, {data} FROM block WHERE entry BETWEEN ? AND ?"  # noqa: S608
                        f" AND {where} ORDER BY entry",
                        [blocks[start][0], blocks[position][0], *values],
                    ).fetchall()
                start, total = position + 1, 0

    def reading_arrays(self, **choice: Any) -> ReadingArrays:
        """All chosen readings as arrays, without pandas; parameters as of `readings`."""
        chunks = list(self.reading_chunks(**choice))
        if not chunks:
            empty = np.empty(0, np.int64)
            return ReadingArrays(np.empty(0, RECORD), empty, empty, [], self.book.channels())
        if len(chunks) == 1:
            return chunks[0]
        return ReadingArrays(
            np.concatenate([c.table for c in chunks]),
            np.concatenate([c.session for c in chunks]),
            np.concatenate([c.number for c in chunks]),
            [text for c in chunks for text in c.displayed],
            chunks[0].channels,
        )

    def readings(
        self,
        *,
        last: str | None = None,
        since: datetime | str | int | None = None,
        instrument: str | None = None,
        function: Function | str | None = None,
        session: int | None = None,
        texts: bool = True,
    ) -> pd.DataFrame:
        """Readings as a table, one row each, in the order they were recorded.

        Parameters
        ----------
        last : str, optional
            Only those of the last ``"10 min"`` before the newest reading.
        since : datetime, RFC 3339 text or nanoseconds, optional
            Only those from then on.
        instrument, function : str, optional
            Only those of this tag; of this function.
        session : int, optional
            Only those of this session.
        texts : bool
            Whether to include the displayed texts; without them large tables come several times faster.

        Returns
        -------
        DataFrame
            Columns time (UTC, datetime64[ns]), instrument, channel, function, value, unit, resolution, range_max,
            state, flags, origin, session, number, and displayed. Values are in the unit beside them;
            ``df.attrs["units"]`` has the unit of each function.
        """
        return frame_of(
            self.reading_arrays(
                last=last, since=since, instrument=instrument, function=function, session=session, texts=texts
            ),
            texts=texts,
        )

    # -- the rest ---------------------------------------------------------------------------------------------

    def results(self) -> pd.DataFrame:
        """Results as a table, one row each, superseded ones included and marked."""
        import pandas as pd

        superseded = self.book.superseded()
        rows = [
            result_row(entry.seq, entry.session, entry.body, superseded.get(entry.seq))
            for entry in self.book.entries("result")
        ]
        frame = pd.DataFrame(rows, columns=list(RESULT_COLUMNS))
        frame["time"] = pd.to_datetime(frame["time"], utc=True, format="ISO8601").astype(
            "datetime64[ns, UTC]"
        )
        return frame

    def captures(self) -> pd.DataFrame:
        """Captures as a table, one row each; `capture` has the samples."""
        import pandas as pd

        rows = [
            {
                "entry": entry.seq,
                "time": entry.body["start"] or entry.time,
                "instrument": entry.body["instrument"],
                "channels": ", ".join(c["name"] for c in entry.body["channels"]),
                "samples": entry.body["channels"][0]["samples"]["samples"],
                "interval_s": entry.body["interval_s"],
                "session": entry.session,
                "about": entry.body["about"],
            }
            for entry in self.book.entries("capture")
        ]
        columns = ["entry", "time", "instrument", "channels", "samples", "interval_s", "session", "about"]
        frame = pd.DataFrame(rows, columns=columns)
        frame["time"] = pd.to_datetime(frame["time"], utc=True, format="ISO8601").astype(
            "datetime64[ns, UTC]"
        )
        return frame

    def capture(self, seq: int) -> Capture:
        """Return the capture of entry `seq`, samples included."""
        return self.book.capture(seq)

    def entries_table(self, kind: str | None = None) -> pd.DataFrame:
        """Entries as a table, one row each, body as a dict."""
        import pandas as pd

        rows = [(e.seq, e.kind, e.session, e.time, e.body, e.digest) for e in self.book.entries(kind)]
        frame = pd.DataFrame(rows, columns=["entry", "kind", "session", "time", "body", "digest"])
        frame["time"] = pd.to_datetime(frame["time"], utc=True, format="ISO8601").astype(
            "datetime64[ns, UTC]"
        )
        return frame

    def summary(self) -> pd.DataFrame:
        """One row per channel: number of readings, first and last time, mean, minimum, maximum; from the rollup."""
        import pandas as pd

        rows = channel_summary(self.book)
        frame = pd.DataFrame(rows, columns=list(SUMMARY_COLUMNS))
        for column in ("first_time", "last_time"):
            frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ns, UTC]")
        return frame


SUMMARY_COLUMNS = (
    "instrument",
    "channel",
    "function",
    "unit",
    "count",
    "not_ok",
    "mean",
    "minimum",
    "maximum",
    "first_time",
    "last_time",
)


def channel_summary(book: Lookup) -> list[dict[str, Any]]:
    """Summarise every channel from the rollup; times to ten seconds, in nanoseconds since 1970."""
    with book.querying() as db:
        rows = db.execute(
            "SELECT instrument, channel.channel, function, unit, sum(ok), sum(not_ok), sum(total) / sum(ok),"
            " min(minimum), max(maximum), min(bucket) * 10000000000, (max(bucket) + 1) * 10000000000"
            " FROM rollup JOIN channel ON channel.id = rollup.channel GROUP BY rollup.channel ORDER BY id"
        ).fetchall()
    return [dict(zip(SUMMARY_COLUMNS, row, strict=True)) for row in rows]


RESULT_COLUMNS = (
    "entry",
    "session",
    "time",
    "part",
    "check",
    "check_id",
    "verdict",
    "reason",
    "quantity",
    "value",
    "expanded_uncertainty",
    "coverage_factor",
    "unit",
    "low",
    "high",
    "conformance_probability",
    "instruments",
    "superseded_by",
)


def result_row(entry: int, session: int, body: dict[str, Any], superseded_by: int | None) -> dict[str, Any]:
    """Flatten a result to one row: its first quantity with limits, else its first."""
    quantities, limits = body.get("quantities", {}), body.get("limits", {})
    name = next((n for n in quantities if n in limits), next(iter(quantities), ""))
    quantity, limit = quantities.get(name, {}), limits.get(name, {})
    return {
        "entry": entry,
        "session": session,
        **{k: body.get(k, "") for k in ("time", "part", "check", "check_id", "verdict", "reason")},
        "quantity": name,
        **{k: quantity.get(k) for k in ("value", "expanded_uncertainty", "coverage_factor", "unit")},
        "low": limit.get("low"),
        "high": limit.get("high"),
        "conformance_probability": body.get("conformance_probability"),
        "instruments": ", ".join(body.get("instruments", ())),
        "superseded_by": superseded_by,
    }


def _joined(
    rows: list[tuple[int, int, int, bytes]], channels: dict[int, ChannelKey], texts: bool
) -> ReadingArrays:
    """Join blocks into arrays; one copy of the bytes, then views."""
    size = RECORD.itemsize
    counts = np.array([count for _, _, count, _ in rows], np.int64)
    fixed = b"".join([records_bytes(data, count) for _, _, count, data in rows])
    table = np.frombuffer(fixed, RECORD)
    ends = np.cumsum(counts)
    number = np.arange(ends[-1]) + np.repeat(
        np.array([first for _, first, _, _ in rows]) - ends + counts, counts
    )
    session = np.repeat(np.array([s for s, _, _, _ in rows], np.int64), counts)
    displayed: list[str] = []
    if texts:
        lengths = table["displayed_length"].astype(np.int64)
        sums = np.add.reduceat(lengths, ends - counts).tolist()
        parts = [
            data[count * size : count * size + n] for (_, _, count, data), n in zip(rows, sums, strict=True)
        ]
        text_ends = np.cumsum(lengths)
        starts, stops = (text_ends - lengths).tolist(), text_ends.tolist()
        joined = b"".join(parts)
        if len(joined) != stops[-1]:
            raise LogbookDamagedError("a block of readings is shorter than its records say")
        if joined.isascii():
            text = joined.decode()
            displayed = [text[a:b] for a, b in zip(starts, stops, strict=True)]
        else:
            displayed = [joined[a:b].decode("utf-8", "replace") for a, b in zip(starts, stops, strict=True)]
    return ReadingArrays(table, session, number, displayed, channels)


def records_bytes(data: bytes, count: int) -> bytes:
    """Return the fixed part of a block."""
    size = count * RECORD.itemsize
    if count < 1 or len(data) < size:
        raise LogbookDamagedError(f"a block of {len(data)} bytes can't hold {count} readings")
    return data[:size] if len(data) > size else data


def frame_of(arrays: ReadingArrays, *, texts: bool) -> pd.DataFrame:
    """Make the table of `LogbookView.readings` from arrays."""
    import pandas as pd

    table = arrays.table
    keys = list(arrays.channels.values())
    place_of = np.full(max(arrays.channels, default=0) + 1, -1)
    place_of[list(arrays.channels)] = np.arange(len(keys))
    if len(table) and (
        int(table["channel"].max()) >= len(place_of) or (place_of[table["channel"]] < 0).any()
    ):
        raise LogbookDamagedError("readings name a channel that is not defined")
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
        "session": arrays.session,
        "number": arrays.number,
    }
    if texts:
        columns["displayed"] = arrays.displayed
    frame = pd.DataFrame(columns, copy=False)
    frame.attrs["units"] = {function: unit for (_, _, function), unit in zip(keys, units, strict=True)}
    return frame


def _words(names: list[str], places: npt.NDArray[Any]) -> pd.Categorical[str]:
    """Turn places in a list of names, which may repeat, into a column of words."""
    import pandas as pd

    words = list(dict.fromkeys(names))
    codes = np.array([words.index(name) for name in names], np.int16)
    if len(places) and int(places.max()) >= len(names):
        raise LogbookDamagedError("a block of readings holds what no reading has")
    return pd.Categorical.from_codes(
        codes[places] if names else np.empty(0, np.int16), pd.Index(words, dtype=str)
    )
