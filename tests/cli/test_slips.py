"""A slip on the command line is refused or asked about; it condemns no part."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from benchlog.cli import main

CAPTURE = str(Path(__file__).parents[2] / "sample_captures" / "ct1_60_turns.csv")
RATIO = ("ratio", "--capture", CAPTURE, "--primary", "CH1", "--secondary", "CH2", "--expect", "60")
PLATE = ("--nameplate", "12 V ac 12 VA")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An empty folder: no bench file."""
    monkeypatch.chdir(tmp_path)


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    """Run a command; JSON back."""
    code = main([*words, "--json", "--no-record"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("words", "error", "hint"),
    [
        (("supply", *PLATE, "--reading", "-15.3 V ac"), "AC volts are not negative", "relative"),
        (("supply", *PLATE, "--reading", "15.3"), "'15.3' has no unit", "'15.3 V ac'"),
        (
            ("ratio", "--capture", "x", "--primary", "A", "--secondary", "B", "--expect", "abc"),
            "abc",
            "like '60'",
        ),
        (
            ("ratio", "--capture", "x", "--primary", "A", "--secondary", "B", "--expect", "60 V"),
            "in V, not a plain number",
            "like '60'",
        ),
        (
            ("supply", *PLATE, "--reading", "15 V ac", "--capacitor", "1000 uF"),
            "in F, not in V",
            "like '35 V'",
        ),
        (
            (
                "inductance",
                "--compare",
                "a.csv",
                "--across",
                "A",
                "--resistor-channel",
                "B",
                "--resistor",
                "1 R",
            ),
            "a.csv",
            "K1=k1.csv",
        ),
        (("crosscheck", "--reading", "A=1 V dc", "--accuracy", "1 %"), "'1 %'", 'MA-01="1 % + 5"'),
        (
            ("supply", *PLATE, "--reading", "15.3 V ac", "--resolution", "10"),
            "can't show '15.3 V ac'",
            "'10 mV'",
        ),
        (
            ("supply", *PLATE, "--reading", "15.3 V ac", "--mains", "22.9"),
            "is not near any usual",
            "check its digits",
        ),
        (("continuity", "--reading", "0.4 ohm", "--lead-null", "0.2 V"), "lead null", "write it like"),
        (("continuity", "--reading", "50 mV dc", "--current", "0.5"), "'0.5' has no unit", "'0.5 A dc'"),
        ((*RATIO, "--al", "61"), "AL '61' has no unit", "'61 uH'"),
        ((*RATIO, "--prior", "92"), "prior '92' has no %", "'92 %'"),
        ((*RATIO, "--prior", "100 %"), "leaves nothing to measure", "between 0 and 100 %"),
        (
            ("winding", "--core", "25x15x10", "--turns", "60", "--wire", "AWG 24", "--leads", "300"),
            "'300' has no unit",
            "'300 mm'",
        ),
        (
            (
                "continuity",
                "--reading",
                "0.4 ohm",
                "--wire",
                "AWG 24",
                "--length",
                "2 m",
                "--temperature",
                "293 K",
            ),
            "not in degC",
            "22 degC",
        ),
    ],
)
def test_bad_input_says_what_and_how(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], error: str, hint: str
) -> None:
    """Exit 2, the value named, the way to write it."""
    code, answer = run(capsys, *words)
    assert code == 2
    assert error in answer["error"]
    assert hint in answer["hint"]


WIRE = (
    "continuity",
    "--wire",
    "AWG 24",
    "--length",
    "2.4 m",
    "--accuracy",
    "0.5 % + 2",
    "--lead-null",
    "0.20 ohm",
)
AGAIN = "read the display again: digits, point, prefix; --as-read keeps the value"


