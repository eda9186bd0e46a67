"""Frequency and level for a voltage-ratio measurement with the generator on the N-turn winding.

>>> drive = choose_drive(61e-6, 60, amplitude_vpp=10, area_m2=37.5e-6, saturation_t=1.0)
>>> drive.frequency_hz, drive.amplitude_vpp, drive.window.bound
(3500.0, 10, 'flux')
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.magnetics.flux import peak_flux_density_t
from benchlog.magnetics.frequency_window import FLUX_PART, FrequencyWindow, voltage_ratio_window

#: Above, the sense loop's inductance (150 nH) with a probe's capacitance (100 pF) begins to count.
HIGH_HZ = 1e6
#: The flatness proof spans this factor in frequency, half of it either way on a log scale, and in level.
PROOF_SPAN = 3.0
#: Peak below which a sense voltage is lost in an 8-bit scope's own noise (common practice, no source).
SMALLEST_PEAK_V = 1e-3


@dataclass(frozen=True, slots=True)
class Drive:
    """Settings of the generator."""

    #: frequency_hz, amplitude_vpp: Frequency, and open-circuit peak-to-peak voltage.
    frequency_hz: float
    amplitude_vpp: float
    lowest_vpp: float  #: Level below which the sense loop's voltage is lost in the scope's noise.
    window: FrequencyWindow  #: At this level.
    #: Largest flux density of the flatness proof, at its lowest frequency; None without core area.
    flux_t: float | None

    @property
    def proof_hz(self) -> tuple[float, float]:
        """Ends of the flatness proof in frequency."""
        return self.frequency_hz / math.sqrt(PROOF_SPAN), self.frequency_hz * math.sqrt(PROOF_SPAN)

    def findings(self) -> tuple[Finding, ...]:
        """What is wrong with this drive, in words; only a frequency that was asked for can be outside."""
        low, high = self.window.low_hz, self.window.high_hz
        if low <= self.frequency_hz <= high:
            return ()
        return (
            Finding(
                FindingKind.CONDITIONS,
                f"{self.frequency_hz:.4g} Hz is outside the usable range of {low:.3g} Hz (by {self.window.bound}) to "
                f"{high:.3g} Hz",
            ),
        )


def choose_drive(
    al_h: float,
    turns: float,
    *,
    generator_ohm: float = 50.0,
    amplitude_vpp: float = 10.0,
    area_m2: float | None = None,
    saturation_t: float | None = None,
    frequency_hz: float | None = None,
    sense_turns: float = 1,
) -> Drive:
    """Choose frequency and level.

    Parameters
    ----------
    al_h, turns : float
        Inductance of one turn (henry) and turns of the driven winding.
    generator_ohm : float
        Output resistance, any series resistor included.
    amplitude_vpp : float
        Highest level wanted, open circuit; it is halved until a window opens in which the flatness proof fits.
    area_m2, saturation_t : float, optional
        Core area and saturation, both or neither; without them no flux limit is known.
    frequency_hz : float, optional
        Keep to this frequency; the level is then lowered to the flux limit.
    sense_turns : float
        Of the sense loop.

    Raises
    ------
    UsageError
        If the numbers make no sense, or no frequency fits at any usable level.
    """
    if not (amplitude_vpp > 0 and generator_ohm >= 0):
        raise UsageError("generator level must be above zero and its resistance not below")
    lowest = 2 * SMALLEST_PEAK_V * turns / sense_turns * PROOF_SPAN  # a third of it is still above the noise
    level = amplitude_vpp
    half_span = math.sqrt(PROOF_SPAN)

    def window_at(vpp: float) -> FrequencyWindow:
        return voltage_ratio_window(
            al_h,
            turns,
            generator_ohm=generator_ohm,
            level_peak_v=vpp / 2,
            area_m2=area_m2,
            limit_t=saturation_t,
            roll_off_hz=HIGH_HZ,
        )

    window = window_at(level)
    if frequency_hz is None:
        while window.bound == "flux" and window.low_hz * PROOF_SPAN > HIGH_HZ and level / 2 >= lowest:
            level /= 2
            window = window_at(level)
        chosen = max(window.recommended_hz, window.low_hz * half_span)
        chosen = _two_digits(min(chosen, max(HIGH_HZ / half_span, window.low_hz)))
    else:
        if not frequency_hz > 0:
            raise UsageError(f"{frequency_hz:g} Hz is not a frequency", hint="--frequency '5 kHz'")
        chosen = frequency_hz
        if area_m2 is not None and saturation_t is not None:
            flux = peak_flux_density_t(level / 2, chosen / half_span, turns, area_m2)
            level *= min(1.0, FLUX_PART * saturation_t / flux)
            window = window_at(level)
    flux_t = None if area_m2 is None else peak_flux_density_t(level / 2, chosen / half_span, turns, area_m2)
    return Drive(chosen, level, lowest, window, flux_t)


def sweep_frequencies(
    drive: Drive, al_h: float, turns: float, *, generator_ohm: float, points: int, sense_turns: float = 1
) -> list[float]:
    """Frequencies of a sweep, evenly spaced on a log scale.

    From where the winding's reactance equals the generator's resistance (50 ohm at most), which shows the inductance
    in the level and the winding resistance in the phase, to where capacitance begins to show. Below the drive's frequency the level
    goes down with the frequency (equal flux), and the sense voltage must stay above the scope's noise.

    Parameters
    ----------
    al_h, turns, generator_ohm, sense_turns : float
        As for `choose_drive`.
    points : int
        At least 5.

    Raises
    ------
    UsageError
        If fewer than 5 points are asked for.
    """
    if points < 5:
        raise UsageError(f"{points} points are too few for a sweep", hint="give 5 points or more")
    corner = min(generator_ohm, 50.0) / (2 * math.pi * al_h * turns**2)
    seen = drive.frequency_hz * SMALLEST_PEAK_V / (drive.amplitude_vpp / 2 * sense_turns / turns)
    low = min(max(corner, seen), drive.frequency_hz / PROOF_SPAN)
    high = min(HIGH_HZ, max(0.3 * HIGH_HZ, 10 * drive.frequency_hz))
    step = (max(high, drive.frequency_hz * PROOF_SPAN) / low) ** (1 / (points - 1))
    return [low * step**i for i in range(points)]


def _two_digits(value: float) -> float:
    return float(f"{value:.1e}")
