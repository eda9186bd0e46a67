"""On narrow screens lines end between words, and what can be copied still works as one command."""

from __future__ import annotations

import os
import shlex
from contextlib import suppress

import pytest

from benchlog.cli import main
from benchlog.cli.ask import ask
from benchlog.errors import ConfigError


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--help"],
        ["inductance", "--help"],
        ["manual", "plan"],
        ["manual", "bench"],
        ["manual", "pattern"],
        ["manual", "instruments"],
        ["manual", "verify"],
        ["manual", "python"],
        ["manual", "ratio"],
    ],
)
def test_help_breaks_no_word_at_40_columns(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    with suppress(SystemExit):
        main(words)
    wide = [line for line in capsys.readouterr().out.splitlines() if len(line) > 40]
    assert all(len(line.split()) == 1 for line in wide)  # one word that is longer by itself


@pytest.mark.skipif(os.name == "nt", reason="a backslash joins no lines in PowerShell")
def test_the_command_line_of_the_questions_is_one_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    said: list[str] = []
    answers = iter(["24 V ac 40 VA", "27.75 V ac", "", "236 V"])
    words = ask(["supply"], lambda text: next(answers), said.append)
    command = said[-1].partition("\n")[2]
    assert max(map(len, command.splitlines())) <= 40
    assert shlex.split(command.replace("\\\n", "")) == ["benchlog", *words]


def test_a_mistyped_plan_is_named(
    tmp_path: os.PathLike[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["new", "kiln"]) == 0
    monkeypatch.chdir(os.path.join(tmp_path, "kiln"))
    capsys.readouterr()
    assert main(["status", "plan.tml"]) == ConfigError.exit_code
    assert "did you mean plan.toml?" in capsys.readouterr().err
    assert main(["status"]) == 3  # nothing done yet


def test_a_file_that_is_not_a_logbook_is_not_praised(
    tmp_path: os.PathLike[str], capsys: pytest.CaptureFixture[str]
) -> None:
    path = os.path.join(tmp_path, "hello.logbook")
    with open(path, "w", encoding="utf-8") as file:
        file.write("hello, this is a text file and not a database\n")
    assert main(["record", "verify", "--logbook", path]) == 5
    said = " ".join(capsys.readouterr().out.split())
    assert "is not a logbook" in said
    assert "can be read" not in said


def test_the_record_is_listed_in_two_lines_each(
    tmp_path: os.PathLike[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "40")
    assert main(["record", "note", "bench wiped down"]) == 0
    capsys.readouterr()
    assert main(["record", "list"]) == 0
    said = capsys.readouterr().out
    assert "bench wiped down" in said
    assert max(map(len, said.splitlines())) <= 40


def test_the_manual_lists_what_can_be_given_as_evidence(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual", "diagnose"]) == 0
    said = capsys.readouterr().out
    assert "  fresh_cell: the reading with its unit" in said
    assert "measure a fresh" in said
