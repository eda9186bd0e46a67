"""Expected information of a check about the cause, in bits and in minutes of loss saved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.decision import loss_saved
from benchlog.diagnosis.likelihood import compressed
from benchlog.diagnosis.prediction import Prediction

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_BINS = 24


def joint_table(cause: Indices, outcome: Indices, n_causes: int, n_outcomes: int) -> Floats:
    """Return how often each label of one column meets each of the other, as shares."""
    joint = np.bincount(cause * n_outcomes + outcome, minlength=n_causes * n_outcomes).astype(float)
    return joint.reshape(n_causes, n_outcomes) / len(cause)


def mutual_information(joint: Floats) -> float:
    """Return the mutual information of rows and columns of a table of shares, in bits.

    >>> mutual_information(np.array([[0.5, 0.0], [0.0, 0.5]]))
    1.0
    """
    independent = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
    filled = joint > 0
    return float(np.sum(joint[filled] * np.log2(joint[filled] / independent[filled])))


@dataclass(frozen=True, slots=True)
class Gain:
    """Expected benefit of a check: information in bits, and minutes of loss saved."""

    bits: float
    saved: float


def expected_gain(
    cause: Indices,
    first: Indices,
    table: Floats,
    prediction: Prediction,
    repeatability: float,
    rng: np.random.Generator,
) -> Gain:
    """Return the expected benefit of a check.

    Equally weighted particles; outcomes are drawn from the prediction, readings are put into bins between
    quantiles of what is predicted (fixed bins would put 4.6 V and 5.0 V together), and what a shuffled column
    seems to tell is taken off, the bias of a finite sample.

    Parameters
    ----------
    cause : array of int, shape (n,)
        Hypothesis of each particle.
    first : array of int, shape (hypotheses,)
        The cause that would be named first: bits count only for telling these apart.
    table : array of shape (causes, hypotheses)
        What it costs to name one where the other is true.
    prediction : Prediction
        For the same particles.
    """
    if prediction.words.size:
        edges = np.cumsum(prediction.words, axis=-1)
        outcome = np.minimum((rng.random((len(cause), 1)) > edges).sum(axis=-1), edges.shape[-1] - 1)
        n_outcomes = edges.shape[-1]
    else:
        opened = rng.random(len(cause)) < prediction.p_other
        value = np.where(opened, prediction.other, prediction.value)
        outcome, n_outcomes = _binned(value, prediction.floor, repeatability, rng)
        outcome = np.where(rng.random(len(cause)) < prediction.jumps, n_outcomes, outcome)
        n_outcomes += 1
    found = joint_table(cause, outcome, table.shape[1], n_outcomes)
    chance = joint_table(cause, rng.permutation(outcome), table.shape[1], n_outcomes)
    named = np.eye(len(table))[:, first]
    return Gain(
        max(0.0, mutual_information(named @ found) - mutual_information(named @ chance)),
        max(0.0, loss_saved(table, found) - loss_saved(table, chance)),
    )


def _binned(
    value: Floats, floor: float, repeatability: float, rng: np.random.Generator
) -> tuple[Indices, int]:
    numeric = np.isfinite(value)
    q = compressed(value[numeric], floor)
    sd = np.hypot(repeatability, 0.8 * floor / (np.abs(value[numeric]) + floor))
    q = q + sd * rng.standard_normal(len(q))
    outcome = np.where(np.isnan(value), _BINS + 1, _BINS)
    if len(q):
        edges = np.quantile(q, np.arange(1, _BINS) / _BINS)
        outcome[numeric] = np.searchsorted(edges, q)
    return outcome, _BINS + 2
