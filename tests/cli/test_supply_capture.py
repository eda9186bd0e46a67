"""supply from a capture file, and what one-shot commands say of a reading that looks wrong."""

from __future__ import annotations

import json
import math
import shlex
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from benchlog.cli import main

SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V")
FLAT = 38.2  # volt, where the crest of this mains is cut off
Call = Callable[..., tuple[int, dict]]  # type: ignore[type-arg]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def call(capsys: pytest.CaptureFixture[str]) -> Call:
    def run(*words: str) -> tuple[int, dict]:  # type: ignore[type-arg]
        code = main([*words, "--json", "--no-record"])
        return code, json.loads(capsys.readouterr().out)

    return run


def wave(peak: float = 27.7 * math.sqrt(2), flat: float = FLAT, dc: float = 0.0) -> np.ndarray:
    """Five cycles of 50 Hz in 10 000 samples, steps of 0.4 V as of 8 bits, a little noise."""
    t = np.arange(10_000) * 1e-5
    noise = np.random.default_rng(1).normal(0.0, 0.1, len(t))
    return np.round((np.clip(peak * np.sin(2 * np.pi * 50 * t + 0.3), -flat, flat) + dc + noise) / 0.4) * 0.4


def save(folder: Path, **channels: np.ndarray) -> str:
    n = len(next(iter(channels.values())))
    table = np.column_stack([np.arange(n) * 1e-5, *channels.values()])
    head = f"time,{','.join(channels)}\ns{',V' * len(channels)}"
    np.savetxt(folder / "out.csv", table, delimiter=",", header=head, comments="", fmt="%.8g")
    return "out.csv"


def test_rms_with_the_channels_gain_and_peak_as_recorded(call: Call, folder: Path) -> None:
    """U is that of 3 % gain, half-width: 2 x 0.03/sqrt 3; the peak is the flat top, not 1.41 times the rms."""
    code, result = call(*SUPPLY, "--capture", save(folder, CH1=wave(), CH2=wave(1.0)), "--channel", "CH1")
    quantities = result["quantities"]
    rms = float(
        np.sqrt(
            np.mean(
                np.clip(27.7 * math.sqrt(2) * np.sin(2 * np.pi * np.arange(2000) / 2000), -FLAT, FLAT) ** 2
            )
        )
    )
    assert code == 0
    assert quantities["no_load_voltage"]["value"] == pytest.approx(rms, rel=2e-3)
    assert quantities["no_load_voltage"]["expanded_uncertainty"] == pytest.approx(
        rms * 2 * 0.03 / math.sqrt(3), rel=0.02
    )
    assert quantities["rectified_peak"]["value"] == pytest.approx(FLAT - 0.7, abs=0.5)
    assert quantities["frequency"]["value"] == pytest.approx(50.0, rel=1e-4)
    for name in ("rms", "ac_rms", "mean", "thd", "crest_factor", "form_factor"):
        assert name in quantities


def test_gain_accuracy_is_taken_from_the_option(call: Call, folder: Path) -> None:
    _, result = call(*SUPPLY, "--capture", save(folder, CH1=wave()), "--gain-accuracy", "0.5 %")
    assert result["quantities"]["no_load_voltage"]["expanded_uncertainty"] == pytest.approx(0.16, abs=0.01)


def test_probe_factor_counts(call: Call, folder: Path) -> None:
    file = save(folder, CH1=wave() / 10)
    _, result = call(*SUPPLY, "--capture", file, "--probe", "CH1=10")
    assert result["quantities"]["rms"]["value"] == pytest.approx(27.6, abs=0.2)


def test_a_dc_nameplate_takes_the_mean(call: Call, folder: Path) -> None:
    file = save(folder, CH1=wave(peak=0.5, dc=12.4))
    _, result = call("supply", "--nameplate", "12 V dc 12 VA", "--capture", file)
    assert result["quantities"]["no_load_voltage"]["value"] == pytest.approx(12.4, abs=0.02)


