"""A wound core between a generator and an 8-bit scope, as a circuit solve: enough of `Acquisition` for a ratio run."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchlog.capture import Capture, ChannelRecord
from benchlog.clock import ManualClock
from benchlog.magnetics.transformer import Transformer

FULL_SCALES = [4 * step * 10.0**decade for decade in range(-4, 2) for step in (1, 2, 5)]


def _linear(flux_t: float) -> float:
    return 1.0


@dataclass
class CoreBench:
    """Channel W on the winding, L on the loop, until they are swapped.

    `ratio_of_flux` multiplies the measured ratio: a core that gives out above some flux density.
    """

    core: Transformer
    generator_ohm: float = 50.0
    area_m2: float = 37.5e-6
    gain: dict[str, float] = field(default_factory=lambda: {"W": 1.01, "L": 0.99})
    delay_s: float = 0.0
    ratio_of_flux: Callable[[float], float] = _linear
    seed: int = 1
    clock: ManualClock = field(default_factory=ManualClock)
    swapped: bool = False
    on: bool = False
    frequency_hz: float = 0.0
    amplitude_vpp: float = 0.0
    full: dict[str, float] = field(default_factory=lambda: {"W": 40.0, "L": 40.0})
    n_samples: int = 1000
    span_s: float = 1.0
    done: list[tuple[str, bool]] = field(default_factory=list)
    flux_seen_t: float = 0.0
    trigger: tuple[str, float] | None = None

    def takes_files(self, scope: str) -> bool:
        return False

    # ---- generator ----

    def source(self, tag: str) -> CoreBench:
        return self

    def set_sine(self, frequency_hz: float, amplitude_vpp: float) -> None:
        self.frequency_hz, self.amplitude_vpp = frequency_hz, amplitude_vpp

    def set_output(self, on: bool) -> None:
        self.on = on

    # ---- scope ----

    def scope(self, tag: str) -> CoreBench:
        return self

    def set_vertical(self, channel: str, full_scale_v: float) -> float:
        self.full[channel] = min(f for f in FULL_SCALES if f >= full_scale_v * (1 - 1e-9))
        return self.full[channel]

    def set_timebase(self, *, n_samples: int, span_s: float) -> None:
        self.n_samples, self.span_s = n_samples, span_s

    def set_trigger(self, channel: str, level_v: float) -> None:
        self.trigger = (channel, level_v)

    def capture(self, tag: str, channels: Sequence[str]) -> Capture:
        f, w = self.frequency_hz, 2 * math.pi * self.frequency_hz
        level = self.core.drive_winding_level(f, self.generator_ohm) * self.amplitude_vpp / 2 * self.on
        flux = abs(level) / (w * self.core.turns * self.area_m2)
        self.flux_seen_t = max(self.flux_seen_t, flux)
        loop = level / (self.core.drive_winding_ratio(f) * self.ratio_of_flux(flux))
        at = {"W": level, "L": loop} if not self.swapped else {"W": loop, "L": level}
        rng = np.random.default_rng(self.seed)
        self.seed += 1
        interval = self.span_s / self.n_samples
        t = np.arange(self.n_samples) * interval
        records = []
        for name in channels:
            lead = self.delay_s if name == "W" else 0.0
            volts = self.gain[name] * np.real(at[name] * np.exp(1j * w * (t + lead)))
            step = self.full[name] / 100
            codes = np.round(volts / step + 0.4 * rng.normal(size=len(t))) + 128
            records.append(
                ChannelRecord(
                    name,
                    np.clip(codes, 0, 255).astype(np.uint8),
                    scale=step,
                    offset=-128 * step,
                    code_limits=(0, 255),
                    range_max=self.full[name],
                )
            )
        return Capture(tuple(records), interval, instrument=tag)

    # ---- person ----

    def do(self, text: str, key: str) -> None:
        self.done.append((key, self.on))
        self.swapped = not self.swapped
