"""What it costs to be wrong, so that a cause is named only when more checks would not pay.

Losses are minutes at the bench, from ``catalogue.toml``: a part opened or scrapped for nothing costs hours, a lead
exchanged for nothing a few minutes. A check pays when the loss it can be expected to save is worth its minutes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Hypothesis = tuple[str, ...]


def losses(
    causes: Sequence[str],
    hypotheses: Sequence[Hypothesis],
    families: Mapping[str, str],
    wrong: Mapping[str, float],
    within: float,
) -> Floats:
    """Return what it costs to name each of `causes` when each of `hypotheses` is true.

    Parameters
    ----------
    families : mapping of cause to family
    wrong : mapping of family to float
        Minutes lost when a cause of this family is named and it is another.
    within : float
        Minutes lost when the family is right and the cause is not.

    Returns
    -------
    array of shape (causes, hypotheses)

    >>> losses(["a", "b"], [("a",), ("b",), ("a", "b")], {"a": "lead", "b": "part"}, {"lead": 8, "part": 90}, 5)
    array([[ 0.,  8.,  0.],
           [90.,  0.,  0.]])
    """
    of_family = {f: np.array([any(families[c] == f for c in true) for true in hypotheses]) for f in wrong}
    table = np.array(
        [np.where(of_family[f], within, wrong[f]) for f in (families[named] for named in causes)], dtype=float
    )
    rows = {named: row for row, named in enumerate(causes)}
    for column, true in enumerate(hypotheses):
        table[[rows[cause] for cause in true], column] = 0.0
    return table


def expected_loss(table: Floats, p: Floats) -> float:
    """Return the least expected loss over all causes that could be named; `p` over the hypotheses."""
    return float((table @ p).min())


def loss_saved(table: Floats, joint: Floats) -> float:
    """Return how much less is lost on average when the outcome of a check is known.

    Parameters
    ----------
    table : array of shape (causes, hypotheses)
    joint : array of shape (hypotheses, outcomes)
        Probabilities; sums to 1.
    """
    return expected_loss(table, joint.sum(axis=1)) - float((table @ joint).min(axis=0).sum())
