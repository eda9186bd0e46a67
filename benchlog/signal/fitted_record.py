"""A record's samples with the residuals of the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchlog.signal.joint import JointSolution
from benchlog.signal.samples import FloatArray


@dataclass(frozen=True, slots=True)
class FittedRecord:
    """Samples used by a fit, and the fit's solution and residuals."""

    channels: FloatArray  #: Shape (n_channels, n). Averaged samples, or some raw stretches of a long record.
    time: FloatArray  #: Shape (n,). Times of those samples from the centre of the record, in samples.
    residuals: FloatArray  #: Shape (n_channels, n).
    solution: JointSolution  #: Its angle is in radian per sample of `time`.
    span: int  #: Samples from first to last, in the unit of `time`; those in between may be missing.

    @property
    def whole(self) -> bool:
        """Whether no sample is missing."""
        return len(self.time) == self.span


def noise_to_tone(record: FittedRecord) -> FloatArray:
    """Relative standard uncertainty of each amplitude, from the residuals of these samples."""
    tones = np.maximum(np.abs(record.solution.phasors[:, 0]), 1e-300)
    spread = np.sqrt(2 / record.span) * record.residuals.std(axis=1)
    # A constant channel has neither tone nor noise.
    return np.where(np.ptp(record.channels, axis=1) > 0, spread / tones, np.inf)
