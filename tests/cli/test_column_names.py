"""A column may be called as the file writes it, with its unit, wherever a command takes one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchlog.cli import main


@pytest.fixture(autouse=True)
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A capture of 60 turns, the same swapped, a log of two meters and one in long form."""
    monkeypatch.chdir(tmp_path)
    g = np.random.default_rng(1)
    t = np.arange(2000) * 1e-5
    for name, peaks in (("n.csv", (0.1, 6.0)), ("s.csv", (6.0, 0.1))):
        one, two = (v * np.sin(2 * np.pi * 500 * t) + g.normal(0, 1e-4, t.size) for v in peaks)
        rows = "".join(f"{a:.6f},{b:.6f},{c:.6f}\n" for a, b, c in zip(t, one, two, strict=True))
        Path(name).write_text("time_s,CH1_V,CH2 (V)\n" + rows, encoding="utf-8")
    readings = 5 + g.normal(0, 1e-3, (200, 2))
    rows = "".join(f"{k},{a:.4f},{b:.4f}\n" for k, (a, b) in enumerate(readings))
    Path("log.csv").write_text("time_s,DUT_V,Ref_V\n" + rows, encoding="utf-8")
    rows = "".join(f"{a:.4f},{k % 2 + 1},{k // 6 + 1}\n" for k, (a, _) in enumerate(readings[:60]))
    Path("long.csv").write_text("shown_V,meter,part\n" + rows, encoding="utf-8")


def answer(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """The command's JSON."""
    main([*words, "--no-record", "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert "error" not in found, found
    return found


RATIO = ("ratio", "--capture", "n.csv", "--swapped", "s.csv", "--expect", "60", "--primary")


@pytest.mark.parametrize(
    ("tidy", "written"),
    [
        ((*RATIO, "CH1", "--secondary", "CH2"), (*RATIO, "CH1_V", "--secondary", "CH2 (V)")),
        ((*RATIO, "CH1", "--secondary", "CH2"), (*RATIO, "ch1", "--secondary", "ch2 (v)")),
        (
            (*RATIO, "CH1", "--secondary", "CH2", "--probe", "CH1=10"),
            (*RATIO, "CH1_V", "--secondary", "CH2", "--probe", "CH1_V=10"),
        ),
        (
            ("supply", "--nameplate", "4 V ac 1 A", "--capture", "n.csv", "--channel", "CH2"),
            ("supply", "--nameplate", "4 V ac 1 A", "--capture", "n.csv", "--channel", "CH2 (V)"),
        ),
        (
            ("crosscheck", "--log", "log.csv", "--columns", "DUT,Ref"),
            ("crosscheck", "--log", "log.csv", "--columns", "DUT_V,Ref_V"),
        ),
        (
            ("crosscheck", "--log", "long.csv", "--columns", "shown", "--by", "meter", "--item", "part"),
            ("crosscheck", "--log", "long.csv", "--columns", "shown_V", "--by", "meter", "--item", "part"),
        ),
    ],
)
def test_both_names_give_the_same_answer(
    capsys: pytest.CaptureFixture[str], tidy: tuple[str, ...], written: tuple[str, ...]
) -> None:
    first, second = answer(capsys, *tidy), answer(capsys, *written)
    for same in (first, second):
        same.pop("time")
    assert first == second


def test_inductance_and_the_waveform_of_a_comparison_take_them(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(
        capsys,
        *("inductance", "--capture", "n.csv", "--across", "CH2 (V)", "--resistor-channel", "CH1_V"),
        *("--resistor", "1 kohm"),
    )
    assert found["quantities"]["frequency"]["value"] == pytest.approx(500, rel=1e-3)
    found = answer(
        capsys,
        *("crosscheck", "--waveform", "n.csv", "--channel", "CH2 (V)"),
        *("--reading", "A=4.24 V ac", "--reading", "B=4.25 V ac"),
    )
    assert found["check"] == "crosscheck"
