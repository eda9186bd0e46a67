"""Commands without options ask; what was probably meant is named."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchlog.cli import _ASKING, build_parser, main
from benchlog.cli.ask import QUESTIONS, ask
from benchlog.errors import UsageError

CAPTURES = Path(__file__).parents[2] / "sample_captures"


def answers(*lines: str) -> Callable[[str], str]:
    """Somebody who types these lines."""
    left: Iterator[str] = iter(lines)

    def read(text: str) -> str:
        for line in left:
            return line
        raise EOFError

    return read


def test_every_asking_command_has_questions() -> None:
    assert tuple(QUESTIONS) == _ASKING


@pytest.mark.parametrize("command", _ASKING)
def test_every_example_is_an_answer_that_would_do(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The examples themselves give words that the command's own parser takes."""
    monkeypatch.chdir(tmp_path)
    for name in ("ct1.csv", "ct1_swapped.csv"):
        Path(name).touch()
    words = ask([command], answers(*(q.example for q in QUESTIONS[command])), lambda line: None)
    assert build_parser(command).parse_args(words).command == command


def test_four_answers_give_a_verdict_and_the_line_that_asks_nothing(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A slip is asked about again, Enter leaves out what is not known."""
    shown: list[str] = []
    words = ask(["supply"], answers("", "24 V ac 40 VA", "27.75", "27.75 V ac", "1 % + 5", ""), shown.append)
    assert "  This answer is needed." in shown
    assert any("ac or dc" in line or "unit" in line for line in shown)
    line = next(line for line in shown if line.startswith("The same without questions"))
    assert shlex.split(line.replace("\\\n", "").splitlines()[1]) == ["benchlog", *words]
    assert main([*words, "--no-record"]) == 0
    assert capsys.readouterr().out.startswith("● PASS  27.75 ± 0.38 V")


def test_a_ratio_is_asked_for_its_files() -> None:
    shown: list[str] = []
    path = str(CAPTURES / "ct1_60_turns.csv")
    words = ask(["ratio"], answers("nowhere.csv", path, "CH1", "CH2", "60", ""), shown.append)
    assert any("there is no file 'nowhere.csv'" in line for line in shown)
    assert words == ["ratio", "--capture", path, "--primary", "CH1", "--secondary", "CH2", "--expect", "60"]


def test_an_input_that_ends_is_one_clear_error() -> None:
    with pytest.raises(UsageError, match="before all questions"):
        ask(["crosscheck"], answers("27.75 V ac"), lambda line: None)


@pytest.mark.parametrize(
    ("words", "message", "hint"),
    [
        (["suply"], "there is no command 'suply'", "did you mean supply?"),
        (["supply", "--capactor", "35 V"], "there is no option '--capactor'", "did you mean --capacitor?"),
        (["record", "lst"], "there is no ACTION 'lst'", "did you mean list?"),
        (["supply"], "--nameplate is missing", "--help"),
        (["ratio", "--capture", "x.npz"], "--primary, --secondary are missing", "--help"),
        (["supply", "--nameplate", "5 V dc", "2 A"], "unexpected word '2 A'", "quotes"),
        (["record", "list", "x.logbook"], "unexpected word 'x.logbook'", "--logbook x.logbook"),
        (["frobnicate"], "there is no command 'frobnicate'", "--help"),
    ],
)
def test_what_was_meant_is_named(
    words: list[str], message: str, hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert message in said
    assert hint in said


def test_a_tag_that_was_meant_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text('[[instrument]]\ntag = "MA-01"\n', encoding="utf-8")
    assert main(["continuity", "--reading", "0.4 ohm", "--meter", "MA-1", "--max", "1 ohm"]) == 2
    assert "did you mean MA-01?" in capsys.readouterr().err


def test_benchlog_alone_says_what_to_do_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([]) == 2
    said = capsys.readouterr().out
    assert "benchlog demo" in said
    assert "status" not in said
    Path("plan.toml").touch()
    main([])
    assert "benchlog status plan.toml" in capsys.readouterr().out


def test_not_recording_asks_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An option that answers nothing keeps the questions, and goes with the answers."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin.isatty", lambda: True)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setattr(
        ask, "__defaults__", (answers("24 V ac 40 VA", "27.2 V ac", "1 % + 5", "230 V"), print)
    )
    assert main(["supply", "--no-record"]) == 0
    assert not list(tmp_path.iterdir())


def test_two_meters_apart_are_diagnosed_with_both_readings(capsys: pytest.CaptureFixture[str]) -> None:
    """The line that is offered keeps what the other meter shows: the part is live."""
    readings = ["--reading", "A=12.05 V dc", "--reading", "B=0.02 V dc"]
    accuracies = ["--accuracy", "A=1 % + 5", "--accuracy", "B=1 % + 5"]
    assert main(["crosscheck", *readings, *accuracies, "--no-record"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    words = shlex.split(said[said.index("benchlog diagnose") : said.index("Not saved")])
    assert main([*words[1:], "--no-record", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["p_live"] > 0.9