def test_the_load_point_goes_with_it(call: Call, folder: Path) -> None:
    _, result = call(
        *SUPPLY, "--capture", save(folder, CH1=wave()), "--load", "15 ohm", "--loaded", "24.7 V ac"
    )
    assert "source_resistance" in result["quantities"]
    assert any("different meters" in f for f in result["findings"])


def test_no_verdict_rests_on_a_clipped_record(call: Call, folder: Path) -> None:
    """An 8-bit record at its ends: indeterminate, and said why."""
    file = folder / "clipped.npz"
    codes = np.clip(np.round(wave(flat=99.0) / 0.25), -128, 127).astype(np.int8)
    np.savez(file, CH1=codes.astype(float) * 0.25, interval_s=1e-5)
    code, result = call(*SUPPLY, "--capture", str(file), "--sample-interval", "10 us")
    assert (code, result["verdict"]) == (3, "indeterminate")
    assert "is clipped" in result["reason"]
    assert [way["action"] for way in result["details"]["would_settle"]] == [
        "capture again on the next larger range"
    ]


def test_a_clipped_channel_is_called_by_its_name(call: Call, folder: Path) -> None:
    file = save(folder, CH1=wave(1.0), CH2=np.clip(wave(flat=99.0), -30.0, 30.0))
    _, result = call(*SUPPLY, "--capture", file, "--channel", "CH2")
    assert "channel CH2 is clipped" in result["reason"]


def test_a_mistyped_file_is_named(call: Call, folder: Path) -> None:
    save(folder, CH1=wave())
    code, answer = call(*SUPPLY, "--capture", "out.cvs")
    assert (code, answer["hint"]) == (2, "did you mean out.csv?")


@pytest.mark.parametrize(
    ("words", "said", "hinted"),
    [
        ((), "which channel", "CH1, CH2"),
        (("--channel", "CH9"), "CH9", "CH1, CH2"),
        (("--channel", "CH1", "--reading", "27 V ac"), "not both", "leave one of them"),
        (("--channel", "CH1", "--probe", "CH7=10"), "CH7", "CH1, CH2"),
        (("--channel", "CH1", "--gain-accuracy", "3 V"), "gain accuracy", "0.5 %"),
    ],
)
def test_bad_use_is_one_clear_error(
    words: tuple[str, ...], said: str, hinted: str, call: Call, folder: Path
) -> None:
    code, answer = call(*SUPPLY, "--capture", save(folder, CH1=wave(), CH2=wave()), *words)
    assert code == 2
    assert said in answer["error"]
    assert hinted in answer["hint"]


# ---- readings that look wrong ----


@pytest.mark.parametrize(
    ("typed", "question"),
    [
        ("27.7 mV ac", "a thousandth of the expected"),
        ("38.3 V ac", "peak value"),
        ("271 V ac", "ten times the expected"),
        ("13.6 V ac", "half the expected"),
    ],
)
def test_a_slip_is_asked_about_and_kept_as_read(typed: str, question: str, call: Call) -> None:
    _, result = call("supply", "--nameplate", "24 V ac 40 VA", "--mains", "230 V", "--reading", typed)
    findings = " ".join(result["findings"])
    assert question in findings
    assert "Nothing was changed." in findings
    shown = float(typed.split()[0]) * (1e-3 if "mV" in typed else 1)
    assert result["quantities"]["no_load_voltage"]["value"] == pytest.approx(shown)


def test_the_way_on_is_a_command_that_runs(call: Call, capsys: pytest.CaptureFixture[str]) -> None:
    _, result = call(*SUPPLY, "--reading", "0.02 V ac")
    (line,) = (f for f in result["findings"] if "benchlog diagnose" in f)
    words = shlex.split(line[line.index("benchlog diagnose") :])
    assert main([*words[1:], "--json", "--no-record"]) == 0
    assert json.loads(capsys.readouterr().out)["next"]


def test_a_plausible_reading_raises_nothing(call: Call) -> None:
    _, result = call(*SUPPLY, "--reading", "27.75 V ac", "--accuracy", "1 % + 5")
    assert not [f for f in result["findings"] if "diagnose" in f or "Nothing was changed." in f]


