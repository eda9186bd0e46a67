"""Typed readings with fewer or more digits than their meter shows: wherever one is typed, it is asked about."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchlog.cli import main
from benchlog.cli.ask import ask

BENCH = "".join(
    f'''
[[instrument]]
tag = "{tag}"
kind = "meter"
address = "typed:"
counts = 4000
accuracy = [
  {{ function = "V~", statement = "1 % + 5" }}, {{ function = "V=", statement = "0.5 % + 2" }},
  {{ function = "ohm", statement = "0.8 % + 3" }},
]
'''
    for tag in ("MA-01", "MB-02")
)
STANDARD = """
[[standard]]
tag = "CS-3"
value = "5.000 V dc"
uncertainty = "0.05 %"
"""
MAINS = ("--mains", "233.0 V", "--mains-nominal", "230 V", "--mains-accuracy", "0.5 % + 1")
SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", *MAINS, "--meter", "MA-01", "--reading")
OHMS = ("continuity", "--meter", "MA-01", "--max", "500 ohm", "--reading")
CROSS = ("crosscheck", "--reading", "MA-01=27.75 V ac", "--reading")
FEWER, MORE = "has fewer digits than", "has more digits than"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bench of two 4000-count meters."""
    monkeypatch.chdir(tmp_path)
    Path("bench.toml").write_text(BENCH + STANDARD, encoding="utf-8")


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, Any]]:
    code = main([*words, "--json", "--no-record"])
    return code, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("words", "code", "asked"),
    [
        ((*SUPPLY, "27.75 V ac"), 0, ""),
        ((*SUPPLY, "27.8 V ac"), 0, FEWER),
        ((*SUPPLY, "27.8 V ac", "--as-read"), 0, ""),
        ((*SUPPLY, "27.8 V ac", "--resolution", "0.1 V"), 0, ""),  # on a manual range
        ((*SUPPLY, "27.751 V ac"), 3, MORE),
        ((*SUPPLY, "27.751 V ac", "--as-read"), 0, ""),
        ((*OHMS, "123.4 ohm"), 0, ""),
        ((*OHMS, "123 ohm"), 0, FEWER),
        ((*OHMS, "123.45 ohm"), 3, MORE),
        ((*CROSS, "MB-02=27.80 V ac"), 0, ""),
        ((*CROSS, "MB-02=27.8 V ac"), 0, FEWER),  # agrees with any last digit
        ((*CROSS, "MB-02=29 V ac"), 3, FEWER),  # agrees only because it is so coarse
        ((*CROSS, "MB-02=29 V ac", "--as-read"), 0, ""),
        (("standard", "MB-02", "CS-3", "5.00 V dc"), 0, ""),
        (("standard", "MB-02", "CS-3", "5 V dc"), 3, FEWER),
        (("standard", "MB-02", "CS-3", "5 V dc", "--as-read"), 3, ""),  # too coarse, as read too
    ],
)
def test_other_digits_than_the_meter_shows(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, asked: str
) -> None:
    """Fewer make a result less sure; more, or a pass that only few digits allow, decide nothing."""
    got, found = run(capsys, *words)
    said = [found["reason"], *found["findings"]]
    assert got == code
    assert any("digits than" in line for line in said) is bool(asked)
    assert any(asked in line for line in said)


def test_typing_all_digits_is_the_first_remedy(capsys: pytest.CaptureFixture[str]) -> None:
    """28.6 V with 5 counts is 28.6 +- 0.9 V: all digits come before a better meter; without the mains it is read, too."""
    for words in (SUPPLY, tuple(word for word in SUPPLY if word not in MAINS)):
        code, found = run(capsys, *words, "28.6 V ac")
        assert code == 3
        first, *others = found["details"]["would_settle"]
        assert "type all the digits" in first["action"]
        assert others
    assert any("read the mains" in way["action"] for way in others)


