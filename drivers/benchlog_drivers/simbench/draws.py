"""Random draws that depend on names, not on the order of calls: same seed, same name, same number."""

from __future__ import annotations

import hashlib

import numpy as np


def generator(seed: int, *names: object) -> np.random.Generator:
    """Random generator for one named purpose.

    Parameters
    ----------
    seed : int
        Of the whole bench.
    names
        What the draw is for, such as instrument, function and frame number.
    """
    digest = hashlib.sha256(repr((seed, *names)).encode()).digest()
    return np.random.Generator(np.random.PCG64(int.from_bytes(digest[:16], "big")))


def normal(seed: int, *names: object) -> float:
    """One standard normal draw."""
    # Box-Muller from one digest; creating a generator for each frame would be slow.
    digest = hashlib.sha256(repr((seed, *names)).encode()).digest()
    u1 = (int.from_bytes(digest[:8], "big") + 1) / 2**64
    u2 = int.from_bytes(digest[8:16], "big") / 2**64
    return float(np.sqrt(-2.0 * np.log(u1)) * np.cos(2.0 * np.pi * u2))


def uniform(low: float, high: float, seed: int, *names: object) -> float:
    """One uniform draw in [`low`, `high`)."""
    digest = hashlib.sha256(repr((seed, *names)).encode()).digest()
    return low + (high - low) * int.from_bytes(digest[:8], "big") / 2**64
