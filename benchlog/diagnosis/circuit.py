"""The circuit being measured: mains, part, contact points, leads.

All arrays have one common shape; voltages and currents are rms for AC, SI units throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.hidden import Hidden, Noise

Floats = npt.NDArray[np.float64]
Booleans = npt.NDArray[np.bool_]

# Of a half-wave's true rms: its AC part sqrt(1/4 - 1/pi^2) / (1/2), its mean (1/pi) / (1/2).
_HALF_WAVE_AC, _HALF_WAVE_DC = 0.771, 0.637


@dataclass(frozen=True, slots=True)
class Path:
    """Where the path from source to jacks is open right now."""

    lead: Booleans
    part: Booleans
    contact: Booleans


@dataclass(frozen=True, slots=True)
class Circuit:
    """What is measured: expected value (SI), whether it is direct, whether it is a current."""

    expected: float
    direct: bool
    is_current: bool

    def level(self, h: Hidden) -> Floats:
        """Return the true value of the source; zero without mains or with an open primary."""
        fed = h["mains_on"] * (1.0 - h["primary_open"])
        mains = np.where(h["mains_dependence"] > 0, h["mains_factor"], 1.0)
        return np.asarray(self.expected * h["expect_factor"] * h["part_factor"] * mains * fed)

    def source(self, h: Hidden) -> tuple[Floats, Floats]:
        """Return AC and DC behind the output."""
        level = self.level(h)
        alive = level != 0
        scale = 0.0 if self.is_current else 1.0
        hum = np.abs(h["hum"]) * scale
        wandering = h["wander"] * h["wandered"] * scale
        if self.direct:
            return np.where(alive, np.abs(h["ripple"]), hum), np.where(alive, level, wandering)
        rectified, half = h["dc_output"] > 0, h["half_wave"] > 0
        ac = np.select([~alive, rectified, half], [hum, np.abs(h["ripple"]), _HALF_WAVE_AC * level], level)
        dc = np.select([rectified, half], [level, _HALF_WAVE_DC * level], h["dc_residual"])
        dc = np.where(alive, dc, wandering)
        return ac, dc

    def ghost(self, h: Hidden, noise: Noise) -> Floats:
        """Return what a 10 Mohm input picks up on a floating conductor."""
        spread = h["ghost_moves"]
        moved = h["ghost"] * np.exp(spread * noise.normal(0.0, 1.0))
        gone = noise.random() < 0.08
        return np.where(gone & (spread > 0.05), np.abs(noise.normal(0, 0.004)), moved)

    def at_jacks(
        self,
        h: Hidden,
        path: Path,
        noise: Noise,
        divider: Floats | float = 1.0,
    ) -> tuple[Floats, Floats]:
        """Return AC and DC at the instrument: the source times `divider`, or pick-up where the path is open."""
        ac, dc = self.source(h)
        ac, dc = ac * divider * h["source_loading"], dc * divider * h["source_loading"]
        dc = dc * h["polarity"]
        loose = path.part | path.contact
        if self.is_current:
            # What is added in the loop takes its share of the current.
            passed = 1.0 / (1.0 + h["contact_share"] * h["added_scale"])
            ac, dc = ac * passed, dc * passed
            broken = loose | path.lead
            return np.where(broken, 0.0, ac), np.where(broken, 0.0, dc)
        ghost = self.ghost(h, noise)
        wandering = h["wander"] * h["wandered"]
        ac = np.select([path.lead, loose], [0.5 * ghost, ghost], ac)
        return ac, np.where(path.lead | loose, wandering, dc)

    def live(self, h: Hidden) -> Booleans:
        """Tell where the output is live: where it is fed, since an open joint may close at a touch."""
        return np.asarray((h["mains_on"] > 0) & (h["primary_open"] == 0))
