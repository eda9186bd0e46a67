"""README.md says what is true: its commands run and print what it shows."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from benchlog.cli import COMMANDS, main

README = Path(__file__).parents[1] / "README.md"


def examples() -> list[tuple[str, str]]:
    """Commands of the console blocks with the output shown below each."""
    found = []
    for block in re.findall(r"```console\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            lines = part.split("\n")
            count = 1
            while lines[count - 1].endswith("\\"):
                count += 1
            command = " ".join(line.removeprefix("> ").rstrip("\\").strip() for line in lines[:count])
            found.append((command, "\n".join(lines[count:])))
    return found


def words(text: str) -> list[str]:
    """The words of a text, wherever its lines break."""
    return text.split()


def printed(command: str, capsys: pytest.CaptureFixture[str]) -> str:
    """What a command of README prints."""
    program, *arguments = shlex.split(command)
    assert program == "benchlog"
    main(arguments)
    return capsys.readouterr().out


@pytest.fixture
def new_folder(tmp_path, monkeypatch):
    """A reader's folder: the sample captures, no logbook yet."""
    shutil.copytree(README.parent / "sample_captures", tmp_path / "sample_captures")
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.chdir(tmp_path)


def test_the_examples_print_what_is_shown(new_folder, capsys):
    """Every number and word of the output shown is what the commands print today, one after the other."""
    for command, shown in examples():
        assert words(printed(command, capsys)) == words(shown), command


def test_every_command_named_exists():
    """What README calls `benchlog something` is a command."""
    named = set(re.findall(r"(?<!import )benchlog ([a-z]+)\b", README.read_text(encoding="utf-8")))
    plain_words = {"uses", "is", "never", "and", "says", "reads"}
    assert named - plain_words <= set(COMMANDS)


def test_the_first_lines_hold_two_commands():
    """Set-up, demo and tests are one line each."""
    text = README.read_text(encoding="utf-8")
    for marker in ("demo", "tests"):
        (block,) = re.findall(rf"<!-- {marker} -->\n```sh\n(.*?)```", text, re.DOTALL)
        assert len(block.strip().split("\n")) == 1


def rewrite() -> None:
    """Put what the commands print today under each command; run ``python tests/test_readme.py`` after a change."""
    text = README.read_text(encoding="utf-8")
    environ = {**os.environ, "COLUMNS": "100"}
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(README.parent / "sample_captures", Path(folder) / "sample_captures")
        for command, shown in examples():
            done = subprocess.run(
                [sys.executable, "-m", "benchlog", *shlex.split(command)[1:]],
                cwd=folder,
                env=environ,
                capture_output=True,
                encoding="utf-8",
                check=False,
            )
            text = text.replace(shown, "".join(f"{line.rstrip()}\n" for line in done.stdout.splitlines()), 1)
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    rewrite()
