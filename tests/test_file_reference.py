"""Every key of plan and bench files is described, in the schemas and in the manual; the examples are plans that read."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from benchlog.bench import bench_schema, read_bench
from benchlog.cli import main
from benchlog.cli.manual import PAGES
from benchlog.file_reference import reference_text
from benchlog.plan import plan_schema, read_plan


def keys(schema: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    """All keys of all tables."""
    return [
        (name, key, entry)
        for name, struct in schema["$defs"].items()
        if name != "LimitText"
        for key, entry in struct.get("properties", {}).items()
    ]


@pytest.mark.parametrize("schema", [plan_schema(), bench_schema()], ids=["plan", "bench"])
def test_every_key_has_a_description(schema: dict[str, Any]) -> None:
    """An editor shows it, for the tables too; a table that is there once has its own."""
    assert [f"{n}.{k}" for n, k, entry in keys(schema) if not entry.keys() & {"description", "$ref"}] == []


@pytest.mark.parametrize("name", ["plan", "bench"])
def test_the_manual_names_every_key(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual", name]) == 0
    text = capsys.readouterr().out
    for struct, key, _ in keys(plan_schema() if name == "plan" else bench_schema()):
        assert re.search(rf"\b{key}\b", text), f"{struct}.{key}"
    assert max(map(len, text.splitlines())) <= 110


def test_each_example_of_the_manual_is_a_check_that_reads(tmp_path: Path) -> None:
    """What the manual shows for a kind can be pasted into a plan."""
    text = reference_text(plan_schema())
    examples = re.findall(r"^    (\[\[check\]\]\n(?:    \S.*\n)+)", text, re.MULTILINE)
    assert len(examples) >= 11
    assert set(re.findall(r'take = "(\w+)"\n', "".join(examples))) == {
        "reading",
        "question",
        "phase",
        "inductance",
    }
    for example in examples:
        body = re.sub(r"^    ", "", example, flags=re.MULTILINE)
        path = tmp_path / "plan.toml"
        path.write_text(f'[project]\nname = "x"\n[[part]]\ntag = "T1"\n{body}', encoding="utf-8")
        assert list(read_plan(path).checks) == ["C01"], example


def examples(text: str, table: str) -> list[str]:
    """Entries of a table that a manual page shows, as they are pasted."""
    found = re.findall(rf"^    (\[\[?{table}\]\]?\n(?:    +\S.*\n)+)", text, re.MULTILINE)
    return [re.sub(r"^    ", "", example, flags=re.MULTILINE) for example in found]


def test_the_entries_that_the_manual_shows_make_a_bench_file(tmp_path: Path) -> None:
    """Each table has one; together they read, data sheet and all."""
    text = reference_text(bench_schema())
    tables = [examples(text, name) for name in ("instrument", "standard", "group", "record")]
    assert [len(found) for found in tables] == [1, 1, 1, 1]
    path = tmp_path / "bench.toml"
    path.write_text("\n".join(one for found in tables for one in found), encoding="utf-8")
    bench = read_bench(path)
    assert [line.statement for line in bench.instruments["MA-01"].accuracy] == [
        "1 % + 5",
        "0.5 % + 2",
        "0.8 % + 2",
    ]
    assert bench.record.copies == ("/media/stick",)


def test_the_entries_that_the_manual_shows_make_a_plan(tmp_path: Path) -> None:
    text = reference_text(plan_schema())
    check = next(one for one in examples(text, "check") if 'kind = "supply"' in one)
    tables = [examples(text, name) for name in ("project", "part", "hold", "substitution")]
    path = tmp_path / "plan.toml"
    path.write_text("\n".join([*(found[0] for found in tables), check]), encoding="utf-8")
    plan = read_plan(path)
    assert (list(plan.parts), list(plan.checks), list(plan.holds)) == (["T1"], ["C01"], ["H1"])


def test_the_manual_names_what_a_kind_can_limit() -> None:
    text = " ".join(reference_text(plan_schema()).split())
    assert "limits, fixed before the reading, of no_load_voltage in V, source_resistance in ohm" in text
    assert "limits, fixed before the reading, of voltage in V, current in A, resistance in ohm" in text


def test_the_entries_of_the_page_on_instruments_make_a_bench_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With a second meter, which the group names."""
    assert main(["manual", "instruments"]) == 0
    text = capsys.readouterr().out
    tables = [*examples(text, "instrument"), *examples(text, "group")]
    path = tmp_path / "bench.toml"
    path.write_text("\n".join([*tables, '[[instrument]]\ntag = "MB-02"']), encoding="utf-8")
    bench = read_bench(path)
    assert len(bench.instruments["MA-01"].accuracy) == 2
    assert bench.groups[0].meters == ("MA-01", "MB-02")


def test_the_overview_lists_every_other_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual"]) == 0
    overview = capsys.readouterr().out
    for page in PAGES:
        assert re.search(rf"^  {page} +\S", overview, re.MULTILINE), page
