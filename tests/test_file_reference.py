"""Every key of plan and bench files is described, in the schemas and in the manual; the examples are plans that read."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from benchlog.bench import bench_schema
from benchlog.cli import main
from benchlog.file_reference import reference_text
from benchlog.plan import plan_schema, read_plan


def keys(schema: dict[str, Any]) -> list[tuple[str, str, dict[str, Any]]]:
    """All keys of all tables."""
    return [
        (name, key, entry)
        for name, struct in schema["$defs"].items()
        if not name.startswith("_") and name != "LimitText"
        for key, entry in struct.get("properties", {}).items()
        if key not in ("kind", "take") or "enum" not in entry
    ]


@pytest.mark.parametrize("schema", [plan_schema(), bench_schema()], ids=["plan", "bench"])
def test_every_key_has_a_description(schema: dict[str, Any]) -> None:
    assert [f"{name}.{key}" for name, key, entry in keys(schema) if not entry.get("description")] == []


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
    for example in examples:
        body = re.sub(r"^    ", "", example, flags=re.MULTILINE)
        path = tmp_path / "plan.toml"
        path.write_text(f'[project]\nname = "x"\n[[part]]\ntag = "T1"\n{body}', encoding="utf-8")
        assert list(read_plan(path).checks) == ["C01"], example
