"""A result is answered in a few lines, whatever the screen's width; the rest waits for --long."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.desk import Desk

from benchlog.metrology.next_best import next_step
from benchlog.notebook import supply
from benchlog.result import Verdict

CAPTURES = Path(__file__).parents[2] / "sample_captures"
PLATE = ("supply", "--nameplate", "24 V ac 40 VA", "--accuracy", "1 % + 5")
CHANNELS = ("--primary", "CH1", "--secondary", "CH2")
TWO = ("crosscheck", "--reading", "A=5.19 V dc", "--reading", "B=5.000 V dc", "--accuracy", "A=0.8 % + 2",
       "--accuracy", "B=0.05 % + 2")  # fmt: skip
THREE = (*TWO, "--reading", "C=5.002 V dc", "--accuracy", "C=0.05 % + 2")  # fmt: skip
PICTURE = 3  # lines of a waveform


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """An empty desk."""
    return Desk(tmp_path / "desk")


def ratio(name: str, *more: str) -> tuple[str, ...]:
    """A ratio from one of the sample captures."""
    return ("ratio", "--capture", str(CAPTURES / name), *CHANNELS, *more)


@pytest.mark.parametrize(
    "words",
    [
        (*PLATE, "--reading", "27.75 V ac"),
        (*PLATE, "--reading", "27.75 V ac", "--mains", "236 V", "--capacitor", "35 V"),
        (*PLATE, "--reading", "27.75 V ac", "--load", "15 ohm", "--loaded", "24.70 V ac"),
        (*PLATE, "--reading", "21.9 V ac"),
        (*PLATE, "--reading", "277.5 V ac"),
        ("supply", "--nameplate", "9 V dc 1 A", "--reading", "12.9 V dc"),
        ("continuity", "--reading", "0.4 ohm", "--lead-null", "0.2 ohm", "--max", "1 ohm"),
        ("continuity", "--reading", "0.4 ohm", "--max", "0.5 ohm"),
        ("continuity", "--reading", "0.4 ohm", "--wire", "AWG 24", "--length", "2.4 m"),
        ("continuity", "--reading", "9.2 ohm", "--max", "1 ohm"),
        ("continuity", "--reading", "0.40 ohm"),
        TWO,
        THREE,
        ratio("ct1_60_turns.csv", "--expect", "60"),
        ratio("ct1_60_turns.csv", "--expect", "60", "--swapped", str(CAPTURES / "ct1_60_turns_swapped.csv")),
        ratio("ct2_101_turns.csv", "--expect", "60"),
        ratio("ct1_60_turns_divider.npz", "--expect", "60"),
        ("inductance", "--capture", str(CAPTURES / "ct1_60_turns.csv"), "--across", "CH1", "--resistor-channel", "CH2",
         "--resistor", "100 ohm"),
    ],
)  # fmt: skip
def test_it_has_three_to_five_lines(
    desk: Desk, words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Verdict with value and limits, a picture, what is behind it, what to do, and where it is kept."""
    monkeypatch.setenv("COLUMNS", "200")  # so that no line wraps
    lines = desk.run(*words).out.splitlines()
    pictures = PICTURE if words[0] in ("ratio", "inductance") else 0
    # Cautions, where it is kept and what nobody stated come on top.
    besides = ("  ! ", "  accuracy of the meter", "  mains")
    said = [line for line in lines if not line.startswith(besides) and "Saved in" not in line]
    assert 2 <= len(said) - pictures <= 4, "\n".join(lines)
    assert lines[-1].endswith("--long shows more.")


def test_what_to_do_next_is_never_left_out(desk: Desk) -> None:
    """A doubt says what settles it, a fail what costs nothing before the part is rejected."""
    assert "next (30 s): read the display again" in desk.run(*PLATE, "--reading", "277.5 V ac").words
    assert "confirm it with a second meter" in desk.run(*PLATE, "--reading", "21.9 V ac").words
    assert (
        "press the tips on bare metal"
        in desk.run("continuity", "--reading", "9.20 ohm", "--max", "1 ohm").words
    )


def test_a_cause_that_may_overturn_the_answer_is_never_left_out(desk: Desk) -> None:
    """Whatever else there is to say."""
    assert "A is the odd one out" in desk.run(*THREE).words


