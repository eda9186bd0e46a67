"""What a meter shows for a waveform: average-responding or true rms, of limited bandwidth.

An average-responding meter takes the mean absolute value behind a series capacitor and multiplies it by
pi/(2 sqrt 2), which is right for a sine only.
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np

from benchlog.errors import AnalysisError
from benchlog.metrology.budget import to_uncertain, uncertain, uniform
from benchlog.result import Uncertain
from benchlog.signal.waveform import Waveform

__all__ = ["SINE_FORM_FACTOR", "MeterResponse", "meter_shows"]

SINE_FORM_FACTOR = math.pi / (2 * math.sqrt(2))
_POINTS = 4096  # of one reconstructed cycle


class MeterResponse(StrEnum):
    """How a meter turns AC into a number."""

    AVERAGE = "average"
    TRUE_RMS = "true rms"
    TRUE_RMS_WITH_DC = "true rms ac+dc"


def meter_shows(
    waveform: Waveform, response: MeterResponse | str, *, bandwidth_hz: float | None = None
) -> Uncertain:
    """Reading of an ideal meter of this response.

    Parameters
    ----------
    waveform : Waveform
    response : MeterResponse or str
    bandwidth_hz : float or None
        Frequency at which a first-order low-pass has lost 3 dB; None means no limit.

    Raises
    ------
    AnalysisError
        If a bandwidth is stated and the waveform has no frequency to compare it with.
    """
    response = MeterResponse(response)
    unit = waveform.rms.unit
    if bandwidth_hz is None:
        match response:
            case MeterResponse.AVERAGE:
                return _times(waveform.ac_mean_abs, SINE_FORM_FACTOR)
            case MeterResponse.TRUE_RMS:
                return waveform.ac_rms
            case MeterResponse.TRUE_RMS_WITH_DC:
                return waveform.rms
    if waveform.frequency is None or waveform.harmonics_counted == 0:
        raise AnalysisError(
            "no harmonics are known, so the effect of a bandwidth can't be told",
            hint="record some whole cycles of a steady waveform",
        )
    order = np.arange(1, waveform.harmonics_counted + 2)
    gain = 1 / (1 + 1j * order * waveform.frequency.value / bandwidth_hz)
    passed = waveform.harmonics * gain[:-1]
    counted = float(np.sum(np.abs(waveform.harmonics) ** 2)) / 2
    # What lies above the highest harmonic counted gets through by an unknown part.
    above = max(waveform.ac_rms.value**2 - counted, 0.0) * float(abs(gain[-1]) ** 2)
    relative = waveform.ac_rms.standard_uncertainty / waveform.ac_rms.value if waveform.ac_rms.value else 0.0
    if response is MeterResponse.AVERAGE:
        turn = np.exp(2j * np.pi * np.multiply.outer(np.arange(_POINTS) / _POINTS, order[:-1]))
        value = SINE_FORM_FACTOR * float(np.mean(np.abs((turn @ passed).real)))
        reading = value * uncertain(1.0, relative, label="record")
        return to_uncertain(
            reading + uniform(0.0, math.sqrt(above) / 2, label="above the harmonics counted"), unit
        )
    power = float(np.sum(np.abs(passed) ** 2)) / 2 + above / 2
    reading = power * uncertain(1.0, 2 * relative, label="record")
    reading = reading + uniform(0.0, above / 2, label="above the harmonics counted")
    if response is MeterResponse.TRUE_RMS_WITH_DC:
        mean = uncertain(waveform.mean.value, waveform.mean.standard_uncertainty, label="mean")
        reading = reading + mean**2
    return to_uncertain(reading**0.5, unit)


def _times(quantity: Uncertain, factor: float) -> Uncertain:
    number = uncertain(
        quantity.value,
        quantity.standard_uncertainty,
        quantity.degrees_of_freedom or math.inf,
        label="mean absolute value",
    )
    return to_uncertain(number * factor, quantity.unit)
