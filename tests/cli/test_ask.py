"""Commands without options ask; what was probably meant is named."""

from __future__ import annotations

import json
import shlex
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from benchlog.bench import Bench
from benchlog.cli import _ASKING, build_parser, main
from benchlog.cli.answers import Answers
from benchlog.cli.answers import name as meter_name
from benchlog.cli.ask import ask
from benchlog.cli.questions import QUESTIONS
from benchlog.errors import UsageError

BENCH = """
[[instrument]]
tag = "MA-01"
accuracy = [{ function = "V~", statement = "1 % + 5" }, { function = "ohm", statement = "0.8 % + 3" }]
[[instrument]]
tag = "MB-02"
"""
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


class Obedient:
    """Somebody who types the example of each question; the first one where there are several."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def show(self, text: str) -> None:
        self.said.append(text)

    def read(self, prompt: str) -> str:
        return self.said[-1].partition("e.g. ")[2].partition(";")[0].partition(" or ")[0]


@pytest.mark.parametrize("bench", [False, True])
@pytest.mark.parametrize("command", _ASKING)
def test_every_example_is_an_answer_that_would_do(
    command: str, bench: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The examples themselves give words that the command's own parser takes, with a bench file and without."""
    monkeypatch.chdir(tmp_path)
    for ours, name in (("ct1_60_turns.csv", "ct1.csv"), ("ct1_60_turns_swapped.csv", "ct1_swapped.csv")):
        shutil.copy(CAPTURES / ours, name)
    if bench:
        Path("bench.toml").write_text(BENCH, encoding="utf-8")
    person = Obedient()
    words = ask([command], person.read, person.show)
    assert build_parser(command).parse_args(words).command == command
    assert not any("needed" in said or "type the same again" in said for said in person.said)
    assert main([*words, "--no-record"]) in (0, 1, 3)  # judged, whatever it is


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
    """A file or channel that is not there is refused at once; with two channels the second one follows."""
    shown: list[str] = []
    path = str(CAPTURES / "ct1_60_turns.csv")
    typed = answers("nowhere.csv", __file__, path, "CH1", "60", "CH7", "CH1", path, "")
    words = ask(["ratio"], typed, shown.append)
    assert any("there is no file 'nowhere.csv'" in line for line in shown)
    assert any("no channel 'CH7' in the capture: channels here: CH1, CH2" in line for line in shown)
    assert any("'CH1' does not begin with a number: write it like '60'" in line for line in shown)
    assert any("the same samples as the first" in line for line in shown)
    assert words == ["ratio", "--capture", path, "--expect", "60", "--primary", "CH1", "--secondary", "CH2"]


@pytest.mark.parametrize("kept", [False, True])
def test_channels_that_are_mixed_up_are_asked_about_as_such(kept: bool) -> None:
    """60 turns show 60 times what one turn shows: where it is the other way round, no divider is asked for first."""
    shown: list[str] = []
    path = str(CAPTURES / "ct1_60_turns.csv")
    words = ask(["ratio"], answers(path, "60", "CH2", "CH2" if kept else "CH1", "", ""), shown.append)
    (doubt,) = (line for line in shown if "mixed up" in line)
    assert "CH2 shows 60 times as much as CH1" in doubt
    assert words[5:] == [
        "--primary",
        *(("CH2", "--secondary", "CH1") if kept else ("CH1", "--secondary", "CH2")),
    ]
    assert any("divider before it" in line for line in shown) is kept


def test_meters_are_called_as_the_person_calls_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Or A and B; what can't be compared is refused at once."""
    monkeypatch.chdir(tmp_path)
    shown: list[str] = []
    typed = answers(
        "yellow", "OL V ac", "27.75 V ac", "yellow", "grey", "27.9 V dc", "27.9 V ac", "", "", "1 % + 5"
    )
    words = ask(["crosscheck"], typed, shown.append)
    assert words == ["crosscheck", "--reading", "yellow=27.75 V ac", "--reading", "grey=27.9 V ac",
                     "--accuracy", "grey=1 % + 5"]  # fmt: skip
    for refused in (
        "no number to work with",
        "the first meter is called yellow",
        "the first meter was on V~",
    ):
        assert any(refused in line for line in shown)
    words = ask(["crosscheck"], answers("", "5.01 V dc", "", "5.00 V dc", "", "", ""), shown.append)
    assert words == ["crosscheck", "--reading", "A=5.01 V dc", "--reading", "B=5.00 V dc"]


@pytest.mark.parametrize("name", ["1 % + 5", "27.9 V ac", "n", "No"])
def test_what_is_no_name_of_a_meter_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match="is not a name of a meter"):
        meter_name(name, Answers(Bench()))


