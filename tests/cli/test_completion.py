"""Completion and manual come out of the commands' own parsers, every option of every command."""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.cli import COMMANDS, build_parser, main
from benchlog.cli.completion import SHELLS, completion_script, every_parser
from benchlog.cli.manual import page_text


def options(*commands: str) -> Iterator[str]:
    """Every long option of these commands and of their own commands."""
    for parser in every_parser(build_parser(*commands)):
        for action in parser._actions:
            if action.help != argparse.SUPPRESS:
                yield from (name for name in action.option_strings if name.startswith("--"))


@pytest.mark.parametrize("shell", SHELLS)
def test_every_option_of_every_command_is_in_it(shell: str) -> None:
    text = completion_script(shell)
    for command in COMMANDS:
        assert command in text
    for name in options(*COMMANDS):
        shown = f"-l {name[2:]}" if shell == "fish" else name
        assert shown in text, name


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_itself_takes_it(shell: str, tmp_path: Path) -> None:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    file = tmp_path / "completion"
    file.write_text(completion_script(shell), encoding="utf-8")
    dry = "--no-execute" if shell == "fish" else "-n"
    subprocess.run([program, dry, str(file)], check=True, capture_output=True)


def test_powershell_completes(tmp_path: Path) -> None:
    """Asked as the shell asks: the text typed so far, and where the cursor is."""
    program = shutil.which("pwsh") or shutil.which("powershell")
    sums = [program or "none", "-NoProfile", "-Command", "40 + 2"]
    if program is None or b"42" not in subprocess.run(sums, check=False, capture_output=True).stdout:
        pytest.skip("no PowerShell is installed")
    script = tmp_path / "asked.ps1"
    script.write_text(
        f"{completion_script('powershell')}\n"
        "(TabExpansion2 'benchlog sup' 12).CompletionMatches | ForEach-Object { $_.CompletionText }\n",
        encoding="utf-8-sig",
    )
    done = subprocess.run(
        [program, "-NoProfile", "-ExecutionPolicy", "Bypass", "-File", str(script)],
        check=True,
        capture_output=True,
        encoding="utf-8",
    )
    assert done.stdout.split() == ["supply"]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (["benchlog", "sup"], {"supply"}),
        (["benchlog", "supply", "--cap"], {"--capture", "--capacitor"}),
        (["benchlog", "record", "ver"], {"verify"}),
        (["benchlog", "record", "verify", "--he"], {"--help", "--head", "--heads"}),
        (["benchlog", "completion", ""], set(SHELLS)),
        (["benchlog", "run", "pl"], {"plan.toml"}),
        (["benchlog", "supply", "--capture", "pl"], {"plan.toml"}),
        (["benchlog", "supply", "--nameplate", ""], set()),
        (["benchlog", "run", "plan.toml", "--st"], {"--standards"}),
    ],
)
def test_bash_completes(line: list[str], expected: set[str], tmp_path: Path) -> None:
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("bash is not installed")
    (tmp_path / "plan.toml").touch()
    words = " ".join(f"'{word}'" for word in line)
    asked = (
        f"{completion_script('bash')}\nCOMP_WORDS=({words}); COMP_CWORD={len(line) - 1}\n"
        f"_shtab_benchlog benchlog '{line[-1]}'\nprintf '%s\\n' \"${{COMPREPLY[@]}}\""
    )
    done = subprocess.run(
        [bash, "-c", asked], check=True, capture_output=True, encoding="utf-8", cwd=tmp_path
    )
    assert set(done.stdout.split()) == expected


@pytest.mark.parametrize("command", COMMANDS)
def test_pages_name_every_option_and_fit_the_terminal(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    text, roff = page_text(command), page_text(command, roff=True).replace("\\-", "-")
    for name in options(command):
        if name != "--version":
            assert name in text
            assert name in roff or name == "--help"
    monkeypatch.setenv("COLUMNS", "90")
    written = [line for line in page_text(command).splitlines() if not line.startswith("  benchlog ")]
    examples = sys.modules[f"benchlog.cli.{command}"].__doc__ or ""
    assert all(len(line) <= 90 or line in examples for line in written)


def test_the_overview_lists_all_commands_and_exit_codes() -> None:
    text, roff = page_text(None), page_text(None, roff=True)
    for command in COMMANDS:
        assert f"\n  {command} " in text
        assert command in roff
    assert "indeterminate" in text
    assert "indeterminate" in roff


@pytest.mark.parametrize("command", [None, *COMMANDS])
def test_manual_pages_lose_no_line_in_man(command: str | None) -> None:
    """No line begins with a sign that man would take for a request, all requests are known ones."""
    orders = {".TH", ".SH", ".PP", ".TP", ".nf", ".fi", ".B", ".SS", ".RS", ".RE"}
    for line in page_text(command, roff=True).splitlines():
        assert not line.startswith("'")
        if line.startswith("."):
            assert line.split()[0] in orders


def test_groff_has_no_complaint(tmp_path: Path) -> None:
    groff = shutil.which("groff")
    if groff is None:
        pytest.skip("groff is not installed")
    assert main(["manual", "--out", str(tmp_path)]) == 0
    names = sorted(p.name for p in tmp_path.iterdir())
    assert len(names) == len(COMMANDS) + 1
    done = subprocess.run(
        [groff, "-man", "-Tascii", "-ww", "-z", *(str(tmp_path / n) for n in names)],
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    known = ("can't find special character", "cannot break line", "can't break line", "cannot adjust line")
    assert not [line for line in done.stderr.splitlines() if not any(k in line for k in known)]


def test_both_answer_in_json_too(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["manual", "supply"], ["completion", "bash"]):
        assert main([*words, "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["schema"].startswith("benchlog.")


def test_help_of_the_program_loads_none_of_it() -> None:
    """The list of commands is a table: asking for it imports no command."""
    code = (
        "import sys\nfrom benchlog.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in sys.modules if m.startswith('benchlog.cli.') and m != 'benchlog.cli.parser' or m == 'numpy'])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, encoding="utf-8")
    assert done.stdout.splitlines()[-1] == "[]"
