"""Between which frequencies a ratio measurement can be trusted, and what the generator level may be.

The proof that the window is right is on the bench: the ratio stays within 0.2 % over 3:1 in frequency and
3:1 in level.

>>> window = voltage_ratio_window(2.5e-6, 50, generator_ohm=50, level_peak_v=5, area_m2=50e-6, limit_t=0.35)
>>> round(window.low_hz / 1e3, 1), window.bound
(25.5, 'signal')
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.errors import UsageError

#: Common practice, no source: the magnetising impedance should be this many generator resistances,
SIGNAL_FACTOR = 20.0
#: the flux this part of saturation at most,
FLUX_PART = 0.2
#: the frequency this part of self-resonance at most,
RESONANCE_PART = 1 / 20
#: and the ratio this flat over 3:1 in frequency and in level.
FLATNESS = 0.002


@dataclass(frozen=True, slots=True)
class FrequencyWindow:
    """Where to measure."""

    #: low_hz, high_hz: `high_hz` is infinite when neither resonance nor roll-off is known.
    low_hz: float
    high_hz: float
    bound: str  #: One of "signal", "flux". What sets the low end.
    level_peak_v: float  #: Winding voltage that was assumed.

    @property
    def is_open(self) -> bool:
        """Whether there is any frequency that meets all conditions."""
        return self.low_hz <= self.high_hz

    @property
    def recommended_hz(self) -> float:
        """A frequency well inside: twice the low end, at most the middle of the window on a log scale."""
        if not self.is_open:
            raise UsageError(
                f"no frequency fits: at least {self.low_hz:.4g} Hz by {self.bound}, at most {self.high_hz:.4g} Hz",
                hint="lower the generator level, or use more sense turns at a lower level",
            )
        return min(2 * self.low_hz, math.sqrt(self.low_hz * self.high_hz))


def voltage_ratio_window(
    al_h: float,
    turns: float,
    *,
    generator_ohm: float = 50.0,
    level_peak_v: float = 5.0,
    area_m2: float | None = None,
    limit_t: float | None = None,
    resonance_hz: float | None = None,
    roll_off_hz: float | None = None,
) -> FrequencyWindow:
    """Frequency window for a generator on the N-turn winding.

    Parameters
    ----------
    al_h, turns : float
        Inductance of one turn (henry) and turns of the driven winding.
    generator_ohm : float
        Output resistance.
    level_peak_v : float
        Peak voltage on the winding.
    area_m2, limit_t : float, optional
        Core area and saturation; both or neither.
    resonance_hz, roll_off_hz : float, optional
        Self-resonance of the winding and the frequency at which the core material gives out.

    Raises
    ------
    UsageError
        If AL or turns are not above zero, or only one of area and saturation is given.
    """
    if al_h <= 0 or turns <= 0:
        raise UsageError("AL and turns must be above zero", hint="write the AL value like '61 uH'")
    low = SIGNAL_FACTOR * generator_ohm / (2 * math.pi * al_h * turns**2)
    bound = "signal"
    if (area_m2 is None) != (limit_t is None):
        raise UsageError("the flux limit needs both core area and saturation", hint="give both, or neither")
    if area_m2 is not None and limit_t is not None:
        by_flux = level_peak_v / (2 * math.pi * turns * area_m2 * FLUX_PART * limit_t)
        if by_flux > low:
            low, bound = by_flux, "flux"
    high = min(
        math.inf if resonance_hz is None else resonance_hz * RESONANCE_PART,
        math.inf if roll_off_hz is None else roll_off_hz,
    )
    return FrequencyWindow(low, high, bound, level_peak_v)


def flatness_finding(ratios: dict[str, float], allowed: float = FLATNESS) -> str | None:
    """Judge the flatness proof: None when all ratios lie within plus-minus `allowed`, else a finding.

    Parameters
    ----------
    ratios : dict of str to float
        What was set ("5 kHz, 10 V") and the ratio it gave; at least two.

    Raises
    ------
    UsageError
        If fewer than two ratios are given.
    """
    if len(ratios) < 2:
        raise UsageError("the proof that the ratio is flat needs two settings or more")
    low, high = min(ratios, key=ratios.__getitem__), max(ratios, key=ratios.__getitem__)
    spread = (ratios[high] - ratios[low]) / (ratios[high] + ratios[low])
    if spread <= allowed:
        return None
    return (
        f"the ratio is not flat: {ratios[low]:.5g} at {low}, {ratios[high]:.5g} at {high} (±{spread * 100:.2f} %, "
        f"±{allowed * 100:g} % allowed); the frequency or level is outside the usable range"
    )
