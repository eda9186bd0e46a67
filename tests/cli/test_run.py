"""benchlog run: over a pipe, with a file of answers, with --json; on the simulated bench."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import pytest
from helpers.plan_text import hold, part, plan_text, reading_check

import benchlog
from benchlog.cli import main

PLAN = plan_text(
    part("R1"),
    reading_check(
        "C01", "A=", high="0.6 A", part="R1", title="shunt current", hookup="meter in series with R1"
    ),
    reading_check("C02", "V=", low="4.7 V", high="5.3 V", part="R1", title="drop", expect="5.00 V"),
    hold("H1", "solder R1 in", "C01", "C02"),
)
BENCH = """
[[instrument]]
tag = "MB-02"
accuracy = [ { function = "V=", statement = "0.8 % + 2" }, { function = "A=", statement = "1.5 % + 3" } ]
"""
ANSWERS = ["# today", "C01/current: 0.500", "C02/voltage/jacks: y", "C02/voltage: 5.02"]
CLOSE = ["close/left: nothing", "close/next: release H1"]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project folder of its own."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    return tmp_path


def answered(folder: Path, *lines: str) -> str:
    (folder / "answers.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return "answers.txt"


def piped(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_a_file_of_answers_runs_the_whole_plan(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "plan.toml", "--answers", answered(folder, *ANSWERS, *CLOSE)]) == 0
    shown = capsys.readouterr().out
    assert "MB-02: dial A=; red current jack" in shown
    assert shown.index("limits: current") < shown.index("meter in series with R1")
    assert "MB-02 shows 5.02 V (V=): taken" in shown
    assert main(["release", "plan.toml", "H1"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.index("prove it dead; local rules and licensed practice come first") < said.index(
        "H1 released"
    )
    assert main(["release", "plan.toml", "H1"]) == 2
    assert "H1 is released already (entry" in capsys.readouterr().err


def test_the_same_over_a_plain_pipe(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    piped(monkeypatch, "", "0.500", "y", "5.02", "", "release H1")
    assert main(["run", "plan.toml"]) == 0
    shown = capsys.readouterr().out
    assert "\x1b" not in shown
    assert "\a" not in shown
    with benchlog.open("bench.logbook") as book:
        assert list(book.readings()["displayed"]) == ["0.500 A", "5.02 V"]
        assert list(book.results()["verdict"]) == ["pass", "pass"]


def test_over_a_pipe_words_at_a_hook_up_are_not_enter(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    piped(monkeypatch, "wait, not yet", "?", "", "0.500", "y", "5.02", "", "")
    assert main(["run", "plan.toml"]) == 0
    shown = capsys.readouterr().out
    assert "'wait, not yet' does not answer this" in shown
    assert "Enter alone when it is done" in shown
    assert shown.count("meter in series with R1 [") == 3


def test_answers_from_standard_input(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    piped(monkeypatch, *ANSWERS, *CLOSE)
    assert main(["run", "plan.toml", "--answers", "-"]) == 0
    assert "MB-02 shows 5.02 V (V=): taken" in capsys.readouterr().out


def test_with_json_only_results_are_on_standard_output(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One result a line; questions and cards go to standard error."""
    main(["run", "plan.toml", "--json", "--answers", answered(folder, *ANSWERS, *CLOSE)])
    captured = capsys.readouterr()
    results = [json.loads(line) for line in captured.out.splitlines()]
    assert [r["check_id"] for r in results] == ["C01", "C02"]
    assert all(r["schema"] == "benchlog.result/1" for r in results)
    assert "meter in series" in captured.err


