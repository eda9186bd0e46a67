"""The whole number of turns behind a measured ratio.

A hand winding is seldom off by many turns, so the count itself is evidence: of 100 hand windings of 50 to 100
turns about six are off by one, one or two by two, hardly one by three (judgement, no source; replace it by
counts as they come). The measured ratio is taken as normal, or Student t with few degrees of freedom.

>>> answer = turns_posterior(101.0, 0.5, planned=100)
>>> answer.words
'100 to 102 turns fit'
>>> turns_posterior(101.0, 0.09, planned=100).words
'101 turns, not 100'
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchlog.errors import UsageError

#: Share of windings off by that many turns, both signs together (judgement, no source).
COUNTING_PRIOR: Mapping[int, float] = {1: 0.06, 2: 0.015, 3: 0.006}
#: From this probability one count counts as distinguished from the others.
DECIDED = 0.99
_NAMED = 0.95
_MOST_CANDIDATES = 2000
#: A ratio farther than this many standard uncertainties from every whole number is none (0.3 % of good ones are).
MISFIT = 3.0


@dataclass(frozen=True, slots=True)
class TurnsPosterior:
    """Probabilities of whole turns."""

    planned: int  #: What the plan says.
    #: Sums to one; candidates are those the prior or the measurement makes possible.
    probabilities: Mapping[int, float]
    prior: float  #: Probability of the planned number before anything was measured.
    #: Probabilities by the measurement alone, every candidate as likely as the others beforehand.
    by_data: Mapping[int, float]
    misfit: float  #: Distance of the ratio from the nearest whole number, in standard uncertainties.

    @property
    def fits(self) -> bool:
        """Whether the ratio is a whole number within its uncertainty."""
        return self.misfit <= MISFIT

    def within(self, low: float | None, high: float | None) -> float:
        """Probability that the number of turns lies within limits."""
        return _within(self.probabilities, low, high)

    def within_by_data(self, low: float | None, high: float | None) -> float:
        """The same from the measurement alone, every number of turns as likely before it."""
        return _within(self.by_data, low, high)

    @property
    def most_likely(self) -> int:
        """The number of turns with the highest probability; the planned one on a tie."""
        return max(self.probabilities, key=lambda n: (self.probabilities[n], n == self.planned))

    @property
    def probability(self) -> float:
        """Its probability."""
        return self.probabilities[self.most_likely]

    @property
    def decided(self) -> bool:
        """Whether one count is distinguished from all others."""
        return self.probability >= DECIDED

    @property
    def undecided(self) -> tuple[int, ...]:
        """Counts that can't be distinguished, in order.

        They are the fewest that together reach `_NAMED`, by the measurement alone and with the prior.
        """
        return tuple(sorted({*_likeliest(self.by_data), *_likeliest(self.probabilities)}))

    @property
    def words(self) -> str:
        """Description in one line."""
        best = self.most_likely
        if not self.fits:
            return "no whole number of turns fits"
        if self.decided:
            plural = "turn" if best == 1 else "turns"
            return f"{best} {plural}" if best == self.planned else f"{best} {plural}, not {self.planned}"
        low, *_, high = open_counts = self.undecided
        if self.planned not in open_counts:
            return f"not {self.planned}: anything from {low} to {high} turns"
        return f"{low} or {high} turns" if high == low + 1 else f"{low} to {high} turns fit"

    def as_json(self) -> dict[str, Any]:
        """The ``turns`` block of a result."""
        best = self.most_likely
        return {
            "most_likely": best,
            "probability": round(self.probabilities[best], 6),
            "alternatives": {
                str(n): round(p, 6)
                for n, p in sorted(self.probabilities.items())
                if n != best and (p >= 1e-4 or abs(n - best) == 1)
            },
            "planned": self.planned,
            "prior": self.prior,
            "by_data": {str(n): round(p, 6) for n, p in self.by_data.items() if p >= 1e-3 or n == best},
            "misfit": self.misfit,
            "fits": self.fits,
            "words": self.words,
        }


def _likeliest(probabilities: Mapping[int, float]) -> list[int]:
    """The likeliest counts, as many as reach `_NAMED` together, at least two."""
    total, kept = 0.0, list[int]()
    for turns in sorted(probabilities, key=probabilities.__getitem__, reverse=True):
        kept.append(turns)
        total += probabilities[turns]
        if total >= _NAMED and len(kept) > 1:
            break
    return kept


def _within(probabilities: Mapping[int, float], low: float | None, high: float | None) -> float:
    return sum(
        p for n, p in probabilities.items() if (low is None or low <= n) and (high is None or n <= high)
    )


def turns_posterior(
    ratio: float,
    standard_uncertainty: float,
    *,
    planned: int,
    degrees_of_freedom: float = math.inf,
    prior: Mapping[int, float] | None = None,
) -> TurnsPosterior:
    """Weigh every whole number of turns by the counting prior and the measured ratio.

    Parameters
    ----------
    ratio, standard_uncertainty : float
        Measured turns.
    planned : int
        Turns the winder meant to put on.
    degrees_of_freedom : float
        Of the uncertainty.
    prior : mapping of int to float, optional
        Share of windings off by 1, 2, 3... turns, both signs together.

    Raises
    ------
    UsageError
        If the plan's number is below 1, or ratio or uncertainty is not a positive number.

    Notes
    -----
    A count beyond the prior's table keeps a share of one in a million, so that a gross miscount (or a plan for
    another part) is found instead of being squeezed into the nearest tabled count.
    """
    if planned < 1:
        raise UsageError(f"{planned} turns can't be planned", hint="turns is a whole number from 1")
    if not (math.isfinite(ratio) and standard_uncertainty >= 0 and math.isfinite(standard_uncertainty)):
        raise UsageError(f"can't count turns from a ratio of {ratio!r} with u {standard_uncertainty!r}")
    shares = COUNTING_PRIOR if prior is None else prior
    reach = max(shares, default=0)
    # A perfectly known ratio still has to be given to a whole number.
    u = max(standard_uncertainty, 1e-9 * max(abs(ratio), 1.0))
    low, high = max(1, math.floor(ratio - 6 * u)), math.ceil(ratio + 6 * u)
    near = range(max(1, planned - reach), planned + reach + 1)
    # Of a ratio that leaves thousands of counts open, every so many: none of them alone is likely then.
    span = range(low, high + 1, 1 + (high - low) // _MOST_CANDIDATES)
    candidates = sorted({*near, *span, max(1, round(ratio))})
    log_weight = {
        n: math.log(_share(abs(n - planned), shares)) + _log_density((ratio - n) / u, degrees_of_freedom)
        for n in candidates
    }
    # What the prior doubts may be what the data say, so both are shown.
    by_data = {n: _log_density((ratio - n) / u, degrees_of_freedom) for n in candidates}
    return TurnsPosterior(
        planned,
        _normalised(log_weight),
        _share(0, shares),
        _normalised(by_data),
        abs(ratio - max(1, round(ratio))) / u,
    )


def counting_prior(planned_is_right: float) -> Mapping[int, float]:
    """Shares of windings off by 1, 2, 3 turns for a winder whose count is right with this probability.

    Raises
    ------
    UsageError
        If it is not a probability between 0 and 1.
    """
    if not 0 < planned_is_right < 1:
        raise UsageError(
            f"a count that is right in {planned_is_right * 100:g} % of cases leaves nothing to measure",
            hint="write a prior between 0 and 100 %: the share of such windings that have the planned turns",
        )
    usual = sum(COUNTING_PRIOR.values())
    return {off: share * (1 - planned_is_right) / usual for off, share in COUNTING_PRIOR.items()}


def _normalised(log_weight: Mapping[int, float]) -> dict[int, float]:
    top = max(log_weight.values())
    weights = {n: math.exp(w - top) for n, w in log_weight.items()}
    total = sum(weights.values())
    return {n: w / total for n, w in weights.items()}


def _share(off: int, shares: Mapping[int, float]) -> float:
    if off == 0:
        return max(1 - sum(shares.values()), 1e-9)
    return shares[off] / 2 if off in shares else 1e-6


def _log_density(z: float, df: float) -> float:
    if math.isinf(df) or df > 1e6:
        return -0.5 * z * z
    return -0.5 * (df + 1) * math.log1p(z * z / df)


def rounding_right(turns: float, relative_uncertainty: float) -> float:
    """Probability that rounding the measured ratio gives the true turns: erf(0.5 / (N u sqrt 2)).

    >>> round(rounding_right(100, 0.005), 3), round(rounding_right(50, 0.005), 3)
    (0.683, 0.954)
    """
    if relative_uncertainty <= 0:
        return 1.0
    return math.erf(0.5 / (turns * relative_uncertainty * math.sqrt(2)))