@pytest.mark.parametrize(
    "words",
    [
        ("supply", *PLATE, "--reading", "15.3 kV ac"),
        ("supply", *PLATE, "--reading", "153 V ac"),
        ("supply", *PLATE, "--reading", "1.53 V ac"),
        ("supply", *PLATE, "--reading", "12.31 mV ac"),
        (*WIRE, "--reading", "4.00 ohm"),  # 202 mohm of copper and 200 mohm of leads
        (*WIRE, "--reading", "402 ohm"),
        ("continuity", "--max", "1 ohm", "--lead-null", "0.2 ohm", "--reading", "0.4 kohm"),
        ("crosscheck", "--reading", "A=14.13 V ac", "--reading", "B=141.3 V ac"),
        ("crosscheck", "--reading", "A=14.13 V ac", "--reading", "B=14.13 kV ac"),
        (
            "crosscheck",
            "--reading",
            "A=0.5 ohm",
            "--reading",
            "B=0.5 kohm",
        ),  # within what 10 counts of 100 ohm allow
        ("supply", *PLATE, "--reading", "15.3 V ac", "--second", "153 V ac"),
        ("supply", *PLATE, "--reading", "15.3 V ac", "--load", "15 ohm", "--loaded", "1.31 V ac"),
        ("supply", *PLATE, "--reading", "15.3 V ac", "--load", "15 ohm", "--loaded", "131 V ac"),
    ],
)
def test_a_power_of_ten_is_asked_about(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    """By ten or by a thousand, too much or too little: indeterminate, kept as read, the display comes first."""
    code, answer = run(capsys, *words)
    assert code == 3
    assert answer["details"]["would_settle"][0]["action"] == AGAIN
    assert answer["reason"] in answer["findings"]
    assert sum(finding.startswith("next ") for finding in answer["findings"]) == 1


@pytest.mark.parametrize(
    "words",
    [
        ("supply", *PLATE, "--reading", "153 V ac", "--as-read"),
        ("supply", *PLATE, "--reading", "153 V ac", "--second", "152 V ac"),  # two meters don't slip alike
        (*WIRE, "--reading", "402 ohm", "--as-read"),
        ("continuity", "--max", "1 ohm", "--lead-null", "0.2 ohm", "--reading", "402.1 ohm"),
        ("crosscheck", "--reading", "A=14.13 V ac", "--reading", "B=141.3 V ac", "--as-read"),
    ],
)
def test_what_was_read_twice_is_believed(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    """By the same person, or by a second meter; ohms without a prefix fail as they are."""
    code, _ = run(capsys, *words)
    assert code == 1


def test_ohms_below_zero_show_a_voltage(capsys: pytest.CaptureFixture[str]) -> None:
    """A charge on the part, or a zero that was set; a count or two below it is the meter's own."""
    words = ("continuity", "--max", "1 ohm", "--accuracy", "0.5 % + 2", "--reading")
    code, answer = run(capsys, *words, "-20.0 ohm")
    assert code == 3
    assert "charge on the part" in answer["reason"]
    assert "discharge" in answer["details"]["would_settle"][0]["action"]
    assert run(capsys, *words, "-0.1 ohm")[0] == 0


@pytest.mark.parametrize(
    ("more", "question"),
    [
        (("--probe", "CH2=10"), "is the winding's probe not at x10?"),
        (("--divider", "60:1"), "is the 60:1 divider missing?"),
        (("--loop-turns", "10"), "does the loop have one turn, not 10?"),
    ],
)
def test_what_was_stated_and_is_not_there_is_asked_about(
    capsys: pytest.CaptureFixture[str], more: tuple[str, ...], question: str
) -> None:
    code, answer = run(capsys, *RATIO, *more)
    assert code == 3
    assert question in answer["reason"]


def test_a_divider_as_large_as_the_turns_is_asked_about(capsys: pytest.CaptureFixture[str]) -> None:
    """Both channels show the same: one divider forgotten, or both probes on one winding."""
    words = [word.replace(".csv", "_divider.npz") for word in RATIO]
    code, answer = run(capsys, *words)
    assert code == 3
    assert "the ratio is 1: is there a 60:1 divider" in answer["reason"]


def test_the_other_meter_is_what_a_slip_is_held_against(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is expected of meters that are compared."""
    _, answer = run(capsys, "crosscheck", "--reading", "A=14.13 V ac", "--reading", "B=141.3 V ac")
    assert "ten times what A shows" in answer["reason"]


@pytest.mark.parametrize("text", ["1K", "1 Kohm", "1KΩ", "1 Kohms", "1k"])
def test_kilo_is_read_in_either_case(capsys: pytest.CaptureFixture[str], text: str) -> None:
    """Many people write it large, as components are marked."""
    _, answer = run(capsys, "continuity", "--reading", text, "--resolution", "1 ohm", "--max", "2 Kohm")
    assert answer["quantities"]["resistance"]["value"] == 1000
    assert answer["limits"]["resistance"]["high"] == 2000


def test_assumed_accuracy_and_unknown_tags_are_said(capsys: pytest.CaptureFixture[str]) -> None:
    """As a finding, in supply and continuity; not where the accuracy was typed."""
    _, plain = run(capsys, "supply", *PLATE, "--reading", "14.8 V ac", "--meter", "XX-9")
    wanted = "accuracy of XX-9 on V~ is not known (XX-9 is not in the bench file): 2 % + 10 counts assumed"
    assert wanted in plain["findings"]
    _, ohms = run(capsys, "continuity", "--reading", "0.4 ohm", "--max", "5 ohm")
    assert "accuracy of the meter on ohm is not known: 2 % + 10 counts assumed" in ohms["findings"]
    _, typed = run(capsys, "supply", *PLATE, "--reading", "14.8 V ac", "--accuracy", "1 % + 3")
    assert not any("assumed" in f and "accuracy" in f for f in typed["findings"])


def test_quantities_are_called_by_their_names(capsys: pytest.CaptureFixture[str]) -> None:
    """No-load voltage and E_n, on screen."""
    main(["supply", *PLATE, "--reading", "14.8 V ac", "--no-record", "--long"])
    main(["crosscheck", "--reading", "A=5.01 V dc", "--reading", "B=5.00 V dc", "--no-record"])
    out = capsys.readouterr().out
    assert "no-load voltage" in out
    assert "no load voltage" not in out
    assert "E_n " in out
    assert "e n" not in out.replace("the n", "")


def test_the_second_meter_is_named_where_its_accuracy_is_assumed(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["supply", "--nameplate", "24 V ac 40 VA", "--reading", "27.75 V ac", "--accuracy", "1 % + 5"]
    main([*words, "--second", "27.7 V ac", "--no-record", "--json"])
    findings = json.loads(capsys.readouterr().out)["findings"]
    assert "accuracy of the second meter on V~ is not known: 2 % + 10 counts assumed" in findings
