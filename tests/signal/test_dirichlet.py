"""Closed-form sums agree with adding up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.signal.dirichlet import NormalMatrices, boxcar_gain, cosine_sums


@given(
    n=st.integers(2, 300),
    turns=st.integers(-2, 2),
    angle=st.one_of(st.floats(1e-3, 3.1), st.just(0.0), st.floats(1e-9, 1e-7)),
)
def test_sums_are_those_of_adding_up_at_any_angle(n: int, turns: int, angle: float) -> None:
    """Small angles, none at all, and whole turns on top make no exception."""
    total = angle + 2 * np.pi * turns
    t = np.arange(n) - (n - 1) / 2
    expected = (
        np.cos(total * t).sum(),
        (t * np.sin(total * t)).sum(),
        (t * t * np.cos(total * t)).sum(),
    )
    for power, (got, want) in enumerate(zip(cosine_sums(np.array([total]), n), expected, strict=True)):
        assert got[0] == pytest.approx(want, abs=1e-8 * n * (n / 2) ** power)


def test_normal_matrices_are_the_inner_products_of_their_waves() -> None:
    """Cosines with the constant, sines, and their slopes by the angle, all by direct multiplication."""
    n, angle, count = 101, 0.083, 4
    t = np.arange(n) - (n - 1) / 2
    cosines = np.array([np.cos(h * angle * t) for h in range(count + 1)])
    sines = np.array([np.sin(h * angle * t) for h in range(1, count + 1)])
    normal = NormalMatrices.at(angle, count, n)
    np.testing.assert_allclose(normal.even, cosines @ cosines.T, atol=1e-9)
    np.testing.assert_allclose(normal.odd, sines @ sines.T, atol=1e-9)
    np.testing.assert_allclose(normal.even_slope, cosines @ (t * sines).T, atol=1e-8)
    np.testing.assert_allclose(normal.odd_slope, sines @ (t * cosines[1:]).T, atol=1e-8)
    np.testing.assert_allclose(normal.sine_slopes, (t * sines) @ (t * sines).T, atol=1e-7)
    np.testing.assert_allclose(normal.cosine_slopes, (t * cosines[1:]) @ (t * cosines[1:]).T, atol=1e-7)


def test_boxcar_gain_is_what_averaging_leaves_of_a_sine() -> None:
    """Eight samples of 0.05 cycles each leave sin(8 x)/(8 sin x), x = 0.05 pi."""
    wave = np.cos(2 * np.pi * 0.05 * (np.arange(8) - 3.5))
    assert boxcar_gain(np.array([2 * np.pi * 0.05]), 8)[0] == pytest.approx(wave.mean(), rel=1e-12)
