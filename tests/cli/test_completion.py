"""Completion and manual come out of the commands' own parsers, every option of every command."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchlog.cli import COMMANDS, main
from benchlog.cli.manual import WIDTH, page_text
from benchlog.cli.parsers import Page, command_pages


@pytest.fixture(scope="module")
def pages() -> list[Page]:
    return [page for command in COMMANDS for page in command_pages(command)]


def script(shell: str, capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["completion", shell]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_every_option_of_every_command_is_in_it(
    shell: str, pages: list[Page], capsys: pytest.CaptureFixture[str]
) -> None:
    text = script(shell, capsys)
    for page in pages:
        for word in page.options:
            for name in word.names:
                shown = f"-l {name[2:]}" if shell == "fish" and name.startswith("--") else name
                assert shown in text, (page.name, name)


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_itself_takes_it(shell: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed")
    file = tmp_path / "completion"
    file.write_text(script(shell, capsys), encoding="utf-8")
    dry = "--no-execute" if shell == "fish" else "-n"
    subprocess.run([program, dry, str(file)], check=True, capture_output=True)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (["benchlog", "sup"], {"supply"}),
        (["benchlog", "supply", "--cap"], {"--capture", "--capacitor"}),
        (["benchlog", "record", "ver"], {"verify"}),
        (["benchlog", "record", "verify", "--he"], {"--help", "--head"}),
        (["benchlog", "completion", ""], {"bash", "zsh", "fish"}),
        (["benchlog", "run", "pl"], {"plan.toml"}),
        (["benchlog", "supply", "--capture", "pl"], {"plan.toml"}),
        (["benchlog", "supply", "--nameplate", ""], set()),
        (["benchlog", "run", "plan.toml", "--st"], {"--standards"}),
    ],
)
def test_bash_completes(
    line: list[str], expected: set[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("bash is not installed")
    (tmp_path / "plan.toml").touch()
    words = " ".join(f"'{word}'" for word in line)
    asked = f'{script("bash", capsys)}\nCOMP_WORDS=({words}); COMP_CWORD={len(line) - 1}; _benchlog\nprintf "%s\\n" "${{COMPREPLY[@]}}"'
    done = subprocess.run([bash, "-c", asked], check=True, capture_output=True, text=True, cwd=tmp_path)
    assert set(done.stdout.split()) == expected


def test_pages_fit_a_terminal_and_name_every_option(pages: list[Page]) -> None:
    for command in COMMANDS:
        text = page_text(command)
        for page in pages:
            if page.name[0] == command:
                for word in page.words:
                    assert (word.names[0] if word.names else word.value) in text
        described = text.partition("DESCRIPTION")[2].partition("\n\nOPTIONS")[0]
        loose = [line for line in text.splitlines() if line not in described.splitlines()]
        assert max(map(len, loose)) <= WIDTH


def test_the_overview_lists_all_commands_and_exit_codes() -> None:
    text = page_text(None)
    for command in COMMANDS:
        assert f"\n    {command} " in text
    assert "indeterminate" in text


@pytest.mark.parametrize("command", [None, *COMMANDS])
def test_manual_pages_are_sound_for_man(command: str | None) -> None:
    """No line begins with a sign that man would take for an order, all orders are known ones."""
    orders = {".TH", ".SH", ".PP", ".TP", ".nf", ".fi"}
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
        text=True,
        check=False,
    )
    assert not [line for line in done.stderr.splitlines() if "can't find special character" not in line]


def test_both_answer_in_json_too(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["manual", "supply"], ["completion", "bash"]):
        assert main([*words, "--json"]) == 0
        assert json.loads(capsys.readouterr().out)["schema"].startswith("benchlog.")


def test_help_of_the_program_loads_none_of_it() -> None:
    """The list of commands is a table: asking for it imports no command."""
    code = (
        "import sys\nfrom benchlog.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in sys.modules if m.startswith('benchlog.cli.') or m == 'numpy'])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.splitlines()[-1] == "[]"
