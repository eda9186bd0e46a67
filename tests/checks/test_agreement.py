"""Two instruments logged: bias, scatter, drift, limits of agreement, levels, clocks.

Values of real logs were computed independently with numpy and scipy from the same files, 2026-11.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.capture_files import load_log
from benchlog.checks.agreement import check_agreement
from benchlog.checks.alignment import align, pair
from benchlog.checks.log_series import Series
from benchlog.checks.probe_bias import check_probe_bias, probe_biases
from benchlog.checks.series_comparison import compare_series
from benchlog.checks.settled import count_size, settled_steps
from benchlog.cli import main
from benchlog.errors import AnalysisError, UsageError
from benchlog.metrology.accuracy import Accuracy, parse_accuracy
from benchlog.result import Verdict

FloatArray = npt.NDArray[np.float64]

THERMOMETERS = {
    "thermometers_semicolon_decimal_comma.csv": ("DUT", "Ref"),
    "thermometers_comma_steps.csv": ("DUT", "Ref"),
    "thermometers_two_references.csv": ("DUT temperature", "Reference temperature"),
}
# file, n, bias, sd, median, largest, low, high, slope, intercept, r, drift (least squares, Theil-Sen)
PAIRS = [
    (
        *("thermometers_semicolon_decimal_comma.csv", 1790, -0.6949707, 0.7345121, -0.615, 2.635, -2.1346),
        *(0.74467, 0.9901055, -0.2090197, 0.999851, -0.000184092, -0.0001525199),
    ),
    (
        *("thermometers_comma_steps.csv", 3502, -0.6712307, 0.6319256, -0.605, 2.195, -1.9098),
        *(0.56734, 0.9913262, -0.2437459, 0.99986, -7.781716e-05, -5.894192e-05),
    ),
    (
        *("thermometers_two_references.csv", 1107, -0.5065086, 0.1432269, -0.515, 0.8325, -0.78723),
        *(-0.22578, 1.000728, -0.5282649, 0.999847, 1.716459e-06, -5.208333e-06),
    ),
]
# Errors of the digital thermometer at each set point, mean of the last 30 readings before it changed.
SETTLED = {
    "thermometers_semicolon_decimal_comma.csv": [-0.006333, -0.5654, -0.4367, -0.5958],
    "thermometers_comma_steps.csv": [0.02783, -0.2882, -0.5496, -0.42, -0.3635, -0.4568, -0.6063, -0.607],
    "thermometers_two_references.csv": [-0.4217, -0.6098],
}


@pytest.mark.parametrize("row", PAIRS, ids=[str(row[0]) for row in PAIRS])
def test_thermometer_pairs(datasets: Path, row: tuple[object, ...]) -> None:
    file, n, bias, sd, median, largest, low, high, slope, intercept, r, drift, robust = row
    log = load_log(datasets / str(file))
    first, second = (log.column(c) for c in THERMOMETERS[str(file)])
    found = compare_series(log.time_s, first, second)
    assert found.difference.n == n
    assert found.difference.mean == pytest.approx(bias, rel=1e-6)
    assert found.difference.sd == pytest.approx(sd, rel=1e-6)
    assert found.difference.median == pytest.approx(median)
    assert found.largest == pytest.approx(largest)
    assert (found.limits_low, found.limits_high) == (
        pytest.approx(low, rel=1e-4),
        pytest.approx(high, rel=1e-4),
    )
    assert found.regression.slope == pytest.approx(slope, rel=1e-6)
    assert found.regression.intercept == pytest.approx(intercept, rel=1e-6)
    assert found.regression.correlation == pytest.approx(r, rel=1e-6)
    assert found.drift.slope == pytest.approx(drift, rel=1e-5)
    assert found.robust_drift == pytest.approx(robust, rel=1e-5)


@pytest.mark.parametrize("file", list(SETTLED))
def test_settled_errors_are_found_without_being_told_the_set_points(datasets: Path, file: str) -> None:
    """Every level once, each error within 0.02 degC (found: within 0.004)."""
    log = load_log(datasets / file)
    first, second = (log.column(c) for c in THERMOMETERS[file])
    steps = settled_steps(log.time_s, first, second)
    assert [s.difference for s in steps] == pytest.approx(SETTLED[file], abs=0.02)


def test_probe_pair_and_mains_phases(datasets: Path) -> None:
    log = load_log(datasets / "thermal_bench_8_probes_messy_header.csv")
    found = compare_series(log.time_s, log.column("Probe 5 hot near tile"), log.column("Probe 1 hot middle"))
    assert (found.difference.mean, found.difference.sd) == (
        pytest.approx(0.02210667, rel=1e-5),
        pytest.approx(0.04911996, rel=1e-5),
    )
    assert found.drift.slope == pytest.approx(1.504248e-06, rel=1e-5)
    one, two = (load_log(datasets / f"mains_rms_log_1hz_L{i}.csv") for i in (1, 2))
    result = check_agreement(
        Series("L2", two.time_s, two.column("voltage")),
        Series("L1", one.time_s, one.column("voltage")),
        same_clock=False,
    )
    assert result.details["bias"] == pytest.approx(-0.8877381, rel=1e-6)
    assert result.details["scatter"] == pytest.approx(0.5033506, rel=1e-6)
    assert result.details["clock"]["applied"] is False, "one clock: nothing significant to apply"


def test_five_resistivity_probes(datasets: Path) -> None:
    """NIST, biases of a wafer + probe model by least squares (numpy), runs apart: probe 2362 reads lowest."""
    log = load_log(datasets / "nist_five_probe_comparison.dat")
    expected = {
        1: {"1": 0.02135, "281": 0.01917, "283": 0.005021, "2062": -0.01831, "2362": -0.02723},
        2: {"1": 0.008042, "281": 0.01235, "283": -0.0002913, "2062": 0.0312, "2362": -0.0513},
    }
    for run, biases in expected.items():
        rows = log.column("RUN") == run
        found = probe_biases(
            log.column("AVERAGE")[rows],
            [f"{v:g}" for v in log.column("PROBE")[rows]],
            [f"{v:g}" for v in log.column("WAFER")[rows]],
        )
        assert {b.instrument: b.bias for b in found} == pytest.approx(biases, rel=1e-3)
        assert sum(b.bias for b in found) == pytest.approx(0, abs=1e-9)
        lowest = min(found, key=lambda b: b.bias)
        assert (lowest.instrument, abs(lowest.bias) > 2 * lowest.u) == ("2362", True)


def test_tiny_pairs_by_number_of_row(datasets: Path) -> None:
    log = load_log(datasets / "nist_thermometer_pairs_headerless.dat", ["read", "reference"])
    found = compare_series(log.time_s, log.column("read"), log.column("reference"))
    assert (found.difference.mean, found.difference.sd) == (
        pytest.approx(-0.025),
        pytest.approx(0.2627873, rel=1e-6),
    )
    assert (found.limits_low, found.limits_high) == (
        pytest.approx(-0.54006, rel=1e-4),
        pytest.approx(0.49006, rel=1e-4),
    )
    assert (found.regression.slope, found.regression.intercept) == (
        pytest.approx(1.030238, rel=1e-6),
        pytest.approx(-3.139524, rel=1e-6),
    )


def _truth(time_s: FloatArray) -> FloatArray:
    """A voltage that is changed now and then, with ramps of some tens of seconds."""
    return np.interp(time_s, [0, 200, 260, 600, 640, 1200, 1300, 2000], [0, 0, 10, 10, 35, 35, 20, 20])


def _two_logs(
    seed: int, offset: float = 0.0, rate: float = 0.0, noise: float = 0.05
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    t1 = np.arange(0, 2000, 1.0) + rng.uniform(-0.05, 0.05, 2000)
    t2 = np.arange(100, 1950, 3.7)
    a = _truth(t1) + rng.normal(0, noise, t1.size)
    b = 0.99 * _truth(t2) - 0.2 + rng.normal(0, noise, t2.size)
    return t1, a, t2 + offset + rate * (t2 - 1000), b


@pytest.mark.parametrize(("offset", "rate"), [(7.3, 0.0), (-333.3, 0.0), (0.0, 0.0), (20.0, 1e-3)])
def test_offset_and_rate_of_a_second_clock_with_honest_uncertainty(offset: float, rate: float) -> None:
    """Rates of 1 and 0.27 readings a second; twice the stated uncertainty covers the truth as often as it should."""
    z, z_rate = [], []
    for seed in range(40):
        found = align(*_two_logs(seed, offset, rate))
        assert not found.reason
        z.append((found.offset_s - offset - rate * (found.middle_s - 1000)) / found.u_offset_s)
        z_rate.append((found.rate - rate) / found.u_rate)
    assert np.mean(np.abs(z) < 2) >= 0.85
    assert np.mean(np.abs(z_rate) < 2) >= 0.85
    assert abs(np.mean(z)) < 0.7
    assert np.std(z) > 0.4, "not hidden in a wide claim"


def test_offset_is_applied_only_when_significant() -> None:
    applied = [align(*_two_logs(seed)).significant for seed in range(60)]
    assert np.mean(applied) < 0.15
    assert align(*_two_logs(1, 5.0)).significant


def test_clocks_are_left_alone_where_nothing_tells() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(500.0)
    assert align(t, rng.normal(size=500), t, rng.normal(size=500)).reason
    assert align(t, np.ones(500), t, np.ones(500)).reason
    wave = np.sin(2 * np.pi * t / 20)
    assert "several offsets" in align(t, wave, t, wave).reason, "a periodic signal fits at every period"
    assert "fewer" in align(t[:5], t[:5], t[:5], t[:5]).reason


def test_two_logs_agree_once_the_clock_is_taken_out() -> None:
    t1, a, t2, b = _two_logs(3, offset=30.0)
    result = check_agreement(Series("A", t1, a, "V"), Series("B", t2, b / 0.99, "V"), same_clock=False)
    assert result.details["clock"]["applied"] is True
    assert result.details["clock"]["offset_s"] == pytest.approx(30, abs=0.3)
    assert result.details["bias"] == pytest.approx(0.2 / 0.99, abs=0.03)
    assert result.details["scatter"] < 0.15
    assert any("ahead of" in f for f in result.findings)
    # Three levels: the first is shorter than 30 readings of the slower log.
    assert [s["difference"] for s in result.details["steps"]] == pytest.approx([0.2 / 0.99] * 3, abs=0.05)


def test_a_lag_in_one_log_is_told_and_not_applied() -> None:
    t = np.arange(0, 2000, 1.0)
    rng = np.random.default_rng(2)
    a, late = _truth(t) + rng.normal(0, 0.02, t.size), _truth(t - 8) + rng.normal(0, 0.02, t.size)
    result = check_agreement(Series("A", t, a), Series("B", t, late), same_clock=True)
    assert result.details["clock"]["applied"] is False
    assert result.details["clock"]["offset_s"] == pytest.approx(8, abs=0.05)
    assert any(f.startswith("B lags A by") for f in result.findings)
    assert result.details["largest"] > 3, "the lag stays in the differences"


def test_e_n_is_judged_where_both_accuracies_are_known() -> None:
    t = np.arange(0, 2000, 1.0)
    a = _truth(t) + 10
    plain = Series("A", t, a, "V", Accuracy(0.005, 2), 0.01)
    for gain, verdict in ((1.004, Verdict.PASS), (1.02, Verdict.FAIL)):
        other = Series("B", t, a * gain, "V", Accuracy(0.005, 2), 0.01)
        result = check_agreement(plain, other, same_clock=True)
        assert result.verdict is verdict
        level = 45.0  # E_n is worst at the highest level: the counts weigh least there
        u = np.hypot(*(2 * (0.005 * v + 0.02) / np.sqrt(3) for v in (level, level * gain)))
        assert result.quantities["e_n"].value == pytest.approx(level * (gain - 1) / u, rel=1e-6)
    unknown = check_agreement(plain, Series("B", t, a, "V"), same_clock=True)
    assert unknown.verdict is Verdict.INDETERMINATE
    assert "e_n" not in unknown.quantities


def test_drift_beyond_its_uncertainty_is_a_finding_and_noise_is_not() -> None:
    t = np.arange(0, 4000, 10.0)
    flagged = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        a, b = 5 + rng.normal(0, 1e-3, t.size), 5 + rng.normal(0, 1e-3, t.size)
        still = check_agreement(Series("A", t, a, "V"), Series("B", t, b, "V"), same_clock=True)
        flagged += any("drifts" in f for f in still.findings)
        moving = check_agreement(Series("A", t, a + 1e-6 * t, "V"), Series("B", t, b, "V"), same_clock=True)
        assert any("drifts by" in f and "mV per hour" in f for f in moving.findings)
        assert moving.details["drift_per_s"]["robust"] == pytest.approx(1e-6, abs=4e-7)
    assert flagged <= 3


@settings(max_examples=30)
@given(st.integers(0, 1000), st.floats(-5, 5), st.floats(0.001, 10))
def test_swapping_turns_the_sign_and_the_unit_does_not_matter(seed: int, shift: float, scale: float) -> None:
    rng = np.random.default_rng(seed)
    t = np.arange(50.0)
    a, b = rng.normal(size=50), rng.normal(size=50) + shift
    one, other, scaled = (
        compare_series(t, a, b),
        compare_series(t, b, a),
        compare_series(t, scale * a, scale * b),
    )
    assert other.difference.mean == pytest.approx(-one.difference.mean, abs=1e-9)
    assert other.limits_low == pytest.approx(-one.limits_high, abs=1e-9)
    assert scaled.difference.sd == pytest.approx(scale * one.difference.sd, rel=1e-9)
    assert scaled.drift.slope == pytest.approx(scale * one.drift.slope, rel=1e-6, abs=1e-9)


def test_levels_are_found_on_coarse_displays_and_noise() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(0, 2000, 1.0)
    for noise, count in ((0.0, 0.01), (0.03, 0.01), (0.002, 0.1)):
        a = np.round((_truth(t) + rng.normal(0, noise, t.size)) / count) * count
        steps = settled_steps(t, a, a + 0.25)
        assert [round(s.first_value) for s in steps] == [0, 10, 35, 20]
        assert [s.difference for s in steps] == pytest.approx([-0.25] * 4)


@pytest.mark.parametrize("count", [0.01, 0.0625, 1e-6, 0.0])
def test_count_of_a_display_is_seen_in_its_values(count: float) -> None:
    rng = np.random.default_rng(6)
    values = np.round(rng.normal(0, 20, 500)) * count + 5
    assert count_size(values) == pytest.approx(count, rel=1e-6)


def test_gaps_are_not_bridged() -> None:
    t2 = np.concatenate((np.arange(0, 100.0), np.arange(500, 600.0)))
    values, valid = pair(np.arange(0, 650, 7.0), t2, t2)
    assert not valid[(np.arange(0, 650, 7.0) > 99) & (np.arange(0, 650, 7.0) < 500)].any()
    np.testing.assert_allclose(values[valid], np.arange(0, 650, 7.0)[valid])


def test_what_can_not_be_compared_is_refused() -> None:
    t = np.arange(9.0)
    with pytest.raises(UsageError, match="A is in V and B in degC"):
        check_agreement(Series("A", t, t, "V"), Series("B", t, t, "degC"), same_clock=True)
    with pytest.raises(UsageError, match="both are called"):
        check_agreement(Series("A", t, t), Series("A", t, t), same_clock=True)
    with pytest.raises(AnalysisError, match="hardly overlap in time"):
        check_agreement(Series("A", t, t), Series("B", t + 100, t), same_clock=False)
    with pytest.raises(AnalysisError, match="readings with a number"):
        check_agreement(Series("A", t, np.full(9, np.nan)), Series("B", t, t), same_clock=True)
    half = np.where(np.arange(9) % 2 == 0, t, np.nan)
    with pytest.raises(AnalysisError, match="only 0 rows"):
        check_agreement(
            Series("A", t, half), Series("B", t, np.where(np.isnan(half), t, np.nan)), same_clock=True
        )
    with pytest.raises(UsageError, match="one instrument"):
        probe_biases(t, ["a"] * 9, ["x"] * 9)
    with pytest.raises(AnalysisError, match="too few items"):
        probe_biases(t[:4], ["a", "a", "b", "b"], ["x", "x", "y", "y"])


def test_a_probe_that_stands_out_is_named() -> None:
    rng = np.random.default_rng(1)
    values, who, what = [], [], []
    for probe, bias in (("P1", 0.0), ("P2", 0.3), ("P3", 0.0)):
        for item in range(6):
            for _ in range(4):
                values.append(10 * item + bias + rng.normal(0, 0.05))
                who.append(probe)
                what.append(str(item))
    result = check_probe_bias(np.array(values), who, what, "V")
    assert result.verdict is Verdict.INDETERMINATE
    assert result.reason.startswith("P2 differs most")
    assert result.quantities["difference"].value == pytest.approx(0.2, abs=0.03)


def _log_file(path: Path, names: str, time_s: FloatArray, *columns: FloatArray) -> Path:
    rows = zip(time_s, *columns, strict=True)
    path.write_text(names + "\n" + "".join(",".join(f"{v:.4f}" for v in row) + "\n" for row in rows))
    return path


def _json(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, dict[str, object]]:
    code = main(["crosscheck", "--json", "--no-record", *words])
    return code, json.loads(capsys.readouterr().out)


def test_command_with_one_log_and_with_two(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    t1, a, t2, b = _two_logs(3, offset=12.0)
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
        "--accuracy",
        "MA=0.5 % + 2",
        "--accuracy",
        "MB=0.5 % + 2",
    )
    code, out = _json(capsys, *words, "--resolution", "MA=0.01 V", "--resolution", "MB=10 mV")
    assert (code, out["verdict"]) == (0, "pass")
    assert out["quantities"]["difference"]["value"] == pytest.approx(-0.01, abs=1e-4)  # type: ignore[index]
    bench = tmp_path / "bench.toml"
    bench.write_text(
        "".join(
            f'[[instrument]]\ntag = "{t}"\n[[instrument.accuracy]]\nfunction = "V="\nstatement = "0.5 % + 2"\n'
            for t in ("MA", "MB")
        )
    )
    words = ("--log", str(both), "--columns", "MA,MB", "--bench", str(bench))
    code, out = _json(capsys, *words, "--resolution", "MA=0.01 V", "--resolution", "MB=10 mV")
    assert (code, out["verdict"]) == (0, "pass")
    code, out = _json(capsys, "--log", str(both), "--columns", "MA,XX")
    assert code == 2


def test_command_prints_levels_for_people(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    t = np.arange(0, 2000, 1.0)
    path = _log_file(tmp_path / "x.csv", "time (s),MA (V),MB (V)", t, _truth(t), _truth(t) + 0.02)
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


ACCURACIES = {"A": parse_accuracy("0.5 % + 2"), "B": parse_accuracy("0.8 % + 2")}


def _series(name: str, time_s: np.ndarray, values: np.ndarray) -> Series:
    return Series(name, time_s, np.round(values, 2), "V", ACCURACIES[name], 0.01)


def test_a_meter_that_jumps_does_not_pass_by_its_mean() -> None:
    """±1 V about 5 V, where both claim 0.1 V together: the mean is right, no single reading is."""
    rng = np.random.default_rng(1)
    t = np.arange(200.0)
    # Of two levels only, the jump is not taken for the meter's count.
    jumping = replace(_series("A", t, 5 + rng.choice([-1.0, 1.0], 200)), resolution=0.0)
    steady = _series("B", t, 5 + 0.003 * rng.normal(size=200))
    result = check_agreement(jumping, steady, same_clock=True)
    assert result.quantities["e_n"].value < 1
    assert result.verdict is Verdict.FAIL
    assert "single readings" in result.reason


def test_a_clock_set_back_fails_no_good_meter() -> None:
    """Two good meters on a moving voltage; one logger's clock goes back by a minute half way."""
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 600.0)
    volts = 5 + np.sin(t / 40) + t / 300
    a = _series("A", t, volts + 0.003 * rng.normal(size=600))
    back = t - 60.0 * (t >= 300)
    b = _series("B", back, 1.002 * volts + 0.003 * rng.normal(size=600))
    result = check_agreement(a, b, same_clock=False)
    assert result.verdict is not Verdict.FAIL
    assert any("set back once, at most by 59 s" in f for f in result.findings)


def test_doubled_stamps_are_said() -> None:
    """Every stamp written twice: nothing fails on that."""
    t = np.repeat(np.arange(0.0, 300.0), 2)
    volts = 5 + np.sin(t / 40)
    result = check_agreement(
        _series("A", t, volts), _series("B", np.arange(t.size) / 2, volts), same_clock=False
    )
    assert result.verdict is not Verdict.FAIL
    assert any("300 time stamps of A are repeated" in f for f in result.findings)
