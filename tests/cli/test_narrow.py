"""On narrow screens lines end between words, and what can be copied still works as one command."""

from __future__ import annotations

import os
import re
import shlex
from contextlib import suppress

import pytest

from benchlog import folding
from benchlog.cli import COMMANDS, main
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
    pages = []
    for columns in ("400", "40"):
        monkeypatch.setenv("COLUMNS", columns)
        with suppress(SystemExit):
            main(words)
        pages.append(capsys.readouterr().out.splitlines())
    whole, narrow = pages
    # Longer are only single words, and lines of a file or script, which are copied as they are.
    left = [line for line in narrow if len(line) > 40 and len(line.split()) > 1]
    assert all(line in whole and line.startswith("  ") for line in left)


@pytest.mark.skipif(os.name == "nt", reason="a backslash joins no lines in PowerShell")
@pytest.mark.parametrize("command", COMMANDS)
def test_examples_stay_commands_that_can_be_copied(
    command: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pasted as they are shown, they give the same words at every width."""
    found = []
    for columns in ("120", "40"):
        monkeypatch.setenv("COLUMNS", columns)
        main(["manual", command])
        shown = re.sub(r" \\\n\s+", " ", capsys.readouterr().out)
        commands = [line for line in shown.splitlines() if line.startswith("  benchlog ")]
        found.append([re.split(r"\s{2,}", line.strip())[0] for line in commands])
    assert found[0] == found[1]


@pytest.mark.parametrize("columns", [40, 400])
def test_where_no_shell_joins_lines_a_command_stays_in_one(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In PowerShell a backslash at the end of a line is an error."""
    monkeypatch.setattr(folding, "_JOINS", False)
    text = 'Example:\n  benchlog supply --nameplate "24 V ac" \\\n      --reading "27.8 V ac"'
    whole = '  benchlog supply --nameplate "24 V ac" --reading "27.8 V ac"'
    assert folding.folded(text, columns) == f"Example:\n{whole}"


@pytest.mark.parametrize("columns", ["36", "40", "60", "80"])
def test_no_line_ends_inside_a_quantity(
    columns: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    words = [
        "supply",
        "--nameplate",
        "24 V ac 40 VA",
        "--reading",
        "29.30 V ac",
        "--mains",
        "236 V",
        "--no-record",
    ]
    for more in ([], ["--long"], ["--load", "15 ohm", "--loaded", "24.70 V ac", "--capacitor", "35 V"]):
        main([*words, *more])
        lines = capsys.readouterr().out.splitlines()
        assert all(len(line) <= int(columns) for line in lines)
        torn = re.compile(r"(\d\n\s*(±|[mµ]?V\b|%|Ω|W\b)|%\n\s*\+ \d|[±+]\n\s*\d)")
        assert not torn.search("\n".join(lines))


@pytest.mark.skipif(os.name == "nt", reason="a backslash joins no lines in PowerShell")
def test_the_command_of_an_advice_can_be_copied(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    main(["crosscheck", "--reading", "A=12.05 V dc", "--reading", "B=0.02 V dc", "--accuracy", "A=1 % + 5",
          "--accuracy", "B=1 % + 5", "--no-record", "--long"])  # fmt: skip
    out = capsys.readouterr().out
    command = out[out.index("  benchlog diagnose") :].partition("\n  !")[0].replace("\\\n", "")
    assert shlex.split(command.partition("\n")[0])[:6] == [
        "benchlog", "diagnose", "--expect", "12.05 V dc", "--reading", "0.02 V dc"]  # fmt: skip


def test_a_command_has_the_exit_statuses_that_its_page_lists(
    tmp_path: os.PathLike[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["new", "kiln"]) == 0
    cases = [
        (["diagnose", "--expect", "27 V ac", "--reading", "0.003 V ac", "--no-record"], 0, "no verdict"),
        (["release", "kiln/plan.toml", "H1"], 1, "evidence is missing"),
        (["winding", "--core", "25x15x10", "--turns", "600", "--wire", "AWG 14"], 2, "bad input"),
        (["status", "kiln/plan.toml"], 3, "not done"),
        (["supply", "--nameplate", "24 V ac", "--reading", "60 V ac", "--no-record"], 1, "failed"),
        (["record", "verify", "--logbook", "kiln/plan.toml"], 5, "not intact"),
    ]
    for words, code, meaning in cases:
        assert main(words) == code
        capsys.readouterr()
        main(["manual", words[0]])
        statuses = capsys.readouterr().out.partition("exit status:")[2].partition("files:")[0]
        assert any(meaning in line for line in statuses.splitlines() if line.split()[:1] == [str(code)])
    main(["manual", "diagnose"])
    end = capsys.readouterr().out.partition("exit status:")[2]
    assert "failed" not in end
    assert "bench.toml" in end
    assert "plan.toml" not in end  # it takes none


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
