"""The clocks of two logs: offset and rate, when they are applied, clocks set back, gaps."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.two_logs import truth, two_logs

from benchlog.checks.agreement import check_agreement
from benchlog.checks.alignment import align, pair
from benchlog.checks.log_series import Series


@pytest.mark.parametrize(("offset", "rate"), [(7.3, 0.0), (-333.3, 0.0), (0.0, 0.0), (20.0, 1e-3)])
def test_offset_and_rate_of_a_second_clock_with_honest_uncertainty(offset: float, rate: float) -> None:
    """Rates of 1 and 0.27 readings a second; twice the stated uncertainty covers the truth as often as it should."""
    z, z_rate = [], []
    for seed in range(40):
        found = align(*two_logs(seed, offset, rate))
        assert not found.reason
        z.append((found.offset_s - offset - rate * (found.middle_s - 1000)) / found.u_offset_s)
        z_rate.append((found.rate - rate) / found.u_rate)
    assert np.mean(np.abs(z) < 2) >= 0.85
    assert np.mean(np.abs(z_rate) < 2) >= 0.85
    assert abs(np.mean(z)) < 0.7
    assert np.std(z) > 0.4, "not hidden in a wide claim"


def test_offset_is_applied_only_when_significant() -> None:
    applied = [align(*two_logs(seed)).significant for seed in range(60)]
    assert np.mean(applied) < 0.15
    assert align(*two_logs(1, 5.0)).significant


def test_clocks_are_left_alone_where_nothing_tells() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(500.0)
    assert align(t, rng.normal(size=500), t, rng.normal(size=500)).reason
    assert align(t, np.ones(500), t, np.ones(500)).reason
    wave = np.sin(2 * np.pi * t / 20)
    assert "several offsets" in align(t, wave, t, wave).reason, "a periodic signal fits at every period"
    assert "fewer" in align(t[:5], t[:5], t[:5], t[:5]).reason


def test_two_logs_agree_once_the_clock_is_taken_out() -> None:
    t1, a, t2, b = two_logs(3, offset=30.0)
    result = check_agreement(Series("A", t1, a, "V"), Series("B", t2, b / 0.99, "V"), same_clock=False)
    assert result.details["clock"]["applied"] is True
    assert result.details["clock"]["offset_s"] == pytest.approx(30, abs=0.3)
    assert result.details["bias"] == pytest.approx(0.2 / 0.99, abs=0.03)
    assert result.details["scatter"] < 0.15
    assert any("ahead of" in f for f in result.findings)
    # Three levels: the first is shorter than 30 readings of the slower log.
    assert [s["difference"] for s in result.details["steps"]] == pytest.approx([0.2 / 0.99] * 3, abs=0.05)


def test_a_lag_in_one_log_is_reported_and_not_applied() -> None:
    t = np.arange(0, 2000, 1.0)
    rng = np.random.default_rng(2)
    a, late = truth(t) + rng.normal(0, 0.02, t.size), truth(t - 8) + rng.normal(0, 0.02, t.size)
    result = check_agreement(Series("A", t, a), Series("B", t, late), same_clock=True)
    assert result.details["clock"]["applied"] is False
    assert result.details["clock"]["offset_s"] == pytest.approx(8, abs=0.05)
    assert any(f.startswith("B lags A by") for f in result.findings)
    assert result.details["largest"] > 3, "the lag stays in the differences"


def test_gaps_are_not_bridged() -> None:
    t2 = np.concatenate((np.arange(0, 100.0), np.arange(500, 600.0)))
    values, valid = pair(np.arange(0, 650, 7.0), t2, t2)
    assert not valid[(np.arange(0, 650, 7.0) > 99) & (np.arange(0, 650, 7.0) < 500)].any()
    np.testing.assert_allclose(values[valid], np.arange(0, 650, 7.0)[valid])