@pytest.mark.parametrize(
    ("no_load", "loaded", "more", "asked"),
    [
        ("27.75 V ac", "24.7 V ac", (), True),
        ("27.8 V ac", "24.70 V ac", (), True),
        ("27.75 V ac", "24.70 V ac", (), False),
        ("27.75 V ac", "24.7 V ac", ("--as-read",), False),
        ("27.75 V ac", "24.7 V ac", ("--loaded-accuracy", "2 % + 3"), False),  # another meter
        ("20.9 V ac", "19.85 V ac", (), False),  # the 20 V range ends between them
    ],
)
def test_a_zero_left_out_shows_against_the_other_reading(
    capsys: pytest.CaptureFixture[str], no_load: str, loaded: str, more: tuple[str, ...], asked: bool
) -> None:
    """Without a bench file: 24.7 V for 24.70 V leaves the source resistance five times less sure."""
    words = ("supply", "--nameplate", "24 V ac 40 VA", "--reading", no_load, "--load", "15 ohm")
    _, found = run(capsys, *words, "--loaded", loaded, *more)
    assert any("was a 0 left out?" in line for line in found["findings"]) is asked


@pytest.mark.parametrize(
    ("words", "asked"),
    [
        (("continuity", "--reading", "0.41 ohm", "--lead-null", "0.2 ohm", "--max", "1 ohm"), "0.2 ohm"),
        (("continuity", "--reading", "0.4 ohm", "--lead-null", "0.20 ohm", "--max", "1 ohm"), "0.4 ohm"),
        (
            ("continuity", "--reading", "4.7 kohm", "--lead-null", "0.2 ohm", "--max", "10 kohm"),
            "",
        ),  # other ranges
        (
            ("crosscheck", "--reading", "A=5.01 V dc", "--reading", "B=5.00 V dc", "--reading", "A=5 V dc"),
            "5 V dc",
        ),
        (("crosscheck", "--reading", "A=5.01 V dc", "--reading", "B=5.0 V dc"), ""),  # two meters
    ],
)
def test_it_shows_in_every_command_that_takes_two_readings_of_a_meter(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], asked: str
) -> None:
    Path("bench.toml").unlink()
    for more in ((), ("--as-read",)):
        _, found = run(capsys, *words, *more)
        doubts = [
            line.partition(" has fewer digits than")[0] for line in found["findings"] if "0 left out" in line
        ]
        assert doubts == ([asked] if asked and not more else [])


def test_diagnose_asks_about_them_too(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("diagnose", "--expect", "27 V ac", "--meter", "MB-02", "--reading")
    assert any(FEWER in question for question in run(capsys, *words, "31 V ac")[1]["questions"])
    assert run(capsys, *words, "31.00 V ac")[1]["questions"] == []


@pytest.mark.parametrize(
    ("command", "typed"),
    [
        ("supply", ("24 V ac 40 VA", "MA-01", "27.8 V ac", "27.75 V ac", "")),
        ("continuity", ("MA-01", "123 ohm", "123.4 ohm", "0.1 ohm", "500 ohm")),
        ("crosscheck", ("MA-01", "27.8 V ac", "27.75 V ac", "MB-02", "27.80 V ac", "")),
        ("crosscheck", ("MA-01", "27.75 V ac", "MB-02", "27.8 V ac", "27.80 V ac", "")),
    ],
)
def test_a_command_that_asks_asks_at_once(command: str, typed: tuple[str, ...]) -> None:
    lines: Iterator[str] = iter(typed)
    shown: list[str] = []
    words = ask([command], lambda prompt: next(lines), shown.append)
    assert any(FEWER in line for line in shown)
    assert "--as-read" not in words
    assert main([*words, "--no-record"]) in (0, 3)


def test_an_assumed_accuracy_is_looked_up_before_a_better_meter_is_bought(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """2 % + 10 counts are assumed, and leave 28.70 V undecided; a manual is at hand in a minute."""
    words = ("supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V", "--reading", "28.70 V ac")
    code, found = run(capsys, *words)
    assert code == 3
    assert "manual" in found["details"]["would_settle"][0]["action"]
    _, found = run(capsys, *words, "--accuracy", "2 % + 10")
    assert not any("manual" in way["action"] for way in found["details"]["would_settle"])


@pytest.mark.parametrize(
    ("words", "code", "options"),
    [
        (("standard", "MB-02", "CS-3", "5.01 V dc"), 2, ("--nominal", "--accuracy", "benchlog new")),
        (("continuity", "--reading", "0.2 ohm"), 3, ('--max "1 ohm"',)),
    ],
)
def test_what_is_missing_without_a_bench_file_is_named(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, options: tuple[str, ...]
) -> None:
    Path("bench.toml").unlink()
    got, found = run(capsys, *words)
    assert got == code
    assert all(option in found.get("hint", found.get("reason")) for option in options)
