"""The record as text for spreadsheets and text editors.

CSV has one row per result, one per reading, and one per other entry with what it says in a line. JSON lines hold the
whole chain, one entry per line exactly as it was digested, with readings, samples and attachments beside it; a logbook
restored from them has the same digests.
"""

from __future__ import annotations

import csv
import hashlib
import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from benchlog.bench import Bench
from benchlog.clock import rfc3339
from benchlog.errors import LogbookDamagedError
from benchlog.files import whole_file, write_whole
from benchlog.logbook.chain import Entry
from benchlog.logbook.quantities import (
    QUANTITY_COLUMNS,
    Served,
    expanded_uncertainties,
    rows_of_result,
    served_checks,
)
from benchlog.logbook.reader import LogbookReader
from benchlog.logbook.reading_block import FLAGS, ORIGINS, STATES
from benchlog.logbook.reading_table import ReadingArrays
from benchlog.logbook.recalled import RECALL_KINDS, Recalls
from benchlog.logbook.rows import RESULT_COLUMNS, result_row
from benchlog.logbook.salvage import OnDamage, intact_entries
from benchlog.logbook.view import LogbookView
from benchlog.reading import Function

Progress = Callable[[int, int], object]  # done, total
_FORMULA_STARTS = r"[=+\-@\t\r\n'＝＋－＠]"
_CELL_STARTS = r"(\A|[;,|\t\r\n])"
_BEFORE_FORMULA = re.compile(f"{_CELL_STARTS}(?={_FORMULA_STARTS})")
_MADE_NEUTRAL = re.compile(f"{_CELL_STARTS}'(?={_FORMULA_STARTS})")
_DIGEST = re.compile(r"[0-9a-f]{64}")
READING_COLUMNS = (
    "time",
    "instrument",
    "channel",
    "function",
    "value",
    "unit",
    "resolution",
    "range_max",
    "state",
    "flags",
    "origin",
    "displayed",
    "raw",
    "mono_ns",
    "entry",
    "session",
    "number",
)
#: What results and the bench file say of a reading, in readings.csv.
SERVED_COLUMNS = ("part", "check", "use", "withdrawn", "expanded_uncertainty")
EVENT_COLUMNS = ("entry", "session", "time", "kind", "words", "superseded_by")
_IN_OTHER_TABLES = ("result", "readings", "channel")
HOW_TO_CHECK = """How to check this record with any SHA-256 tool
==============================================

entries.jsonl holds one entry per line. The SHA-256 of a line's bytes, without the line end (LF, or CR LF if a
program changed it), is that entry's digest.
The next line gives it as "previous"; the first line's "previous" is 64 zeros. So:

1. take the SHA-256 of each line and compare it with "previous" in the line after it;
2. check that "seq" counts 1, 2, 3... without a gap;
3. compare the SHA-256 of the last line with the head digest that was noted elsewhere (certificate, mail, photo).
   Entries up to a noted digest are not altered since it was noted. Without a noted digest the chain shows
   accidents, not honesty: its owner could have written all of it again.
4. blobs/ holds samples and attachments; each file's SHA-256 is its name, and is given in its entry.

readings.jsonl holds the readings, one per line, with the number of their entry; `benchlog record import` restores the
logbook from this folder and compares every digest.
"""


def neutral(text: str) -> str:
    """Return a text cell that no spreadsheet takes for a formula, whatever separator it uses; `unneutral` undoes it.

    >>> neutral("=1+1"), neutral("1;=1+1"), neutral("27.75 V")
    ("'=1+1", "1;'=1+1", '27.75 V')
    """
    return _BEFORE_FORMULA.sub(r"\g<0>'", text)


def unneutral(text: str) -> str:
    """Return the text that `neutral` was given.

    >>> unneutral("'=1+1")
    '=1+1'
    """
    return _MADE_NEUTRAL.sub(r"\1", text)


def reading_count(book: LogbookReader) -> int:
    """Number of readings in the logbook."""
    with book.querying() as db:
        row = db.execute("SELECT first_reading + count FROM block ORDER BY entry DESC LIMIT 1").fetchone()
    return int(row[0]) if row else 0


def _body_text(entry: Entry) -> str:
    return json.dumps(entry.body, ensure_ascii=False)


