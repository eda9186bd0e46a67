"""Which check to do next: the most information per minute, then what saves the most loss, then a positive control."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.belief import Belief
from benchlog.diagnosis.catalogue import Action
from benchlog.diagnosis.effects import move
from benchlog.diagnosis.hidden import Noise
from benchlog.diagnosis.information import Gain, expected_gain

Floats = npt.NDArray[np.float64]

_SAMPLED = 3000
_LEAST_MIN = 0.1  # a check that will be needed in any case costs hardly anything to do now
_CLOSE = 0.8  # within this share of the best score, a check that alters nothing goes first: judgement


@dataclass(frozen=True, slots=True)
class Offer:
    """A check that could be done, and its expected benefit."""

    action: Action
    gain: Gain
    minutes: float

    @property
    def profit(self) -> float:
        """Minutes of loss saved beyond those it takes."""
        return self.gain.saved - self.minutes


def offers(
    belief: Belief,
    table: Floats,
    actions: list[Action],
    controls: Collection[Action] = (),
    p_part: float = 0.0,
) -> list[Offer]:
    """Return the expected benefit of each of these checks now.

    Where a part may have to be named and the instrument is not proven yet, one of `controls` will be asked for then:
    a check that is one now spares that time with the probability `p_part`.
    """
    rng = belief.rng("next")
    rows, hidden = belief.sample(rng, _SAMPLED)
    engine = belief.catalogue.engine
    first = np.array([belief.causes.index(h[0]) for h in belief.hypotheses])
    spared = p_part * min((a.minutes + engine["overhead_min"] for a in controls), default=0.0)
    found = []
    for action in actions:
        moved = dict(hidden)
        move(action.id, moved, Noise.like(rows, rng))
        prediction = belief.model.predict(action.id, moved, Noise.like(rows, rng))
        gain = expected_gain(rows, first, table, prediction, engine["repeatability"], rng)
        minutes = action.minutes + engine["overhead_min"] - (spared if action in controls else 0.0)
        found.append(Offer(action, gain, max(minutes, _LEAST_MIN)))
    return found


def ranked(found: list[Offer], *, by_profit: bool) -> list[Offer]:
    """Put offers in order, the best first: by information per minute, or by the loss saved per minute.

    The latter is used when one cause leads already and only has to become sure enough.
    """
    scores = {o.action.id: (o.gain.saved if by_profit else o.gain.bits) / o.minutes for o in found}
    best = max(scores.values(), default=0.0)

    def rank(offer: Offer) -> tuple[bool, bool, float]:
        score = scores[offer.action.id]
        close = score >= _CLOSE * best
        return not close, close and offer.action.alters != "nothing", -score

    return sorted(found, key=rank)
