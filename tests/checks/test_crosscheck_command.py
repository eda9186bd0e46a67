"""The command crosscheck: meters on one node, typed or from logs."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from helpers.two_logs import FloatArray, truth, two_logs
from helpers.waveforms import ideal_waveform

from benchlog.cli import main


def _bench_file(folder: Path, function: str, **accuracies: str) -> Path:
    file = folder / "bench.toml"
    file.write_text(
        "".join(
            f'[[instrument]]\ntag = "{tag}"\n[[instrument.accuracy]]\nfunction = "{function}"\nstatement = "{text}"\n'
            for tag, text in accuracies.items()
        ),
        encoding="utf-8",
    )
    return file


def _json(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, object]]:
    code = main(["crosscheck", "--json", "--no-record", *words])
    return code, json.loads(capsys.readouterr().out)


def test_command_gives_e_n_and_fails_above_one(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, out = _json(
        capsys,
        *("--reading", "A=5.19 V dc", "--reading", "B=5.000 V dc", "--accuracy", "A=0.8 % + 2"),
        *("--accuracy", "B=0.05 % + 0", "--resolution", "A=0.01 V", "--resolution", "B=1 uV"),
    )
    assert code == 1
    assert out["quantities"]["e_n"]["value"] == pytest.approx(2.67, abs=0.005)  # type: ignore[index]


def test_command_takes_repeated_readings_and_bench_ids(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bench = _bench_file(tmp_path, "V~", **{"MA-01": "1 % + 5", "MB-02": "1.2 % + 5"})
    readings = ["MA-01=27.80 V ac", "MB-02=27.7 V ac", "MA-01=27.60 V ac"]
    words = [w for r in readings for w in ("--reading", r)]
    code, out = _json(capsys, "--bench", str(bench), *words)
    assert code == 0
    assert out["details"]["meters"]["MB-02"]["accuracy"] == "1.2 % + 5"  # type: ignore[index]
    assert out["quantities"]["difference"]["value"] == pytest.approx(0, abs=1e-9)  # type: ignore[index]
    code, out = _json(capsys, "--bench", str(bench), "--reading", "MA-01=1 V ac", "--reading", "XX=1 V ac")
    assert (code, out["error"]) == (2, "no instrument 'XX' on the bench")


@pytest.mark.parametrize(
    "words",
    [
        (),
        ("--reading", "A=1 V dc"),
        ("--reading", "1 V dc"),
        ("--reading", "A=1 V", "--reading", "B=1 V dc"),
        ("--reading", "A=1 V dc", "--reading", "B=1 V dc", "--accuracy", "C=1 %"),
        ("--reading", "A=1 V dc", "--reading", "B=1 V dc", "--response", "A=peak"),
        ("--reading", "A=1 V dc", "--log", "x.csv"),
        ("--log", "a.csv", "--log", "b.csv", "--log", "c.csv"),
        ("--log", "nothing.csv", "--columns", "A,B"),
        ("--log", "nothing.csv", "--columns", "A"),
        ("--reading", "A=1 V dc", "--by", "PROBE"),
    ],
)
def test_command_refuses_what_it_can_not_use(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...]
) -> None:
    code, out = _json(capsys, *words)
    assert code == 2
    assert out["error"]
    assert out["hint"]


@pytest.mark.parametrize(("second", "code"), [("B=5 V dc", 3), ("B=5.2 V dc", 0), ("B=5.00 V dc", 3)])
def test_a_reading_that_agrees_with_anything_is_no_agreement(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    second: str,
    code: int,
) -> None:
    """5 V may be anything from 4.5 to 5.5 V; with all digits, what their manuals allow would decide."""
    monkeypatch.chdir(tmp_path)
    got, found = _json(capsys, "--reading", "A=5.19 V dc", "--reading", second)
    assert got == code
    assert ("agrees with almost anything" in str(found["reason"])) is (second == "B=5 V dc")


def test_command_explains_by_a_captured_waveform(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "w.csv"
    square = ideal_waveform("square 50% bipolar", 10 * (np.arange(5000) + 0.37) / 5000)
    path.write_text("time,CH1\n" + "".join(f"{i * 1e-5:.5f},{v:.1f}\n" for i, v in enumerate(square)))
    code, out = _json(
        capsys,
        *("--reading", "A=10.00 V ac", "--reading", "B=11.11 V ac", "--accuracy", "A=1 % + 5"),
        *("--accuracy", "B=1 % + 5", "--response", "A=true rms", "--response", "B=average"),
        *("--waveform", str(path)),
    )
    assert code == 0
    assert out["details"]["e_n_as_read"] > 1  # type: ignore[index]


def _log_file(path: Path, names: str, time_s: FloatArray, *columns: FloatArray) -> Path:
    rows = zip(time_s, *columns, strict=True)
    path.write_text(names + "\n" + "".join(",".join(f"{v:.4f}" for v in row) + "\n" for row in rows))
    return path


def test_command_with_one_log_and_with_two(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    t1, a, t2, b = two_logs(3, offset=12.0)
    one = _log_file(tmp_path / "a.csv", "time (s),MA (V)", t1, a)
    two = _log_file(tmp_path / "b.csv", "time (s),MB (V)", t2, b)
    code, out = _json(capsys, "--log", str(one), "--log", str(two), "--columns", "MA,MB")
    assert code == 3
    assert out["details"]["clock"]["offset_s"] == pytest.approx(12, abs=0.3)  # type: ignore[index]
    both = _log_file(tmp_path / "both.csv", "time (s),MA (V),MB (V)", t1, a, a + 0.01)
    words = (
        "--log",
        str(both),
        "--columns",
        "MA,MB",
        "--resolution",
        "MA=0.01 V",
        "--resolution",
        "MB=10 mV",
    )
    code, out = _json(capsys, *words, "--accuracy", "MA=0.5 % + 2", "--accuracy", "MB=0.5 % + 2")
    assert (code, out["verdict"]) == (0, "pass")
    assert out["quantities"]["difference"]["value"] == pytest.approx(-0.01, abs=1e-4)  # type: ignore[index]
    bench = _bench_file(tmp_path, "V=", MA="0.5 % + 2", MB="0.5 % + 2")
    code, out = _json(capsys, *words, "--bench", str(bench))
    assert (code, out["verdict"]) == (0, "pass")
    code, out = _json(capsys, "--log", str(both), "--columns", "MA,XX")
    assert code == 2


def test_command_prints_levels_for_people(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    t = np.arange(0, 2000, 1.0)
    path = _log_file(tmp_path / "x.csv", "time (s),MA (V),MB (V)", t, truth(t), truth(t) + 0.02)
    assert main(["crosscheck", "--no-record", "--long", "--log", str(path)]) == 3
    out = capsys.readouterr().out
    assert "4 levels" in out
    assert "at rest until" in out
    assert "-20.00 mV" in out


def test_command_on_a_log_in_long_form(capsys: pytest.CaptureFixture[str], datasets: Path) -> None:
    file = str(datasets / "nist_five_probe_comparison.dat")
    code, out = _json(capsys, "--log", file, "--columns", "AVERAGE", "--by", "PROBE", "--item", "RUN,WAFER")
    assert code == 3
    assert out["reason"].startswith("2362 differs most")  # type: ignore[attr-defined]
