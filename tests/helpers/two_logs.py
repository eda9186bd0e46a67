"""Two meters' logs of one voltage, by clocks that differ."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def truth(time_s: FloatArray) -> FloatArray:
    """A voltage that is changed now and then, with ramps of some tens of seconds."""
    return np.interp(time_s, [0, 200, 260, 600, 640, 1200, 1300, 2000], [0, 0, 10, 10, 35, 35, 20, 20])


def two_logs(
    seed: int, offset: float = 0.0, rate: float = 0.0, noise: float = 0.05
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    t1 = np.arange(0, 2000, 1.0) + rng.uniform(-0.05, 0.05, 2000)
    t2 = np.arange(100, 1950, 3.7)
    a = truth(t1) + rng.normal(0, noise, t1.size)
    b = 0.99 * truth(t2) - 0.2 + rng.normal(0, noise, t2.size)
    return t1, a, t2 + offset + rate * (t2 - 1000), b