def test_a_third_meter_is_asked_for_and_shows_which_is_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two that agree and one that does not; each is asked for its accuracy."""
    monkeypatch.chdir(tmp_path)
    shown: list[str] = []
    typed = ("", "5.19 V dc", "", "5.000 V dc", "B", "C", "5.001 V ac", "5.001 V dc", *(("0.5 % + 2",) * 3))
    words = ask(["crosscheck"], answers(*typed), shown.append)
    assert words[-2:] == ["--accuracy", "C=0.5 % + 2"]
    assert any("the second meter is called B" in line for line in shown)
    assert any("the first meter was on V=, this one on V~" in line for line in shown)
    assert main([*words, "--no-record", "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["details"]["odd_one_out"] == "A"


def test_meters_of_the_bench_bring_their_accuracy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A tag that is not there is a slip."""
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(BENCH, encoding="utf-8")
    shown: list[str] = []
    words = ask(["crosscheck"], answers("MA-1", "MA-01", "5.01 V ac", "MB-02", "5.00 V ac", ""), shown.append)
    assert words == ["crosscheck", "--reading", "MA-01=5.01 V ac", "--reading", "MB-02=5.00 V ac"]
    assert any("did you mean MA-01?" in line for line in shown)
    words = ask(["continuity"], answers("MA-01", "0.4 ohm", "", "1 ohm"), shown.append)
    assert words == ["continuity", "--meter", "MA-01", "--reading", "0.4 ohm", "--max", "1 ohm"]


@pytest.mark.parametrize(
    ("command", "typed", "doubt", "kept"),
    [
        ("supply", ("12 V ac 20 VA", "141.3 V ac", "14.13 V ac", "", ""), "ten times what the label", False),
        ("supply", ("12 V ac 20 VA", "14.13 kV ac", "14.13 kV ac", "", ""), "a thousand times", True),
        ("supply", ("12 V ac 20 VA", "14.13 V ac", "1.2 %", "1.2 % + 5", ""), "has no counts", False),
        ("supply", ("12 V ac 20 VA", "14.13 V ac", "1 % + 50", "1 % + 5", ""), "is unusual", False),
        ("supply", ("12 V ac 20 VA", "14.13 V ac", "5 % + 1", "1 % + 5", ""), "is unusual", False),
        ("continuity", ("0.4 ohm", "0.5 ohm", "0.2 ohm", "1 ohm", ""), "press the tips together", False),
        ("crosscheck", ("", "14.13 V ac", "", "141.3 V ac", "141.3 V ac", "", "", ""), "what A shows", True),
    ],
)
def test_a_doubtful_answer_is_asked_about_at_once(
    command: str,
    typed: tuple[str, ...],
    doubt: str,
    kept: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another one replaces it; the same once more is kept, and the command insists on it."""
    monkeypatch.chdir(tmp_path)
    shown: list[str] = []
    words = ask([command], answers(*typed), shown.append)
    assert any(doubt in line for line in shown)
    assert ("--as-read" in words) is kept
    assert main([*words, "--no-record"]) == (1 if kept else 0)


@pytest.mark.parametrize(
    ("stem", "typed", "divider"),
    [
        ("ct1_60_turns", ("60", "CH1", ""), []),
        (
            "ct1_60_turns_divider",
            ("60", "CH1", "600:1", "60:1", "2", "0.2 %", ""),
            ["--divider", "60:1", "--divider-tolerance", "0.2 %"],
        ),
        ("ct1_60_turns_divider", ("60", "CH1", "", ""), []),
    ],
)
def test_a_divider_is_asked_about_if_the_voltages_need_one(
    stem: str, typed: tuple[str, ...], divider: list[str]
) -> None:
    """60 turns behind 60:1 show one turn's voltage; without a divider nobody is asked."""
    shown: list[str] = []
    capture = str(CAPTURES / f"{stem}.{'npz' if 'divider' in stem else 'csv'}")
    words = ask(["ratio"], answers(capture, *typed), shown.append)
    assert words[9:] == divider
    assert any("divider before it" in line for line in shown) is ("divider" in stem)
    assert any("about 607 turns, not 60" in line for line in shown) is ("600:1" in typed)


def test_a_dc_supply_is_asked_whether_it_is_regulated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Unless its label says so."""
    monkeypatch.chdir(tmp_path)
    words = ask(["supply"], answers("9 V dc 1 A", "regulated", "9.12 V dc", "1 % + 5", ""), lambda line: None)
    assert words[3:5] == ["--regulation", "regulated"]
    words = ask(["supply"], answers("9 V dc 1 A switching", "9.12 V dc", "", ""), lambda line: None)
    assert words == ["supply", "--nameplate", "9 V dc 1 A switching", "--reading", "9.12 V dc"]


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
        (["supply", "--nameplate", "5 V dc", "2 A"], "unexpected word '2'", "quotes"),
        (["record", "list", "--long"], "--long does not go with this command", "--help"),
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
    assert message.split()[-1].strip("'") in said
    assert hint in said


def test_a_current_for_a_voltage_gets_no_hint_about_ac_and_dc(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["supply", "--nameplate", "24 V ac", "--reading", "27.7 A ac", "--no-record"]) == 2
    assert capsys.readouterr().err.endswith("set the meter to V~ and read the voltage\n")


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
    assert main(["crosscheck", *readings, *accuracies, "--no-record", "--json"]) == 1
    findings = json.loads(capsys.readouterr().out)["findings"]
    (line,) = (f for f in findings if "benchlog diagnose" in f)
    words = shlex.split(line[line.index("benchlog diagnose") :])
    assert main([*words[1:], "--no-record", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["p_live"] > 0.9
