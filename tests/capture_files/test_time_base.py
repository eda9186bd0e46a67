"""A uniform time base is distinguished from one with gaps, however the times were rounded."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchlog.capture_files.time_base import last_digit_step, time_base

INTERVALS = st.floats(1e-9, 10.0)


@given(INTERVALS, st.integers(30, 400), st.floats(-5, 5), st.sampled_from([1e-3, 0.01, 0.3, 1.0, 1.7]))
@example(7.212065530164944, 229, -0.5, 1.0)
def test_rounding_does_not_make_a_time_base_uneven(
    interval: float, n: int, start: float, coarse: float
) -> None:
    """Times rounded to any step up to 1.7 intervals, unless only one or two steps are long: that is a gap."""
    step = interval * coarse
    times = np.round((start * interval + np.arange(n) * interval) / step) * step
    steps = np.diff(times)
    usual = np.median(steps)
    base = time_base(times, step)
    few_long = usual > 0 and 0 < (steps >= 1.5 * usual).sum() <= 2
    assert base.uniform or few_long
    if base.uniform:
        assert base.interval_s == pytest.approx(interval, abs=1.01 * step / (n - 1))


@given(INTERVALS, st.integers(60, 400), st.integers(10, 50), st.integers(1, 30))
def test_missing_samples_show(interval: float, n: int, at: int, missing: int) -> None:
    index = np.delete(np.arange(n + missing), np.arange(at, at + missing))
    base = time_base(index * interval, 0.01 * interval)
    assert not base.uniform
    assert base.interval_s == pytest.approx(interval)


@given(st.integers(2, 300), st.integers(1, 299))
def test_a_step_back_is_named(n: int, at: int) -> None:
    times = np.arange(300.0)
    times[at:] -= n
    base = time_base(times, 1.0)
    assert base.backward_at == (at if n > 1 else -1)
    assert not base.uniform


def test_single_precision_times_are_uniform() -> None:
    times = (np.arange(1000) * 1e-6 + 1e-3).astype(np.float32).astype(np.float64)
    assert time_base(times, 0.0).uniform


def test_a_jittered_time_base_is_not_uniform() -> None:
    times = np.arange(1000) + np.random.default_rng(1).normal(0, 0.05, 1000)
    assert not time_base(times, 1e-6).uniform


@pytest.mark.parametrize(
    ("cells", "step"),
    [
        (["0.000", "0.001", "0.002"], 1e-3),
        (["-1.00E-03", "-9.90E-04"], 1e-5),
        (["0", "1e-06", "1.23456e-05", "0.0123456"], 1e-7),
        (["0", "1", "17"], 1.0),
        (["0,001"], 1e-3),
        (["nan", ""], 0.0),
    ],
)
def test_step_of_the_last_digit(cells: list[str], step: float) -> None:
    assert last_digit_step(cells) == pytest.approx(step)
