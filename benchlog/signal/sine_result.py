"""Result of a joint sine fit: amplitudes and phases with their covariance, and their ratios."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchlog.errors import AnalysisError
from benchlog.signal.findings import RecordFinding, Severity
from benchlog.signal.moments import ComplexArray
from benchlog.signal.samples import FloatArray


@dataclass(frozen=True, slots=True)
class SineRatio:
    """Ratio of two fundamentals.

    Attributes
    ----------
    ratio, u_ratio : float
        Amplitude of the numerator over that of the denominator, and its standard uncertainty.
    phase_deg, u_phase_deg : float
        Phase of the numerator against the denominator in (-180, 180] degree, positive when it leads.
    degrees_of_freedom : float
        Of the noise estimate behind both uncertainties.
    """

    ratio: float
    u_ratio: float
    phase_deg: float
    u_phase_deg: float
    degrees_of_freedom: float


@dataclass(frozen=True)
class SineFit:
    """Result of a joint sine fit.

    Attributes
    ----------
    frequency_hz, u_frequency_hz : float
        Shared frequency and its standard uncertainty, by the recorder's own clock.
    amplitude, u_amplitude : arrays of shape (n_channels,)
        Peak of the fundamental in the channel's unit (codes where no scale was given).
    phase_rad : array of shape (n_channels,)
        Phase of the fundamental as a cosine at the centre of the record, in (-pi, pi].
    offset : array of shape (n_channels,)
        Constant part.
    noise_rms : array of shape (n_channels,)
        White noise per sample that gives the same residual in the band the fit uses.
    harmonics : complex array of shape (n_channels, H)
        Peak phasors of the fundamental and its multiples at the centre of the record.
    covariance : array of shape (1 + 2 n_channels, 1 + 2 n_channels)
        Of frequency (Hz), then logarithms of the amplitudes, then phases (radian).
    cycles : float
        In the record.
    degrees_of_freedom : float
        Of each channel's noise estimate.
    findings : tuple of RecordFinding
        What is odd about the record.
    """

    frequency_hz: float
    u_frequency_hz: float
    amplitude: FloatArray
    u_amplitude: FloatArray
    phase_rad: FloatArray
    offset: FloatArray
    noise_rms: FloatArray
    harmonics: ComplexArray
    covariance: FloatArray
    cycles: float
    n_samples: int
    degrees_of_freedom: float
    findings: tuple[RecordFinding, ...] = ()

    @property
    def blocked(self) -> bool:
        """Whether any finding forbids a verdict from these numbers."""
        return any(f.severity is Severity.BLOCKS for f in self.findings)

    def ratio(self, numerator: int, denominator: int) -> SineRatio:
        """Ratio and phase of two channels; correlation through the shared frequency is included.

        Parameters
        ----------
        numerator, denominator : int
            Channel indices in the order given to the fit.

        Raises
        ------
        AnalysisError
            If the denominator has no amplitude.
        """
        if not self.amplitude[denominator] > 0:
            raise AnalysisError(
                f"channel {denominator + 1} shows no signal, so no ratio to it exists",
                hint="check probe, coupling and range of that channel",
            )
        n = len(self.amplitude)
        ratio = float(self.amplitude[numerator] / self.amplitude[denominator])
        phase = float(self.phase_rad[numerator] - self.phase_rad[denominator])
        phase_deg = float(np.degrees(phase))
        phase_deg -= 360.0 * np.ceil((phase_deg - 180.0) / 360.0)
        return SineRatio(
            ratio=ratio,
            u_ratio=ratio * self._u_difference(1 + numerator, 1 + denominator),
            phase_deg=phase_deg,
            u_phase_deg=float(np.degrees(self._u_difference(1 + n + numerator, 1 + n + denominator))),
            degrees_of_freedom=self.degrees_of_freedom,
        )

    def _u_difference(self, i: int, j: int) -> float:
        c = self.covariance
        return float(np.sqrt(max(c[i, i] + c[j, j] - 2 * c[i, j], 0.0)))
