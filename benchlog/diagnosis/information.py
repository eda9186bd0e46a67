"""How much a check would tell about the cause, in bits."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.forward import Prediction
from benchlog.diagnosis.likelihood import compressed

__all__ = ["expected_information", "mutual_information"]

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_BINS = 24


def mutual_information(cause: Indices, outcome: Indices, n_causes: int, n_outcomes: int) -> float:
    """Return the mutual information of two columns of labels, in bits.

    >>> two = np.array([0, 0, 1, 1])
    >>> mutual_information(two, two, 2, 2)
    1.0
    """
    joint = np.bincount(cause * n_outcomes + outcome, minlength=n_causes * n_outcomes).astype(float)
    p = joint.reshape(n_causes, n_outcomes) / len(cause)
    independent = p.sum(axis=1, keepdims=True) * p.sum(axis=0, keepdims=True)
    filled = p > 0
    return float(np.sum(p[filled] * np.log2(p[filled] / independent[filled])))


def expected_information(
    cause: Indices, n_causes: int, prediction: Prediction, repeatability: float, rng: np.random.Generator
) -> float:
    """Return the expected information of a check about the cause, in bits.

    Equally weighted particles; outcomes are drawn from the prediction, readings are put into bins between
    quantiles of what is predicted (fixed bins would put 4.6 V and 5.0 V together), and what a shuffled column
    seems to tell is taken off, the bias of a finite sample.

    Parameters
    ----------
    cause : array of int, shape (n,)
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
    found = mutual_information(cause, outcome, n_causes, n_outcomes)
    by_chance = mutual_information(cause, rng.permutation(outcome), n_causes, n_outcomes)
    return max(0.0, found - by_chance)


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