@pytest.mark.parametrize("limits", [(), ("--turns", "60")])
def test_what_was_measured_without_limits_is_shown(desk: Desk, limits: tuple[str, ...]) -> None:
    """It was done, only not judged."""
    said = desk.run("inductance", "--capture", CAPTURES / "ct1_60_turns.csv", "--across", "CH1", "--resistor-channel", "CH2",
                    "--resistor", "100 ohm", *limits)  # fmt: skip
    assert said.code == 3
    assert said.out.startswith("○ NOT JUDGED  inductance 22 ± 44 nH")


def test_names_and_values_are_whole_at_40_columns(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no table fits there is a line for each quantity."""
    monkeypatch.setenv("COLUMNS", "40")
    words = (
        *PLATE,
        "--reading",
        "27.75 V ac",
        "--mains",
        "236 V",
        "--load",
        "15 ohm",
        "--loaded",
        "24.7 V ac",
    )
    said = desk.run(*words, "--long")
    assert "…" not in said.out.replace(" … ", "")
    assert "source resistance: 1.85 ± 0.64 Ω, limits ≤ 3.744 Ω" in said.words
    assert max(map(len, said.out.splitlines())) <= 40


@pytest.mark.parametrize(("turns", "shown"), [("1000", "999.5 … 1000.5"), ("2000", "1999.5 … 2000.5")])
def test_limits_have_the_digits_that_tell_them_apart(desk: Desk, turns: str, shown: str) -> None:
    assert f"allowed {shown}" in desk.run(*ratio("ct2_101_turns.csv", "--expect", turns)).out


def test_a_fail_says_how_sure_it_is_that_it_is_none(desk: Desk) -> None:
    """Which of the other counts it is matters less."""
    said = desk.run(*ratio("ct2_101_turns.csv", "--expect", "60"))
    assert "anything from 97 to 106 turns: over 99.9 % sure that it is outside the limits" in said.words


def test_an_accuracy_without_counts_is_said(desk: Desk) -> None:
    """Most meters have them; "+ 0" says that this one has none."""
    words = ("supply", "--nameplate", "24 V ac 40 VA", "--reading", "27.75 V ac", "--accuracy")
    assert "has no counts" in desk.run(*words, "1.2 %").words
    assert "has no counts" not in desk.run(*words, "1.2 % + 0").words


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--mains", "236 V"), "mains: nominal 230 V and accuracy 1 % + 1 assumed"),
        (("--mains", "236 V", "--mains-nominal", "230 V"), "mains: accuracy 1 % + 1 assumed"),
        (("--mains", "236 V", "--mains-nominal", "230 V", "--mains-accuracy", "0.5 % + 1"), ""),
        ((), "mains not read: the limits allow ±10 % for it"),
    ],
)
@pytest.mark.parametrize("reading", ["27.75 V ac", "29.30 V ac", "33.00 V ac"])
def test_what_was_assumed_is_said_with_every_verdict(
    desk: Desk, reading: str, more: tuple[str, ...], said: str
) -> None:
    """The limits rest on it; without a mains reading, taking one is the first remedy."""
    answer = desk.run(*PLATE, "--reading", reading, *more)
    assert [line.strip() for line in answer.out.splitlines() if line.startswith("  mains")] == [said][
        : bool(said)
    ]


def test_the_mains_are_read_first_where_the_limits_allow_for_any() -> None:
    """31.4 V lies below 31.62 V only with mains 10 % high; at 230 V the part would be far outside."""
    result = supply("24 V ac 40 VA", "31.40 V ac", accuracy="1 % + 5")
    assert result.verdict is Verdict.INDETERMINATE
    assert "--mains" in str(next_step(result))


def test_a_value_is_shown_once(desk: Desk) -> None:
    """The reason goes on where the first line ends."""
    out = desk.run(*PLATE, "--reading", "29.30 V ac", "--mains", "236 V").out
    assert out.count("29.30 ± 0.40 V") == 1
    assert "\n  too close to the limit 29.50 V to tell: a margin of" in out


def test_a_reading_of_a_simulated_meter_is_called_practice(desk: Desk) -> None:
    words = (*PLATE, "--reading", "27.75 V ac", "--meter", "MA-01")
    assert "practice" not in desk.run(*words).words
    desk.write("bench.toml", '[[instrument]]\ntag = "MA-01"\naddress = "sim:"\n')
    assert "practice: measured on the simulated bench" in desk.run(*words).words
