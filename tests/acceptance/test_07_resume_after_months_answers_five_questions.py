"""After months, one view answers: what next, what is proven, which meter to trust, what was substituted, what is live."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from helpers.desk import Desk


@pytest.fixture
def left_off(demo: tuple[Path, dict[str, Any], float], tmp_path: Path) -> Desk:
    """The story up to hold point H3 on day 120, made again from the first lines of its export; 90 days have passed."""
    folder = tmp_path / "months"
    shutil.copytree(demo[0] / "exports", folder / "exports")
    lines = (folder / "exports" / "entries.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    (taken,) = [n for n, line in enumerate(lines) if '"hold":"H3"' in line and '"kind":"step"' in line]
    last = taken + 1
    (folder / "exports" / "entries.jsonl").write_text("".join(lines[:last]), encoding="utf-8")
    readings = (folder / "exports" / "readings.jsonl").read_text(encoding="utf-8").splitlines(keepends=True)
    kept = [line for line in readings if int(re.search(r'"entry":(\d+)', line)[1]) <= last]  # type: ignore[index]
    (folder / "exports" / "readings.jsonl").write_text("".join(kept), encoding="utf-8")
    desk = Desk(folder, (demo[0] / "bench.toml").read_text(encoding="utf-8"), start="2026-06-30T12:00:00Z")
    shutil.copy(demo[0] / "plan.toml", folder / "plan.toml")
    assert desk.run("record", "import", folder / "exports").code == 0
    desk.days(90)
    return desk


def test_a_stand_in_finds_the_five_answers_on_the_screen(left_off: Desk) -> None:
    """Only the text of `status` is read, each answer by the words a person would look for; it fits one screen of 50."""
    said = left_off.run("status", left_off.folder / "plan.toml")
    lines = said.out.splitlines()
    assert len(lines) <= 50
    text = said.words
    (next_line,) = [line for line in lines if line.startswith("next:")]
    assert "C15" in next_line
    assert "SR1" in next_line
    proven = [re.split(r"\s+", line)[0] for line in lines if re.match(r"C\d+b?\s+T1\s+● passed", line)]
    assert proven == ["C01", "C02", "C03", "C04", "C04b", "C05"]
    assert re.search(r"meter MA-01: check first", text)
    assert re.search(r"meter MB-02: check first", text)
    assert "substituted: REC: EC-1000-63" in text
    assert re.search(r"can store energy: REC .*1000 µF", text)
    assert "after the last session:" in text
    assert re.search(r"hold H3: taken", text)


def test_the_view_comes_at_once(left_off: Desk) -> None:
    """30 s are for the person; the command itself has 2 s, on a busy machine too."""
    import time

    began = time.perf_counter()
    left_off.run("status", left_off.folder / "plan.toml")
    assert time.perf_counter() - began < 2.0