def test_crosscheck_and_continuity_point_on_too(call: Call) -> None:
    accuracies = ("--accuracy", "A=1 % + 5", "--accuracy", "B=1 % + 5")
    _, result = call("crosscheck", "--reading", "A=27.75 V ac", "--reading", "B=2.78 V ac", *accuracies)
    assert any("tenth" in f or "ten times" in f for f in result["findings"])
    assert any("benchlog diagnose" in f for f in result["findings"])
    _, result = call(
        "continuity",
        "--reading",
        "2.1 ohm",
        "--wire",
        "AWG 24",
        "--length",
        "2.4 m",
        "--accuracy",
        "0.8 % + 2",
    )
    assert any("benchlog diagnose --expect '0.2021 ohm'" in f for f in result["findings"])


@pytest.mark.parametrize(
    ("words", "said", "hinted"),
    [
        (("--mains-nominal", "0 V"), "above zero", "digits"),
        (("--mains-nominal", "-230 V"), "above zero", "digits"),
        (("--capacitor", "-35 V"), "above zero", "digits"),
        (("--tolerance", "600 %"), "out of range", "6 %"),
        (("--tolerance", "-6 %"), "out of range", "6 %"),
        (("--resolution", "0 V"), "above zero", "10 mV"),
        (("--load", "0 ohm", "--loaded", "24 V ac"), "positive", "--load"),
        (("--channel", "CH1"), "--channel", "--capture"),
        (("--gain-accuracy", "3 %"), "--gain-accuracy", "--capture"),
    ],
)
def test_numbers_that_can_not_be_are_refused(
    words: tuple[str, ...], said: str, hinted: str, call: Call
) -> None:
    code, answer = call(*SUPPLY, "--reading", "27.7 V ac", *words)
    assert code == 2
    assert said in answer["error"]
    assert hinted in answer["hint"]


def test_overload_points_to_the_diagnosis(call: Call) -> None:
    code, answer = call(*SUPPLY, "--reading", "OL V ac")
    assert code == 2
    assert "benchlog diagnose" in answer["hint"]


def test_copper_far_from_any_bench_is_refused(call: Call) -> None:
    wire = ("--wire", "AWG 24", "--length", "2 m", "--temperature", "900 degC")
    code, answer = call("continuity", "--reading", "0.2 ohm", *wire)
    assert (code, "250 degC" in answer["error"]) == (2, True)


@pytest.mark.parametrize("width_s", [1e-3, 10e-3])
def test_a_single_pulse_gives_no_verdict(call: Call, folder: Path, width_s: float) -> None:
    """One pulse in the record is not an alternating voltage, whatever the fit takes for its cycles."""
    t = np.arange(10_000) * 1e-5
    pulse = np.where((t > 0.03) & (t < 0.03 + width_s), np.sin(np.pi * (t - 0.03) / width_s), 0.0)
    noise = 0.02 * np.random.default_rng(1).normal(size=t.size)
    code, result = call(*SUPPLY, "--capture", save(folder, CH1=39 * pulse + noise))
    assert code == 3
    assert result["verdict"] == "indeterminate"
    assert "no verdict from this record" in result["reason"]
    if width_s > 5e-3:  # shorter ones are taken for a tone that comes and goes
        assert "does not repeat" in result["reason"]


def test_a_single_pulse_gives_no_value_and_says_what_to_capture(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    """Its rms depends on how long the record is, so no number of it is shown."""
    t = np.arange(10_000) * 1e-5
    pulse = 30.0 * np.exp(-(((t - 0.05) / 0.003) ** 2)) + np.random.default_rng(1).normal(0.0, 0.01, len(t))
    assert main([*SUPPLY, "--capture", save(folder, CH1=pulse), "--no-record"]) == 3
    shown = " ".join(capsys.readouterr().out.split())
    assert "the record does not repeat (a single pulse" in shown
    assert "capture again with ten cycles or more" in shown
    assert "allowed" not in shown
