"""The record as Parquet data sets that pandas, DuckDB or Spark read as one table over many benches.

::

    FOLDER/readings/project=KC-1/session=3/<logbook id>.parquet
    FOLDER/results/project=KC-1/session=3/<logbook id>.parquet

Every logbook may be exported into the same folder: its files are named by its id and replace only its own.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np
import numpy.typing as npt

from benchlog.clock import parse_rfc3339
from benchlog.errors import UsageError
from benchlog.files import whole_file
from benchlog.logbook.export import Progress, flags_of, reading_count
from benchlog.logbook.reader import LogbookReader
from benchlog.logbook.reading_block import ORIGINS, STATES
from benchlog.logbook.reading_table import Pieces, ReadingArrays
from benchlog.logbook.recalled import RECALL_KINDS, Recalls
from benchlog.logbook.rows import result_row
from benchlog.logbook.salvage import OnDamage, intact_entries
from benchlog.logbook.view import LogbookView
from benchlog.reading import Function

if TYPE_CHECKING:
    import pyarrow as pa

_MAX_NAME = 80


def export_parquet(
    book: LogbookReader, folder: Path, *, progress: Progress | None = None, on_damage: OnDamage | None = None
) -> list[Path]:
    """Write readings and results as partitioned Parquet data sets; see `export.export_csv` for the parameters.

    Raises
    ------
    UsageError
        If pyarrow is not installed.
    LogbookDamagedError
        At the first damaged entry, unless `on_damage` is given.
    """
    try:
        import pyarrow.parquet as pq
    except ModuleNotFoundError as error:
        if error.name != "pyarrow":
            raise
        raise UsageError(
            "Parquet export needs the pyarrow library, which is not installed",
            hint="install it with: pip install 'benchlog[parquet]'",
        ) from error
    first = book.entry(1)
    name = re.sub(r"[^0-9a-f]", "", str(first.body.get("logbook_id", "")))[:32] or "logbook"
    project = f"project={_safe(str(first.body.get('project', '')))}"
    with book.querying() as db:
        sessions = [row[0] for row in db.execute("SELECT DISTINCT session FROM block ORDER BY session")]
    written: list[Path] = []
    total, done = reading_count(book), 0
    for session in sessions:
        target = folder / "readings" / project / f"session={int(session)}" / f"{name}.parquet"
        chunks = LogbookView(book).reading_chunks(session=session, proved=True, on_damage=on_damage)
        first_chunk = next(chunks, None)
        if first_chunk is None:
            continue
        target.parent.mkdir(parents=True, exist_ok=True)
        schema = _reading_table(first_chunk, name).schema
        with whole_file(target, "wb") as file, pq.ParquetWriter(file, schema, compression="zstd") as writer:
            for chunk in itertools.chain([first_chunk], chunks):
                writer.write_table(_reading_table(chunk, name))
                done += len(chunk)
                if progress is not None:
                    progress(done, total)
        written.append(target)
    results: dict[int, list[dict[str, Any]]] = {}
    superseded = {e.body["entry"]: e.seq for e in intact_entries(book, on_damage, "supersede")}
    recalls = Recalls(entry for kind in RECALL_KINDS for entry in intact_entries(book, on_damage, kind))
    for entry in intact_entries(book, on_damage, "result"):
        row = result_row(entry, superseded.get(entry.seq), recalls)
        row["result"] = json.dumps(entry.body, ensure_ascii=False, sort_keys=True)
        results.setdefault(entry.session, []).append(row)
    for session, rows in results.items():
        target = folder / "results" / project / f"session={session}" / f"{name}.parquet"
        target.parent.mkdir(parents=True, exist_ok=True)
        with whole_file(target, "wb") as file:
            pq.write_table(_result_table(rows, name), file, compression="zstd")
        written.append(target)
    return written


def _safe(name: str) -> str:
    """Name of a partition as one folder name, percent-encoded; readers of such data sets decode it.

    >>> _safe("KC-1"), _safe("kiln 2..")
    ('KC-1', 'kiln%202%2E%2E')
    >>> _safe("../" * 30).endswith(".")  # also where it is cut
    False
    """
    encoded = quote(name, safe="") or "unnamed"
    if len(encoded) > _MAX_NAME:
        encoded = encoded[:_MAX_NAME].rsplit("%", 1)[0]
    kept = encoded.rstrip(".")
    return kept + "%2E" * (len(encoded) - len(kept))  # Windows drops dots at the end


def _reading_table(chunk: ReadingArrays, logbook: str) -> pa.Table:
    import pyarrow as pa

    table = chunk.table
    keys = list(chunk.channels.values())
    place_of = np.zeros(max(chunk.channels) + 1, np.int32)
    place_of[list(chunk.channels)] = np.arange(len(keys), dtype=np.int32)
    places = place_of[table["channel"]]
    flags, flag_places = np.unique(table["flags"], return_inverse=True)

    def number(column: str) -> pa.Array:
        return pa.array(np.ascontiguousarray(table[column]), from_pandas=True)  # NaN, no number, becomes null

    if chunk.displayed is None or chunk.raw is None:
        raise ValueError("a data set needs texts and frames")
    return pa.table(
        {
            "logbook": _words([logbook], np.zeros(len(table), np.int32)),
            "time": pa.array(np.ascontiguousarray(table["utc_ns"])).cast(pa.timestamp("ns", "UTC")),
            "mono_ns": pa.array(np.ascontiguousarray(table["mono_ns"])),
            "instrument": _words([tag for tag, _, _ in keys], places),
            "channel": _words([channel for _, channel, _ in keys], places),
            "function": _words([function for _, _, function in keys], places),
            "value": number("value"),
            "unit": _words([Function(function).unit for _, _, function in keys], places),
            "resolution": number("resolution"),
            "range_max": number("range_max"),
            "state": _words([str(state) for state in STATES], table["state"]),
            "flags": _words([", ".join(flags_of(code)) for code in flags.tolist()], flag_places),
            "origin": _words([str(origin) for origin in ORIGINS], table["origin"]),
            "displayed": _pieces(chunk.displayed, "utf8"),
            "raw": _pieces(chunk.raw, "binary"),
            "entry": pa.array(chunk.entry),
            "number": pa.array(chunk.number),
        }
    )


def _words(names: Iterable[str], places: npt.NDArray[Any]) -> pa.Array:
    """A dictionary-encoded column: indices into a list of words, which may repeat."""
    import pyarrow as pa

    names = list(names)
    words = list(dict.fromkeys(names))
    codes = np.array([words.index(name) for name in names], np.int32)
    return pa.DictionaryArray.from_arrays(pa.array(codes[places]), pa.array(words, pa.utf8()))


def _pieces(pieces: Pieces, kind: str) -> pa.Array:
    import pyarrow as pa

    if kind == "utf8" and not pieces.data.isascii():
        return pa.array(pieces.texts(), pa.utf8())
    offsets = np.concatenate([pieces.starts[:1], pieces.ends]).astype(np.int32)
    make = pa.StringArray.from_buffers if kind == "utf8" else _binary
    return make(len(pieces.ends), pa.py_buffer(offsets), pa.py_buffer(pieces.data))


def _binary(length: int, offsets: Any, data: Any) -> pa.Array:
    import pyarrow as pa

    return pa.Array.from_buffers(pa.binary(), length, [None, offsets, data])


def _result_table(rows: list[dict[str, Any]], logbook: str) -> pa.Table:
    import pyarrow as pa

    numbers = ("value", "expanded_uncertainty", "coverage_factor", "low", "high", "conformance_probability")
    columns: dict[str, pa.Array] = {"logbook": pa.array([logbook] * len(rows), pa.utf8())}
    for name in rows[0]:
        if name == "session":
            continue  # the partition says it
        values = [row[name] for row in rows]
        if name == "time":
            times = [parse_rfc3339(text) if text else None for text in values]
            columns[name] = pa.array(times, pa.int64()).cast(pa.timestamp("ns", "UTC"))
        elif name in ("entry", "superseded_by"):
            columns[name] = pa.array(values, pa.int64())
        else:
            columns[name] = pa.array(values, pa.float64() if name in numbers else pa.utf8())
    return pa.table(columns)