def export_csv(
    book: LogbookReader,
    folder: Path,
    *,
    bench: Bench | None = None,
    words: Callable[[Entry], str] = _body_text,
    progress: Progress | None = None,
    on_damage: OnDamage | None = None,
) -> list[Path]:
    """Write results.csv, quantities.csv, readings.csv and events.csv: UTF-8, RFC 4180 with line feeds, UTC, SI units.

    Parameters
    ----------
    folder : path
        Created if it does not exist.
    bench : Bench, optional
        Whose accuracy statements give the expanded uncertainty of readings.
    words : callable, optional
        What an entry says in one line, for events.csv; without it its fields as JSON.
    progress : callable, optional
        Called with (readings done, readings in all).
    on_damage : callable, optional
        Called for each damaged entry, which is left out; without it the first one raises an error.

    Raises
    ------
    LogbookDamagedError
        At the first damaged entry, unless `on_damage` is given.
    """
    folder.mkdir(parents=True, exist_ok=True)
    results, quantities, readings = (folder / f"{n}.csv" for n in ("results", "quantities", "readings"))
    superseded = {entry.body["entry"]: entry.seq for entry in intact_entries(book, on_damage, "supersede")}
    recalls = Recalls(entry for kind in RECALL_KINDS for entry in intact_entries(book, on_damage, kind))
    total, done = reading_count(book), 0
    with (
        whole_file(results) as result_file,
        whole_file(quantities) as quantity_file,
        whole_file(readings) as file,
    ):
        writer = csv.writer(result_file, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
        writer.writerow(RESULT_COLUMNS)
        each = csv.writer(quantity_file, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
        each.writerow(QUANTITY_COLUMNS)
        results_found = list(intact_entries(book, on_damage, "result"))
        for entry in results_found:
            gone = superseded.get(entry.seq)
            writer.writerow(map(_cell, result_row(entry, gone, recalls).values()))
            for row in rows_of_result(entry.seq, entry.body, gone):
                each.writerow(map(_cell, row.values()))
        writer = csv.writer(file, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
        writer.writerow((*READING_COLUMNS, *SERVED_COLUMNS))
        served = served_checks(results_found, superseded)
        uses = {
            e.seq: e.body["uses"] for e in intact_entries(book, on_damage, "readings") if "uses" in e.body
        }
        for chunk in LogbookView(book).reading_chunks(proved=True, on_damage=on_damage):
            rows = zip(reading_rows(chunk), _served_rows(chunk, served, uses, bench or Bench()), strict=True)
            writer.writerows((*row, *about) for row, about in rows)
            done += len(chunk)
            if progress is not None:
                progress(done, total)
    return [results, quantities, readings, _export_events(book, folder, superseded, words, on_damage)]


def _export_events(
    book: LogbookReader,
    folder: Path,
    superseded: Mapping[int, int],
    words: Callable[[Entry], str],
    on_damage: OnDamage | None,
) -> Path:
    """Write one line per entry that is neither a result nor readings: standards, recalls, repairs, notes, diagnoses."""
    path = folder / "events.csv"
    with whole_file(path) as file:
        writer = csv.writer(file, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n")
        writer.writerow(EVENT_COLUMNS)
        for entry in intact_entries(book, on_damage):
            if entry.kind not in _IN_OTHER_TABLES:
                row = (entry.seq, entry.session, entry.time, entry.kind, words(entry))
                writer.writerow(map(_cell, (*row, superseded.get(entry.seq))))
    return path


def _served_rows(
    chunk: ReadingArrays, served: Mapping[int, Served], uses: Mapping[int, Sequence[str]], bench: Bench
) -> Iterator[tuple[Any, ...]]:
    """Cells of `SERVED_COLUMNS`, text cells neutral."""
    none = Served("", "", "", withdrawn=False)
    block, place = 0, 0
    for entry, expanded in zip(
        chunk.entry.tolist(), expanded_uncertainties(chunk, bench).tolist(), strict=True
    ):
        block, place = entry, place + 1 if entry == block else 0
        check, named = served.get(entry, none), uses.get(entry, ())
        yield (
            neutral(check.part),
            neutral(check.check_id or check.check),
            neutral(named[place]) if place < len(named) else "",
            "yes" if check.withdrawn else "",
            None if math.isnan(expanded) else expanded,
        )


def _cell(value: Any) -> Any:
    return neutral(value) if isinstance(value, str) else value


def reading_rows(chunk: ReadingArrays) -> Iterator[tuple[Any, ...]]:
    """Rows of `READING_COLUMNS`, text cells neutral."""
    if chunk.displayed is None or chunk.raw is None:
        raise ValueError("rows need texts and frames")
    meters = {
        number: (neutral(tag), neutral(channel), neutral(function), Function(function).unit)
        for number, (tag, channel, function) in chunk.channels.items()
    }
    flag_names: dict[int, str] = {}
    table = chunk.table
    for (
        utc,
        mono,
        value,
        resolution,
        range_max,
        channel,
        flags,
        _,
        _,
        state,
        origin,
    ), text, raw, *where in zip(
        table.tolist(),
        chunk.displayed.texts(),
        chunk.raw.frames(),
        chunk.entry.tolist(),
        chunk.session.tolist(),
        chunk.number.tolist(),
        strict=True,
    ):
        tag, display, function, unit = meters[channel]
        if flags not in flag_names:
            flag_names[flags] = ", ".join(flags_of(flags))
        yield (
            rfc3339(utc),
            tag,
            display,
            function,
            None if math.isnan(value) else value,
            unit,
            resolution,
            None if math.isnan(range_max) else range_max,
            str(STATES[state]),
            flag_names[flags],
            str(ORIGINS[origin]),
            neutral(text),
            f"0x{raw.hex()}" if raw else "",  # so that a spreadsheet does not read it as a number
            mono,
            *where,
        )


def flags_of(code: int) -> list[str]:
    """Names of the flags in a record."""
    return [str(flag) for bit, flag in enumerate(FLAGS) if code & 1 << bit]


def export_jsonl(
    book: LogbookReader, folder: Path, *, progress: Progress | None = None, on_damage: OnDamage | None = None
) -> list[Path]:
    """Write the whole chain: entries.jsonl, readings.jsonl, blobs/ and a page that explains how to check them.

    See `export_csv` for the parameters and errors.
    """
    folder.mkdir(parents=True, exist_ok=True)
    entries, readings, page = (
        folder / name for name in ("entries.jsonl", "readings.jsonl", "HOW-TO-CHECK.txt")
    )
    blobs = folder / "blobs"
    total, done = reading_count(book), 0
    # entries.jsonl gets its name last: once it exists, everything it refers to exists too.
    with whole_file(entries) as entry_file, whole_file(readings) as reading_file:
        write_whole(page, HOW_TO_CHECK)
        for name, data in stored_pieces(book, on_damage):
            blobs.mkdir(exist_ok=True)
            write_whole(blobs / name, data)
        for chunk in LogbookView(book).reading_chunks(proved=True, on_damage=on_damage):
            reading_file.writelines(reading_lines(chunk))
            done += len(chunk)
            if progress is not None:
                progress(done, total)
        for text in entry_texts(book, on_damage):
            entry_file.write(text + "\n")
    return [entries, readings, page, *([blobs] if blobs.exists() else [])]


def entry_texts(book: LogbookReader, on_damage: OnDamage | None) -> Iterator[str]:
    """Texts of all intact entries, in order."""
    intact = {entry.seq for entry in intact_entries(book, on_damage)} if on_damage is not None else None
    after = 0
    while True:
        with book.querying() as db:
            if intact is None:
                rows = db.execute(
                    "SELECT seq, text FROM entry WHERE seq>? ORDER BY seq LIMIT 1000", (after,)
                ).fetchall()
            else:
                rows = [
                    (seq, db.execute("SELECT text FROM entry WHERE seq=?", (seq,)).fetchone()[0])
                    for seq in sorted(intact)
                ]
        yield from (text for _, text in rows)
        if intact is not None or not rows:
            return
        after = rows[-1][0]


def reading_lines(chunk: ReadingArrays) -> Iterator[str]:
    """One line of JSON per reading; numbers exact, those JSON lacks as text."""
    columns = READING_COLUMNS
    for row in reading_rows(chunk):
        fields: dict[str, Any] = dict(zip(columns, row, strict=True))
        for name in ("instrument", "channel", "function", "displayed"):
            fields[name] = unneutral(fields[name])
        fields["flags"] = fields["flags"].split(", ") if fields["flags"] else []
        fields["raw"] = fields["raw"].removeprefix("0x")
        fields["mono_ns"] = str(fields["mono_ns"])
        for name in ("value", "resolution", "range_max"):
            number = fields[name]
            if number is not None and not -1e308 <= number <= 1e308:
                fields[name] = repr(number)
        yield json.dumps(fields, ensure_ascii=False, separators=(",", ":")) + "\n"


def stored_pieces(book: LogbookReader, on_damage: OnDamage | None) -> Iterator[tuple[str, bytes]]:
    """Samples of captures and attachments, each with the SHA-256 that its entry gives."""

    def wanted() -> Iterable[tuple[int, str, str, tuple[Any, ...]]]:
        for entry in intact_entries(book, on_damage, "capture"):
            about = [channel["samples"] for channel in entry.body["channels"]]
            if entry.body["times"] is not None:
                about.append(entry.body["times"])
            for part, samples in enumerate(about):
                query = "SELECT data FROM capture_data WHERE entry=? AND part=?"
                yield entry.seq, samples["sha256"], query, (entry.seq, part)
        for entry in intact_entries(book, on_damage, "attachment"):
            digest = entry.body["sha256"]
            yield entry.seq, digest, "SELECT data FROM attachment WHERE sha256=?", (digest,)

    for seq, digest, query, key in wanted():
        fault = f"entry {seq}: its stored bytes are missing or were altered"
        try:
            with book.querying() as db:
                row = db.execute(query, key).fetchone()
        except LogbookDamagedError:
            row = None
        good = row is not None and hashlib.sha256(row[0]).hexdigest() == digest and _DIGEST.fullmatch(digest)
        if good:
            yield digest, row[0]
        elif on_damage is None:
            raise LogbookDamagedError(fault, hint="`benchlog record verify` shows what else is damaged")
        else:
            on_damage(seq, fault)
