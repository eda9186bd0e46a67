"""Check standards on the command line: records, charts, recalls, and takes a recall back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from benchlog.cli import main
from benchlog.clock import SystemClock
from benchlog.finding import FindingKind
from benchlog.logbook import Logbook

BENCH = """
[[instrument]]
tag = "MB-02"
[[instrument.accuracy]]
function = "V="
statement = "0.8 % + 2"
[[instrument.accuracy]]
function = "V~"
statement = "1.2 % + 5"
[[standard]]
tag = "CS-3"
value = "5.000 V dc"
uncertainty = "0.05 %"
function = "V="
[[standard]]
tag = "CS-2"
value = "10.000 kohm"
uncertainty = "0.1 %"
function = "ohm"
"""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a bench file, and nothing in the environment."""
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BENCHLOG_LOGBOOK", raising=False)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    """Run a command with --json."""
    code = main([*words, "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_the_answer_is_short_and_keeps_every_warning(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Verdict, scale, what was read, each warning of the chart, entry; the table waits for --long."""
    monkeypatch.setenv("COLUMNS", "100")
    assert main(["standard", "MB-02", "CS-3", "5.01 V dc"]) == 0
    first = capsys.readouterr().out.splitlines()
    assert len(first) == 4
    assert first[2] == "  MB-02 shows 5.01 V dc on CS-3, 5.000 V: within its specification"
    assert main(["standard", "MB-02", "CS-3", "5.05 V dc"]) == 0
    said = capsys.readouterr().out
    assert "chart alarm" in said
    assert "close to the limit" in said
    assert main(["standard", "MB-02", "CS-3", "5.01 V dc", "--long"]) == 0
    assert "difference" in capsys.readouterr().out


def test_the_story_of_a_sagging_battery(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """5.01, 5.05, 5.19 V on 5.000 V, with a supply check between: chart, E_n, recall, as left, undone."""
    code, first = run(capsys, "standard", "MB-02", "CS-3", "5.01 V dc")
    assert (code, round(first["quantities"]["e_n"]["value"], 2), first["verdict"]) == (0, 0.14, "pass")
    assert first["limits"]["e_n"]["high"] == 1.0
    code, second = run(capsys, "standard", "MB-02", "CS-3", "5.05 V dc")
    assert (code, round(second["quantities"]["e_n"]["value"], 2)) == (0, 0.72)
    assert second["details"]["chart"]["signal"] == "act"
    supply = ["supply", "--nameplate", "24 V ac 40 VA", "--mains", "231 V", "--mains-nominal", "230 V"]
    assert main([*supply, "--reading", "27.5 V ac", "--meter", "MB-02", "--part", "T1"]) == 0
    capsys.readouterr()
    code, third = run(capsys, "standard", "MB-02", "CS-3", "5.19 V dc")
    assert (code, round(third["quantities"]["e_n"]["value"], 2), third["verdict"]) == (1, 2.67, "fail")
    assert [r["class"] for r in third["recall"]["results"]] == ["measure again"]
    code, left = run(capsys, "standard", "MB-02", "CS-3", "5.01 V dc", "--as-left")
    assert code == 0
    assert left["findings"] == ["as found E_n 2.67, as left 0.14"]
    with Logbook.open(bench / "bench.logbook", clock=SystemClock(), mode="ro", create=False) as book:
        recall = next(iter(book.entries("recall"))).seq
    code, _ = run(
        capsys, "standard", "MB-02", "--undo-recall", str(recall), "--reason", "wrong reference used"
    )
    assert code == 0
    code, again = run(capsys, "standard", "MB-02", "--undo-recall", str(recall), "--reason", "twice")
    assert code == 2
    assert "already" in again["error"]
    assert main(["record", "verify"]) == 0


def test_a_second_failure_recalls_nothing_twice(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two failing readings in a row: the second recall has nothing new to say."""
    supply = ["supply", "--nameplate", "24 V ac 40 VA", "--mains", "231 V", "--mains-nominal", "230 V"]
    main([*supply, "--reading", "27.5 V ac", "--meter", "MB-02"])
    capsys.readouterr()
    _, first = run(capsys, "standard", "MB-02", "CS-3", "5.19 V dc")
    _, second = run(capsys, "standard", "MB-02", "CS-3", "5.19 V dc")
    assert len(first["recall"]["results"]) == 1
    assert second["recall"]["results"] == []


def test_a_recall_by_hand_after_a_diagnosis(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A diagnosis that blames the meter recalls what it measured."""
    supply = ["supply", "--nameplate", "24 V ac 40 VA", "--mains", "231 V", "--mains-nominal", "230 V"]
    main([*supply, "--reading", "27.5 V ac", "--meter", "MB-02"])
    capsys.readouterr()
    words = ["MB-02", "--function", "V~", "--error", "8 %", "--json"]
    assert main(["standard", *words, "--bad", "gain drift"]) == 0  # as it was before `recall`
    out, err = capsys.readouterr()
    assert [r["class"] for r in json.loads(out)["results"]] == ["measure again"]
    assert "benchlog recall MB-02" in err
    assert main(["recall", *words, "--reason", "gain drift"]) == 0
    assert json.loads(capsys.readouterr().out)["schema"] == "benchlog.recall/1"


def test_nothing_is_written_without_recording(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--no-record judges against what is there and leaves no file."""
    code, _ = run(capsys, "standard", "MB-02", "CS-3", "5.01 V dc", "--no-record")
    assert code == 0
    assert not (bench / "bench.logbook").exists()


def test_the_round_asks_for_every_standard(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The start-of-session round: each standard in turn, an empty answer leaves one out."""
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("5.01\n\n"))
    assert main(["standard", "MB-02", "--json"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [json.loads(line)["details"]["standard"] for line in lines] == ["CS-3"]


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["MB-02", "CS-9", "5 V dc"], "no check standard"),
        (["MX-09", "CS-3", "5.01 V dc"], "no instrument"),
        (["MB-02", "CS-3", "OL"], "no number"),
        (["MB-02", "CS-3", "5.01 ohm"], "ohm"),
        (["MB-02", "CS-3"], "no link"),
        (["MB-02", "CS-7", "5 V dc", "--nominal", "0 V dc"], "can't be used"),
        (["MB-02", "--undo-recall", "3"], "reason"),
        (["MB-02", "--bad", "x", "--function", "W"], "no function"),
    ],
)
def test_slips_end_in_one_clear_error(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], problem: str
) -> None:
    """Exit 2 and a message that names the value."""
    code, answer = run(capsys, "standard", *words)
    assert code == 2
    assert problem in answer["error"]


def test_what_nobody_stated_of_meter_and_standard_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """1.601 V against "1.602 V" passes by 2 % + 10 counts and an exact standard, both assumed."""
    monkeypatch.chdir(tmp_path)  # no bench file there
    words = ("standard", "MX", "CELL", "1.601 V dc", "--nominal", "1.602 V dc")
    code, found = run(capsys, *words)
    assert code == 0
    assert set(found["finding_kinds"]) == {FindingKind.ACCURACY, FindingKind.ASSUMPTION}
    code, found = run(capsys, *words, "--accuracy", "0.5 % + 2", "--uncertainty", "0.1 %")
    assert not {FindingKind.ACCURACY, FindingKind.ASSUMPTION} & set(found["finding_kinds"])
