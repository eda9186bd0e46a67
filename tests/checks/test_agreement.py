"""Two instruments logged: bias, drift, E_n, levels, and what can't be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers.two_logs import truth
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.checks.agreement import check_agreement
from benchlog.checks.log_series import Series
from benchlog.checks.probe_bias import check_probe_bias, probe_biases
from benchlog.checks.series_comparison import compare_series
from benchlog.checks.settled import count_size, settled_steps
from benchlog.errors import AnalysisError, UsageError
from benchlog.metrology.accuracy import Accuracy, parse_accuracy
from benchlog.result import Verdict


def test_e_n_is_judged_where_both_accuracies_are_known() -> None:
    t = np.arange(0, 2000, 1.0)
    a = truth(t) + 10
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


def test_outliers_do_not_move_the_robust_drift() -> None:
    """One reading of ten is far off; of a very long log not every pair is used."""
    t = np.arange(150.0)
    a = 0.2 * t + np.random.default_rng(4).normal(0, 1, t.size)
    a[::10] += 500
    assert compare_series(t, a, np.zeros(t.size)).robust_drift == pytest.approx(0.2, abs=0.05)
    t = np.arange(1e5)
    assert compare_series(t, 0.3 * t, np.zeros(t.size)).robust_drift == pytest.approx(0.3)


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
        a = np.round((truth(t) + rng.normal(0, noise, t.size)) / count) * count
        steps = settled_steps(t, a, a + 0.25)
        assert [round(s.first_value) for s in steps] == [0, 10, 35, 20]
        assert [s.difference for s in steps] == pytest.approx([-0.25] * 4)


@pytest.mark.parametrize("count", [0.01, 0.0625, 1e-6, 0.0])
def test_count_of_a_display_is_seen_in_its_values(count: float) -> None:
    rng = np.random.default_rng(6)
    values = np.round(rng.normal(0, 20, 500)) * count + 5
    assert count_size(values) == pytest.approx(count, rel=1e-6)


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
