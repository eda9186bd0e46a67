"""How likely an outcome is, given what was predicted for each particle.

Readings are compared on the scale ``q(y) = sgn(y) ln(1 + |y| / floor)``: relative for anything real, absolute
near zero. Overload and a display in another unit are codes of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.outcome import Outcome
from benchlog.diagnosis.prediction import Prediction

Floats = npt.NDArray[np.float64]

OPEN_OHM = 1e7
"""Resistance from which on a handheld's reading counts as open."""
_NEIGHBOURS = 20
_FAR_Q = 1e3  # farther than any reading from any other
_NARROW = 0.004  # half the usual repeatability: nothing to widen
_STRAY = 0.2  # share of what is noted in error that is overload, or that the display jumped: judgement
_SPAN_Q = 25.0  # readings from minus to plus a kilovolt over a floor of millivolts: the width of "anything"


class Weighed(NamedTuple):
    """Likelihood of an outcome, arrays of the prediction's shape.

    `total` counts lapses in; `right` is its part without one, and `opened` of that the part with an open joint.
    """

    total: Floats
    right: Floats
    opened: Floats


def compressed(value: Floats | float, floor: float) -> Floats:
    """Return q; codes stay what they are."""
    return np.asarray(np.sign(value) * np.log1p(np.abs(value) / floor))


def _of_reading(shown: float, predicted: Floats, step: float, floor: float, repeatability: float) -> Floats:
    numeric = np.isfinite(predicted)
    m = np.where(numeric, predicted, 0.0)
    # d q / d y = 1 / (|y| + floor): absolute noise and display steps are carried over with it. A step of a kilovolt
    # may hide 27 V in a zero, but never shows them as kilovolts. A step is uniform: sd 0.29; noise of most of the
    # floor keeps zero from being sharp.
    stepped = 0.29 * step / (np.maximum(np.abs(m), abs(shown)) + floor)
    sd = np.hypot(np.hypot(repeatability, stepped), 0.8 * floor / (np.abs(m) + floor))
    distance = compressed(shown, floor) - compressed(m, floor)
    sd = np.hypot(sd, _bandwidth(distance, numeric)[:, None])
    return np.where(numeric, np.exp(-0.5 * (distance / sd) ** 2) / (sd * np.sqrt(2 * np.pi)), 0.0)


def _bandwidth(distance: Floats, numeric: npt.NDArray[np.bool_]) -> Floats:
    """Return, for each cause, how far its particles must reach for their density to be known at the reading.

    A quantity that can be anything (the resistance of an unknown primary) leaves a handful of particles within
    the repeatability, and the noise of that handful would decide between causes that say the same. The distance
    over which the nearest few lie is the width needed; Silverman's rule, 0.9 min(sd, IQR / 1.34) n^(-1/5), bounds it.
    How far off the nearest of them is does not count, so that a reading no particle comes near stays unlikely: a misread
    prefix is a thousand times the value, not anything up to it.
    """
    n = distance.shape[1]
    count = numeric.sum(axis=1)
    ordered = np.partition(np.where(numeric, np.abs(distance), _FAR_Q), (0, _NEIGHBOURS), axis=1)
    nearest = ordered[:, _NEIGHBOURS] - ordered[:, 0]
    spread = np.zeros(len(distance))
    wide = (count > n // 20) & (nearest > _NARROW)
    complete = np.flatnonzero(wide & (count == n))
    if len(complete):
        spread[complete] = _silverman(distance[complete])
    for row in np.flatnonzero(wide & (count < n)):
        spread[row] = _silverman(distance[row][numeric[row]])
    return np.asarray(np.minimum(nearest, spread))


def _silverman(q: Floats) -> Floats:
    low, high = np.percentile(q, (25, 75), axis=-1)
    return np.asarray(0.9 * np.minimum(q.std(axis=-1), (high - low) / 1.34) * q.shape[-1] ** -0.2)


def likelihood(
    outcome: Outcome,
    words: tuple[str, ...],
    prediction: Prediction,
    *,
    unit: str,
    coupling: str = "",
    repeatability: float,
    lapse: float,
) -> Weighed:
    """Return how likely each particle makes an outcome.

    Parameters
    ----------
    outcome : Outcome
        What was shown.
    words : tuple of str
        Answers the action can have, in the order of the prediction; empty for readings.
    unit : str
        SI unit the display should have.
    coupling : {"", "ac", "dc"}
        What the display should say beside it, where the check turns the dial to it.
    repeatability : float
        Relative standard deviation between two readings of the same thing.
    lapse : float
        Chance that what was written down has nothing to do with what was shown.
    """
    if words:
        exact = _seen_at_once([prediction.words[..., words.index(word)] for word in outcome.words], lapse)
        # What is seen beside the first without a bearing is as rare if all of it has none.
        total = (1.0 - lapse) * exact + lapse ** len(outcome.words) / len(words)
        return Weighed(total, (1.0 - lapse) * exact, np.zeros(exact.shape))
    if outcome.words:  # instead of a reading; which way the joint was left nobody noted
        right = (1.0 - lapse) * np.broadcast_to(prediction.jumps, prediction.value.shape)
        return Weighed(right + lapse * _STRAY, right, right * prediction.p_other)
    if coupling and outcome.coupling and outcome.coupling != coupling:
        closed, opened = (np.isnan(v).astype(float) for v in (prediction.value, prediction.other))
    else:
        closed = _density(outcome, prediction.value, prediction.floor, unit, repeatability)
        opened = _density(outcome, prediction.other, prediction.floor, unit, repeatability)
    p, read = prediction.p_other, (1.0 - lapse) * (1.0 - prediction.jumps)
    right = read * ((1.0 - p) * closed + p * opened)
    stray = lapse * (_STRAY if outcome.overload else 1.0 / _SPAN_Q)
    return Weighed(right + stray, right, read * p * opened)


def _seen_at_once(each: Sequence[Floats], unrelated: float) -> Floats:
    """Probability that several things are seen at once; one that a particle does not have may be there by chance."""
    if len(each) == 1:
        return each[0]
    together = np.prod([np.maximum(p, unrelated) for p in each], axis=0)
    return np.where(np.max(each, axis=0) > 0, together, 0.0)


def _density(outcome: Outcome, predicted: Floats, floor: float, unit: str, repeatability: float) -> Floats:
    overload = np.isposinf(predicted)
    if unit == "ohm":
        overload = overload | (np.nan_to_num(predicted, nan=0.0) > OPEN_OHM)
    if outcome.overload or outcome.value is None or (unit == "ohm" and outcome.value > OPEN_OHM):
        return overload.astype(float)
    if outcome.unit and outcome.unit != unit:
        return np.isnan(predicted).astype(float)
    return _of_reading(outcome.value, predicted, outcome.resolution, floor, repeatability)
