"""What a check would show, as the model hands it to the weighing of what it did show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a check would show.

    Attributes
    ----------
    value, other : array of float
        Reading with an intermittent joint closed, and open (with a scope: its AC part, and all of it); empty for
        actions answered in words.
    p_other : array of float
        Chance of the latter.
    words : array of float, last axis one per word
        Chance of each word; empty for actions answered by a reading.
    floor : float
        Below this a reading counts as zero, in its unit.
    jumps : array of float, optional
        Chance that the display jumps, where the leads are moved for a reading; then no reading is noted.
    """

    value: Floats
    other: Floats
    p_other: Floats
    words: Floats
    floor: float
    jumps: Floats | float = 0.0
