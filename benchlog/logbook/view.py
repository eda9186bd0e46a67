"""Tables of what is in a logbook: arrays without pandas, or DataFrames with units and UTC times."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from benchlog.bench import Bench, read_bench
from benchlog.clock import parse_rfc3339
from benchlog.errors import UsageError
from benchlog.html_table import html_table
from benchlog.logbook.quantities import QUANTITY_COLUMNS, add_checks, add_uncertainty, quantity_rows
from benchlog.logbook.reader import LogbookReader
from benchlog.logbook.reading_block import RECORD
from benchlog.logbook.reading_table import BlockRow, ReadingArrays, frame_of, join_blocks
from benchlog.logbook.recalled import RECALL_KINDS, Recalls
from benchlog.logbook.rows import RESULT_COLUMNS, SUMMARY_COLUMNS, channel_summary, result_row
from benchlog.logbook.salvage import OnDamage, intact_blocks, intact_channels
from benchlog.reading import Function

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from benchlog.capture import Capture
    from benchlog.result import Result

__all__ = ["LogbookView", "ReadingArrays", "parse_span"]

_COUNTED = ("result", "readings", "capture", "release", "recall")
_CHUNK_READINGS = 200_000
_PAGE_BLOCKS = 100
_SPANS = {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0, "day": 86400.0, "days": 86400.0}


def parse_span(text: str) -> int:
    """Read a length of time such as ``"10 min"`` into nanoseconds.

    >>> parse_span("10 min")
    600000000000

    Raises
    ------
    UsageError
        If it is not a length of time.
    """
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([a-z]+)\s*", str(text))
    if match is None or match[2] not in _SPANS:
        raise UsageError(f"{text!r} is not a length of time", hint='write it like "10 min", "2 h" or "3 d"')
    return round(float(match[1]) * _SPANS[match[2]] * 1e9)


def _moment_ns(moment: datetime | str | int) -> int:
    """Nanoseconds since 1970 of an aware datetime, RFC 3339 text, or nanoseconds."""
    if isinstance(moment, int):
        return moment
    if isinstance(moment, datetime):
        if moment.tzinfo is None:
            raise UsageError(f"{moment} has no time zone", hint="give it one, e.g. datetime.now(UTC)")
        return parse_rfc3339(moment.isoformat())
    return parse_rfc3339(moment)


def _typed_columns(frame: pd.DataFrame) -> pd.DataFrame:
    """Times as UTC instants; numbers of entries as integers that may be missing."""
    frame["time"] = frame["time"].pipe(_instants)
    if "superseded_by" in frame:
        frame["superseded_by"] = frame["superseded_by"].astype("Int64")
    return frame


def _instants(column: pd.Series[Any]) -> pd.Series[Any]:
    import pandas as pd

    return pd.to_datetime(column, utc=True, format="ISO8601").astype("datetime64[ns, UTC]")


def _gathered(pages: Iterable[list[BlockRow]]) -> Iterator[list[BlockRow]]:
    """Gather pages until they hold enough readings to be worth an array."""
    gathered: list[BlockRow] = []
    total = 0
    for page in pages:
        for row in page:
            gathered.append(row)
            total += row[3]
            if total >= _CHUNK_READINGS:
                yield gathered
                gathered, total = [], 0
    if gathered:
        yield gathered


class LogbookView:
    """Tables of an open logbook.

    Parameters
    ----------
    book : Logbook
        Closed together with this view.
    """

    def __init__(self, book: LogbookReader) -> None:
        self.book = book

    @property
    def path(self) -> Path:
        """The logbook's file."""
        return self.book.path

    def close(self) -> None:
        """Close the logbook; safe to repeat."""
        self.book.close()

    def __repr__(self) -> str:
        head = self.book.head()
        counts = self._counts()
        parts = ", ".join(f"{n} {kind}" for kind, n in counts.items() if kind in _COUNTED)
        return f"<logbook {self.path.name}: entry {head.seq}, {parts or 'nothing measured yet'}; head {head.digest[:12]}>"

    def _repr_html_(self) -> str:
        rows = [(kind, str(number)) for kind, number in self._counts().items()]
        return html_table(repr(self)[1:-1], ("entries", "number"), rows)

    def _counts(self) -> dict[str, int]:
        with self.book.querying() as db:
            return dict(db.execute("SELECT kind, count(*) FROM entry GROUP BY kind ORDER BY kind").fetchall())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
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
        proved: bool = False,
        on_damage: OnDamage | None = None,
    ) -> Iterator[ReadingArrays]:
        """Iterate over readings, a few hundred thousand at a time; see `readings` for the other parameters.

        Parameters
        ----------
        proved : bool
            Check every block against its entry's digest, as exports do.
        on_damage : callable, optional
            With `proved`: called for each damaged block, which is left out; without it the first one raises an error.
        """
        channels = intact_channels(self.book, on_damage) if proved else self.book.channels()
        wanted = [
            number
            for number, (tag, _, name) in channels.items()
            if instrument in (None, tag) and function in (None, name)
        ]
        everything = len(wanted) == len(channels)
        from_ns = self._from_ns(last, since)
        pages = (
            self._proved_pages(session, on_damage) if proved else self._block_pages(from_ns, session, texts)
        )
        for rows in _gathered(pages):
            chunk = join_blocks(rows, channels, texts=texts)
            keep = np.ones(len(chunk), np.bool_)
            if from_ns is not None:
                keep &= chunk.utc_ns >= from_ns
            if not everything:
                keep &= np.isin(chunk.table["channel"], wanted)
            if not keep.all():
                first = int(np.argmax(keep))
                # Leaving out the oldest alone needs no copies.
                chunk = chunk.take(slice(first, None) if keep[first:].all() else np.flatnonzero(keep))
            if len(chunk):
                yield chunk

    def _from_ns(self, last: str | None, since: datetime | str | int | None) -> int | None:
        """Time of the first reading wanted; None for all."""
        moments = [_moment_ns(since)] if since is not None else []
        if last is not None:
            span, newest = parse_span(last), self._newest_ns()
            moments.append(0 if newest is None else newest - span)
        return max(moments, default=None)

    def _newest_ns(self) -> int | None:
        with self.book.querying() as db:
            newest: int | None = db.execute("SELECT max(last_utc_ns) FROM block").fetchone()[0]
        return newest

    def _block_pages(self, from_ns: int | None, session: int | None, texts: bool) -> Iterator[list[BlockRow]]:
        """Yield blocks in order, in batches."""
        where, values = [], []
        if from_ns is not None:
            where.append("last_utc_ns>=?")
            values.append(from_ns)
        if session is not None:
            where.append("session=?")
            values.append(session)
        with self.book.querying() as db:
            # The small indexes give the range; the query then reads the table in order.
            # Each condition is one of the fixed texts above, values go in as parameters.
            bounds = [
                db.execute(f"SELECT min(entry), max(entry) FROM block WHERE {condition}", (value,)).fetchone()  # noqa: S608
                for condition, value in zip(where, values, strict=True)
            ]
        if any(first is None for first, _ in bounds):
            return
        low = max([first - 1 for first, _ in bounds], default=0)
        high = min([last for _, last in bounds], default=2**62)
        data = "data" if texts else f"substr(data, 1, count * {RECORD.itemsize})"
        filters = "".join(f" AND +{condition}" for condition in where)
        query = (
            f"SELECT entry, session, first_reading, count, {data} FROM block"  # noqa: S608 - fixed words
            f" WHERE entry>? AND entry<=?{filters} ORDER BY entry LIMIT {_PAGE_BLOCKS}"
        )
        while True:
            with self.book.querying() as db:
                rows = db.execute(query, (low, high, *values)).fetchall()
            if rows:
                yield rows
            if len(rows) < _PAGE_BLOCKS:
                return
            low = rows[-1][0]

    def _proved_pages(self, session: int | None, on_damage: OnDamage | None) -> Iterator[list[BlockRow]]:
        """Yield blocks that match their entries, in batches."""
        condition, values = ("session=? AND ", [session]) if session is not None else ("", [])
        query = f"SELECT seq FROM entry WHERE {condition}kind='readings' ORDER BY seq"  # noqa: S608 - fixed words
        with self.book.querying() as db:
            entries = [row[0] for row in db.execute(query, values)]
        for start in range(0, len(entries), _PAGE_BLOCKS):
            yield intact_blocks(self.book, entries[start : start + _PAGE_BLOCKS], on_damage)

    def reading_arrays(self, **choice: Any) -> ReadingArrays:
        """All chosen readings as arrays, without pandas; parameters as of `readings`."""
        return ReadingArrays.joined(list(self.reading_chunks(**choice)), self.book.channels())

    def readings(
        self,
        *,
        last: str | None = None,
        since: datetime | str | int | None = None,
        instrument: str | None = None,
        function: Function | str | None = None,
        session: int | None = None,
        part: str | None = None,
        check: str | None = None,
        withdrawn: bool = False,
        bench: Bench | Path | str | None = None,
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
        part, check : str, optional
            Only those that a result of this part, or of this check (its id such as ``"C03"``, or its kind), was computed from.
        withdrawn : bool
            Whether to include readings that were withdrawn, or whose results all were.
        bench : Bench or path, optional
            Bench file whose accuracy statements give ``expanded_uncertainty``; ``bench.toml`` beside the logbook
            where not given. Without one, and for overload, it is NaN.
        texts : bool
            Whether to include the displayed texts; without them large tables come several times faster.

        Returns
        -------
        DataFrame
            Columns time (UTC, datetime64[ns]), instrument, channel, function, value, unit, expanded_uncertainty
            (k = 2), resolution, range_max, state, flags, origin, part, check, entry, session, number, and displayed.
            Values are in the unit beside them; ``df.attrs["units"]`` has the unit of each function.
        """
        arrays = self.reading_arrays(
            last=last, since=since, instrument=instrument, function=function, session=session, texts=texts
        )
        frame = add_uncertainty(frame_of(arrays), arrays, self._bench(bench))
        return add_checks(frame, self.book, part=part, check=check, withdrawn=withdrawn)

    def _bench(self, bench: Bench | Path | str | None) -> Bench:
        if isinstance(bench, Bench):
            return bench
        if bench is not None:
            return read_bench(Path(bench))
        beside = self.path.parent / "bench.toml"
        return read_bench(beside) if beside.is_file() else Bench()

    # -- the rest ---------------------------------------------------------------------------------------------

    def quantities(self, *, withdrawn: bool = False) -> pd.DataFrame:
        """All quantities of all results as a table, one row each.

        Parameters
        ----------
        withdrawn : bool
            Whether to include those of withdrawn results.
        """
        import pandas as pd

        frame = pd.DataFrame(quantity_rows(self.book, withdrawn=withdrawn), columns=list(QUANTITY_COLUMNS))
        return _typed_columns(frame)

    def result(self, seq: int) -> Result:
        """Return the result of entry `seq`: it has ``quantities``, ``budget_frame()`` and ``plot()``."""
        return self.book.result(seq)

    def plot(self, seq: int) -> Figure:
        """Draw the result of entry `seq`; see `benchlog.figure`."""
        from benchlog import figure

        return figure(seq, self)

    def results(self) -> pd.DataFrame:
        """Results as a table, one row each, superseded and recalled ones included and marked."""
        import pandas as pd

        superseded, recalls = self.book.superseded(), Recalls(self.book.entries(RECALL_KINDS))
        rows = [
            result_row(entry, superseded.get(entry.seq), recalls) for entry in self.book.entries("result")
        ]
        return _typed_columns(pd.DataFrame(rows, columns=list(RESULT_COLUMNS)))

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
        return _typed_columns(pd.DataFrame(rows, columns=columns))

    def capture(self, seq: int) -> Capture:
        """Return the capture of entry `seq`, samples included."""
        return self.book.capture(seq)

    def entries_table(self, kind: str | None = None) -> pd.DataFrame:
        """Entries as a table, one row each, body as a dict."""
        import pandas as pd

        rows = [(e.seq, e.kind, e.session, e.time, e.body, e.digest) for e in self.book.entries(kind)]
        return _typed_columns(
            pd.DataFrame(rows, columns=["entry", "kind", "session", "time", "body", "digest"])
        )

    def summary(self) -> pd.DataFrame:
        """One row per channel: number of readings, first and last time, mean, minimum, maximum; from the rollup."""
        import pandas as pd

        rows = channel_summary(self.book)
        frame = pd.DataFrame(rows, columns=list(SUMMARY_COLUMNS))
        for column in ("first_time", "last_time"):
            frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ns, UTC]")
        return frame
