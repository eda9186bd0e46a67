"""The captures of `sample_captures/` against the truth beside them, and the script that made them."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from benchlog.capture_files import load_capture
from benchlog.cli import main

FOLDER = Path(__file__).parent.parent / "sample_captures"
TRUTH: dict[str, dict[str, Any]] = json.loads((FOLDER / "captures.truth.json").read_text(encoding="utf-8"))
PLAIN = ("ct1_60_turns.csv", "ct2_100_turns.csv", "ct2_101_turns.csv")
DIVIDED = ("ct1_60_turns_divider.npz", "ct2_100_turns_divider.npz", "ct2_101_turns_divider.npz")


def _ratio(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    code = main(["ratio", "--json", "--no-record", "--primary", "CH1", "--secondary", "CH2", *arguments])
    return code, json.loads(capsys.readouterr().out)


def _swapped(name: str) -> str:
    stem, dot, ending = name.rpartition(".")
    return f"{stem}_swapped{dot}{ending}"


@pytest.mark.parametrize("name", PLAIN + DIVIDED)
@pytest.mark.parametrize("swap", [False, True])
def test_each_capture_reads_as_its_truth_within_the_stated_uncertainty(
    name: str, swap: bool, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)  # no bench file: default gains
    truth = TRUTH[name]
    options = ["--capture", str(FOLDER / name), "--expect", str(truth["turns"])]
    if swap:
        options += ["--swapped", str(FOLDER / _swapped(name))]
    if "divider" in truth:
        options += ["--divider", f"{truth['divider']}:1", "--divider-tolerance", "0.2 %"]
    _, result = _ratio(capsys, *options)
    ratio = result["quantities"]["turns_ratio"]
    assert ratio["value"] == pytest.approx(truth["turns"], abs=ratio["expanded_uncertainty"])
    frequency = result["quantities"]["frequency"]["value"]
    assert frequency == pytest.approx(truth["frequency_hz"], rel=1e-4)  # two clocks, 10 ppm each
    assert not any("polarity" in finding for finding in result["findings"])


def test_a_swapped_capture_alone_has_the_channels_the_other_way_round(
    capsys: pytest.CaptureFixture[str],
) -> None:
    name = _swapped("ct1_60_turns.csv")
    channels = ("--primary", "CH2", "--secondary", TRUTH[name]["on_winding"])
    code = main(
        ["ratio", "--json", "--no-record", "--capture", str(FOLDER / name), "--expect", "60", *channels]
    )
    ratio = json.loads(capsys.readouterr().out)["quantities"]["turns_ratio"]
    assert code == 3
    assert ratio["value"] == pytest.approx(60, abs=ratio["expanded_uncertainty"])


def test_60_turns_pass_with_a_swap_from_the_checkout(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(FOLDER.parent)
    code, result = _ratio(
        capsys,
        *("--capture", "sample_captures/ct1_60_turns.csv", "--expect", "60"),
        *("--swapped", "sample_captures/ct1_60_turns_swapped.csv"),
    )
    assert code == 0
    assert result["turns"]["most_likely"] == 60


def test_101_turns_against_a_plan_of_100_can_not_be_decided_by_a_plain_reading(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code, result = _ratio(capsys, "--capture", str(FOLDER / "ct2_101_turns.csv"), "--expect", "100")
    assert code == 3
    assert result["verdict"] == "indeterminate"
    assert "97 to 106 turns fit" in result["reason"]


def test_101_turns_against_a_plan_of_100_fail_with_swap_and_divider(
    capsys: pytest.CaptureFixture[str],
) -> None:
    name = "ct2_101_turns_divider.npz"
    options = ["--swapped", str(FOLDER / _swapped(name)), "--divider", "100:1"]
    code, result = _ratio(
        capsys,
        *("--capture", str(FOLDER / name), "--expect", "100", "--divider-tolerance", "0.2 %"),
        *options,
    )
    assert code == 1
    assert result["verdict"] == "fail"
    assert "101" in result["reason"]
    assert result["turns"]["most_likely"] == 101


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_captures_are_small_8_bit_and_unclipped(name: str) -> None:
    assert (FOLDER / name).stat().st_size <= 200_000
    for channel in load_capture(FOLDER / name).channels:
        assert channel.codes.dtype == np.uint8
        assert channel.code_limits == (0, 255)
        assert channel.codes.min() > 0
        assert channel.codes.max() < 255


def test_the_script_makes_the_same_files(tmp_path: Path) -> None:
    script = _script()
    script.CORES = tuple(core for core in script.CORES if core[0] == "ct1_60_turns")
    truth = script.make(tmp_path)
    for name in ("ct1_60_turns.csv", "ct1_60_turns_swapped.csv"):
        assert truth[name] == TRUTH[name]
        made, kept = load_capture(tmp_path / name), load_capture(FOLDER / name)
        assert made.interval_s == kept.interval_s
        for own, other in zip(made.channels, kept.channels, strict=True):
            assert np.array_equal(own.codes, other.codes)


def _script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_captures", FOLDER / "make_captures.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
