"""Two-channel captures of a transformer or coil on a bench scope, with known truth."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field, replace

import numpy as np

from benchlog.capture import Capture, ChannelRecord


@dataclass
class Scope:
    """An 8-bit scope with channels A and B: gain errors, noise, converter steps, ranges in a 1-2-5 series.

    `range_error` is the gain error of ranges below 1 V against those above, alike in both channels.
    """

    gain: dict[str, float] = field(default_factory=lambda: {"A": 1.0, "B": 1.0})
    noise_steps: float = 0.3
    range_error: float = 0.0
    delay_s: dict[str, float] = field(default_factory=lambda: {"A": 0.0, "B": 0.0})
    interval_s: float = 1e-6
    n_samples: int = 2000
    seed: int = 1

    def capture(self, phasors: dict[str, complex], frequency_hz: float, tell_range: bool = True) -> Capture:
        """Digitise sines given by their peak phasors."""
        rng = np.random.default_rng(self.seed)
        t = np.arange(self.n_samples) * self.interval_s
        full = {name: _range(abs(phasor)) for name, phasor in phasors.items()}
        channels = []
        for name, phasor in phasors.items():
            gain = self.gain[name] * (1 + (self.range_error if full[name] < 1 else 0.0))
            w = 2 * math.pi * frequency_hz
            v = gain * np.real(phasor * np.exp(1j * w * (t - self.delay_s[name])))
            step = full[name] / 127
            codes = np.clip(np.round(v / step + self.noise_steps * rng.normal(size=len(t))), -128, 127)
            channels.append(
                ChannelRecord(
                    name,
                    codes.astype(np.int8),
                    scale=step,
                    code_limits=(-128, 127),
                    range_max=full[name] if tell_range else None,
                )
            )
        return Capture(tuple(channels), self.interval_s, instrument="SC-03")


def _range(peak_v: float) -> float:
    for decade in range(-4, 4):
        for step in (1, 2, 5):
            if peak_v * 1.05 <= step * 10.0**decade:
                return float(step * 10.0**decade)
    raise ValueError(peak_v)


def write_csv(capture: Capture, path: object) -> None:
    """Write a capture as a scope would: time, then volts."""
    t = np.arange(capture.n_samples) * capture.interval_s
    columns = [t, *(c.values() for c in capture.channels)]
    head = "time (s)," + ",".join(f"{c.name} (V)" for c in capture.channels)
    np.savetxt(str(path), np.column_stack(columns), fmt="%.9g", delimiter=",", header=head, comments="")


RATIO_HZ = 5e3
GAINS_OFF = Scope(gain={"A": 1.012, "B": 0.983})


def ratio_captures(
    turns: float, *, scope: Scope = GAINS_OFF, divider: float = 1.0, loop: int = 1, sign: int = 1
) -> tuple[Capture, Capture]:
    """A turns ratio as connected, and with probes and channels swapped: winding on A, loop on B, at `RATIO_HZ`."""
    winding, sense = 3.5 * cmath.exp(0.3j) / divider, sign * 3.5 * cmath.exp(0.3j) * loop / turns
    return (
        scope.capture({"A": winding, "B": sense}, RATIO_HZ),
        replace(scope, seed=scope.seed + 1).capture({"A": sense, "B": winding}, RATIO_HZ),
    )
