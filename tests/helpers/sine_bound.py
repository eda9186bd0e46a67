"""Cramer-Rao bound of a two-channel sine record, by direct sums and independent of the code under test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class TwoChannelSine:
    """Two channels of one frequency with white noise, 5 % of third harmonic and an offset."""

    cycles: float
    n: int
    phases: tuple[float, float]
    third_phases: tuple[float, float] = (0.0, 0.0)
    amplitudes: tuple[float, float] = (1.0, 0.3)
    third: float = 0.05
    offset: float = 0.2
    signal_to_noise_db: float = 40.0

    @property
    def noise(self) -> tuple[float, float]:
        """Standard deviation of each channel's noise, from the power ratio of fundamental to noise."""
        factor = 10 ** (-self.signal_to_noise_db / 20) / np.sqrt(2)
        return self.amplitudes[0] * factor, self.amplitudes[1] * factor

    def samples(self, rng: np.random.Generator) -> list[npt.NDArray[np.float64]]:
        """Draw one record; phases are those at its centre."""
        time = np.arange(self.n) - (self.n - 1) / 2
        turn = 2 * np.pi * self.cycles / self.n * time
        out = []
        for a, p, p3, s in zip(self.amplitudes, self.phases, self.third_phases, self.noise, strict=True):
            wave = a * (np.cos(turn + p) + self.third * np.cos(3 * turn + p3)) + self.offset
            out.append(wave + s * rng.normal(size=self.n))
        return out


def log_ratio_and_phase_bound(record: TwoChannelSine) -> tuple[float, float]:
    """Smallest standard deviations of the log ratio and of the phase difference (radian).

    Unknown: the shared frequency, and amplitude, phase and offset of each channel. Harmonics are not counted as
    unknown, so the bound is slightly below what any fit that allows for them can reach.
    """
    time = (np.arange(record.n) - (record.n - 1) / 2) / record.n
    information = np.zeros((7, 7))
    for c, (phase, sigma) in enumerate(zip(record.phases, record.noise, strict=True)):
        amplitude = record.amplitudes[c]
        turn = 2 * np.pi * record.cycles * time + phase
        cosine, sine = amplitude * np.cos(turn), -amplitude * np.sin(turn)
        slopes = [time * sine, cosine, sine, np.ones(record.n)]
        places = [0, 1 + 3 * c, 2 + 3 * c, 3 + 3 * c]
        for i, a in zip(places, slopes, strict=True):
            for j, b in zip(places, slopes, strict=True):
                information[i, j] += float(a @ b) / sigma**2
    covariance = np.linalg.inv(information)

    def difference(i: int, j: int) -> float:
        return float(np.sqrt(covariance[i, i] + covariance[j, j] - 2 * covariance[i, j]))

    return difference(1, 4), difference(2, 5)
