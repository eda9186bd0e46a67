"""A result says one thing wherever it is shown, and a message shows what to write where it was asked for."""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest
from helpers.desk import Desk
from helpers.plan_text import hold, part, plan_text, reading_check

from benchlog.cli import main
from benchlog.errors import ConfigError
from benchlog.plan import read_plan

SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V", "--mains-nominal", "230 V", "--reading", "27.75 V ac",
          "--accuracy", "1 % + 5", "--capacitor", "35 V", "--part", "T1")  # fmt: skip


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """An empty desk."""
    return Desk(tmp_path / "desk")


def test_a_design_check_that_fails_shows_in_the_first_line_everywhere(desk: Desk, tmp_path: Path) -> None:
    """Screen, list and certificate show the verdict that counts, with its own reason."""
    said = desk.run(*SUPPLY)
    assert said.code == 1
    first = said.out.splitlines()[0]
    assert first.startswith("▲ FAIL  T1  capacitor rating (no-load voltage: pass)")
    listed = desk.run("record", "list").out
    assert "T1 supply: fail, capacitor rating: a 35 V" in listed
    page = tmp_path / "c.html"
    desk.run("record", "certificate", "--out", page)
    text = page.read_text(encoding="utf-8")
    assert "supply: failed: capacitor rating" in text
    assert "supply: failed: no-load voltage" not in text


def test_the_first_line_is_about_the_quantity_that_decided(desk: Desk) -> None:
    """15.00 V is within its limits; 28.6 ohm of source resistance is not."""
    said = desk.run("supply", "--nameplate", "15 V ac 20 VA", "--reading", "15.00 V ac", "--accuracy", "0.5 % + 2",
                    "--load", "150 ohm", "--loaded", "12.6 V ac")  # fmt: skip
    assert said.code == 1
    assert said.out.startswith("▲ FAIL  source resistance 28.6 ± 4.6 Ω   allowed ≤")


def test_a_value_inside_its_limits_is_not_the_headline_of_a_fail(desk: Desk) -> None:
    """9.12 V is within the limits of a part of either kind; that neither kind fits is why it fails."""
    said = desk.run("supply", "--nameplate", "9 V dc 1 A", "--reading", "9.12 V dc", "--accuracy", "0.5 % + 2",
                    "--load", "10 ohm", "--loaded", "5.00 V dc")  # fmt: skip
    assert said.code == 1
    first, reason, *_ = said.out.splitlines()
    assert first == "▲ FAIL  supply"
    assert "wrong for a regulated output" in reason
    assert "allowed" not in said.out


def test_a_caution_is_cut_outside_of_its_brackets(desk: Desk) -> None:
    """The limits of extra-low voltage are of IEC 61140 (from memory)."""
    said = desk.run("supply", "--nameplate", "100 V ac 20 VA", "--reading", "110.3 V ac")
    assert "(50 V AC, 120 V DC; IEC 61140): treat it as live." in said.words


def test_a_whole_number_of_turns_says_how_sure_it_is(desk: Desk) -> None:
    """Its interval may reach over the limits: it is judged by the probability of the count."""
    samples = Path(__file__).parents[2] / "sample_captures"
    said = desk.run("ratio", "--capture", samples / "ct2_100_turns.csv", "--swapped", samples / "ct2_100_turns_swapped.csv",
                    "--primary", "CH1", "--secondary", "CH2", "--expect", "100")  # fmt: skip
    assert said.code == 0
    assert "100 turns: over 99.9 % sure" in said.words


def test_the_certificate_tells_where_limits_came_with_the_reading(desk: Desk, tmp_path: Path) -> None:
    """A one-shot command has limits and reading in one line; a plan's check had them before."""
    desk.run(*SUPPLY)
    page = tmp_path / "c.html"
    desk.run("record", "certificate", "--out", page)
    assert "except where they were computed or typed together with it: supply (entry" in page.read_text(
        "utf-8"
    )


@pytest.mark.parametrize(
    "tables",
    [
        (reading_check("C01", "V=", high="6 V", after=["C01"]),),
        (
            reading_check("C01", "V=", high="6 V", after=["C02"]),
            reading_check("C02", "V=", high="6 V", after=["C01"]),
        ),
    ],
)
def test_checks_that_wait_for_each_other_are_refused(tables: tuple[str, ...], tmp_path: Path) -> None:
    """None of them could ever be first, so a hold behind them would never open."""
    path = tmp_path / "plan.toml"
    path.write_text(plan_text(part("T1"), *tables), encoding="utf-8")
    with pytest.raises(ConfigError, match="after each other: C01"):
        read_plan(path)


def test_a_step_is_taken_once(desk: Desk, tmp_path: Path) -> None:
    """A second time is refused as a second time."""
    path = desk.folder / "plan.toml"
    path.write_text(
        plan_text(part("T1"), reading_check("C01", "V=", high="6 V"), hold("H1", "solder", "C01")), "utf-8"
    )
    assert desk.run("release", path, "H1", "--concession", "spare at hand").code == 0
    assert desk.run("release", path, "H1", "--taken").code == 0
    again = desk.run("release", path, "H1", "--taken")
    assert again.code == 2
    assert "marked as taken" in again.err


def test_meters_that_agree_on_zero_prove_nothing(desk: Desk) -> None:
    """Said beside the verdict; of a live node it is not said."""
    dead = desk.run("crosscheck", "--reading", "MA-01=0.00 V ac", "--reading", "MB-02=0.0 V ac")
    assert "does not prove the circuit dead" in " ".join(dead.out.split())
    live = desk.run("crosscheck", "--reading", "MA-01=27.75 V ac", "--reading", "MB-02=27.8 V ac")
    assert "proves nothing" not in live.out


@pytest.mark.parametrize(
    ("words", "example"),
    [
        (["diagnose", "--expect", "27 V ac", "--reading", "0 V ac", "--evidence", "look"], "fresh_cell="),
        (["watch", "sim:MA-01", "--group", "T1 output"], "=MA-01,MB-02"),
        (["record", "list", "--limit", "-3"], "--all lists all"),
    ],
)
def test_the_hint_fits_the_option(words: list[str], example: str, capsys: pytest.CaptureFixture[str]) -> None:
    """An example that could not be typed there helps nobody."""
    try:
        code: object = main(words)
    except SystemExit as ended:  # argparse's own way out
        code = ended.code
    assert code == 2
    assert example in capsys.readouterr().err


def test_enter_leaves_no_check_out(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A key pressed once too often must not skip a question."""
    monkeypatch.setattr("sys.stdin", io.StringIO("\n\n"))
    main(["diagnose", "--expect", "27 V ac", "--reading", "0.003 V ac", "--ask", "--no-record"])
    out = capsys.readouterr().out
    assert out.count("look at dial") == 3
    assert "not taken: look: '' is not one of the answers" in out


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_without_the_marks_gets_the_words(encoding: str, tmp_path: Path) -> None:
    """The verdict is a word beside its mark; JSON stays whole by its own escapes."""
    command = [sys.executable, "-m", "benchlog", *SUPPLY, "--no-record"]
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    plain = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, check=False)
    assert plain.returncode == 1
    assert b"pass" in plain.stdout
    done = subprocess.run(
        [*command, "--json"], cwd=tmp_path, env=environment, capture_output=True, check=False
    )
    assert done.stdout.isascii()
    assert done.returncode == 1