def test_input_that_ends_exits_2_and_goes_on(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    piped(monkeypatch, "", "0.500")
    assert main(["run", "plan.toml"]) == 2
    assert "run the same command to continue" in capsys.readouterr().err
    piped(monkeypatch, "y", "5.02", "", "")
    assert main(["run", "plan.toml"]) == 0


def test_stop_keeps_the_session_open_for_a_script(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    piped(monkeypatch, "", "0.500", "q")
    assert main(["run", "plan.toml"]) == 3
    piped(monkeypatch, "y", "5.02", "", "")
    assert main(["run", "plan.toml"]) == 0
    with benchlog.open("bench.logbook") as book:
        kinds = list(book.entries_table()["kind"])
    assert kinds.count("session begin") == 1
    assert kinds.count("session resume") == 1


def test_a_slip_is_a_finding_for_a_script(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A tenth of what is expected: asked in words, kept as read, and the diagnosis begins."""
    lines = ["C02/voltage: 0.502", *["s", "not now"] * 40]
    main(["run", "plan.toml", "--check", "C02", "--answers", answered(folder, *lines)])
    shown = capsys.readouterr().out
    assert "a tenth of the expected value" in shown
    assert "Part or meter?" in shown


def test_no_cards_is_shorter(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["run", "plan.toml", "--no-cards", "--answers", answered(folder, *ANSWERS, *CLOSE)])
    assert "red current jack" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "code", "said", "hinted"),
    [
        (("run", "plan.toml", "--check", "C99"), 2, "C99", "C01, C02"),
        (("run", "plan.toml", "--no-record"), 2, "always records", "leave --no-record out"),
        (("run", "other.toml"), 2, "does not exist", "benchlog new"),
        (("run", "plan.toml", "--answers", "none.txt"), 2, "none.txt", "path"),
        (("run", "plan.toml", "--answers", "picture.png"), 2, "not text", "UTF-8"),
        (("manual", "--out", "plan.toml"), 2, "is a file", "--out man"),
        (("manual", "solder"), 2, "", ""),
        (("completion", "csh"), 2, "", ""),
    ],
)
def test_bad_use_is_one_clear_error(
    words: tuple[str, ...], code: int, said: str, hinted: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("picture.png").write_bytes(b"\x89PNG\r\n")
    try:
        got = main(list(words))
    except SystemExit as stopped:  # argparse reports it itself
        got = int(stopped.code or 0)
    captured = capsys.readouterr()
    assert got == code
    assert said in captured.err
    assert hinted in captured.err
    assert "Traceback" not in captured.err


def test_the_template_runs_at_once_on_the_simulated_bench(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """benchlog new, then run: hook-up and mains answered, the reading comes over a link and settles."""
    assert main(["new", "fresh"]) == 0
    monkeypatch.chdir(folder / "fresh")
    piped(monkeypatch, "", "230 V")
    assert main(["run", "plan.toml", "--check", "C01"]) == 0
    assert "Practice on the simulated bench (MA-01" in capsys.readouterr().out
    with benchlog.open("bench.logbook") as book:
        (origin,) = book.readings()["origin"]
    assert origin == "link"


def test_practice_is_not_taken_for_a_test_once_the_meters_are_real(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The bench file is edited to real meters, the logbook stays: what was practised is to do."""
    assert main(["new", "fresh"]) == 0
    monkeypatch.chdir(folder / "fresh")
    piped(monkeypatch, "", "230 V")
    assert main(["run", "plan.toml", "--check", "C01"]) == 0
    capsys.readouterr()
    main(["status", "plan.toml", "--json"])
    assert json.loads(capsys.readouterr().out)["checks"][0]["state"] == "passed"
    bench = Path("bench.toml")
    bench.write_text(re.sub(r'"sim:[^"]*"', '"typed:"', bench.read_text(encoding="utf-8")), encoding="utf-8")
    main(["status", "plan.toml", "--json"])
    check = json.loads(capsys.readouterr().out)["checks"][0]
    assert (check["state"], check["reason"]) == ("due", "practised on the simulated bench, not measured yet")
    assert main(["release", "plan.toml", "H1"]) == 1
    assert "C01 to do: practised on the simulated bench" in capsys.readouterr().err
