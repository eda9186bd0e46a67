"""README.md says what is true: its commands run and print what stands there."""

from __future__ import annotations

import re
import shlex
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


@pytest.mark.parametrize(("command", "shown"), examples(), ids=lambda value: value[:30])
def test_an_example_prints_what_is_shown(command, shown, tmp_path, monkeypatch, capsys):
    """Every number and word of the output shown is what the command prints today."""
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.chdir(README.parent)
    program, *arguments = shlex.split(command)
    assert program == "benchlog"
    main([*arguments, "--logbook", str(tmp_path / "x.logbook"), "--no-record"])
    assert words(capsys.readouterr().out) == words(shown)


def test_every_command_named_exists():
    """What README calls `benchlog something` is a command."""
    named = set(re.findall(r"(?<!import )benchlog ([a-z]+)\b", README.read_text(encoding="utf-8")))
    plain_words = {"guides", "is", "never", "and", "says"}
    assert named - plain_words <= set(COMMANDS)


def test_the_first_lines_hold_two_commands():
    """Set-up, demo and tests are one line each."""
    text = README.read_text(encoding="utf-8")
    for marker in ("demo", "tests"):
        (block,) = re.findall(rf"<!-- {marker} -->\n```sh\n(.*?)```", text, re.DOTALL)
        assert len(block.strip().split("\n")) == 1


def rewrite() -> None:
    """Put what the commands print today under each command; run ``python tests/test_readme.py`` after a change."""
    import os
    import subprocess
    import sys

    text = README.read_text(encoding="utf-8")
    environ = {**os.environ, "COLUMNS": "100"}
    for command, shown in examples():
        _, *arguments = shlex.split(command)
        done = subprocess.run(
            [sys.executable, "-m", "benchlog", *arguments, "--no-record"],
            cwd=README.parent,
            env=environ,
            capture_output=True,
            encoding="utf-8",
            check=False,
        )
        text = text.replace(shown, "".join(f"{line.rstrip()}\n" for line in done.stdout.splitlines()), 1)
    README.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    rewrite()
