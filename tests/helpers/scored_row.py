"""Score of a check over many cases whose truth is known: coverage, wrong verdicts, honest probabilities."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, field

from benchlog.metrology.conformity import judge
from benchlog.result import Limits, Uncertain, Verdict

#: Tenths of stated probability with fewer cases are not scored.
ENOUGH = 100


@dataclass
class ScoredRow:
    """One line of the table.

    Attributes
    ----------
    name : str
    covered : dict of str to [int, int]
        Per quantity: intervals that hold the truth, and all.
    verdicts : counter of (verdict, whether the truth is within limits)
    deciles : dict of int to [int, float, int]
        Per tenth of stated probability: cases, sum of what was stated, in how many it was so.
    most_rejected : float
        False rejects that are allowed: 25 % of charts of 30 readings.
    """

    name: str
    covered: dict[str, list[int]] = field(default_factory=dict)
    verdicts: Counter[tuple[Verdict, bool]] = field(default_factory=Counter)
    deciles: dict[int, list[float]] = field(default_factory=dict)
    most_rejected: float = 0.01

    def interval(self, name: str, quantity: Uncertain, true: float) -> None:
        """Count whether value ± expanded uncertainty holds the truth."""
        held = self.covered.setdefault(name, [0, 0])
        held[0] += abs(quantity.value - true) <= quantity.expanded_uncertainty * (1 + 1e-9)
        held[1] += 1

    def verdict(self, verdict: Verdict, within: bool) -> None:
        """Count a verdict against the truth."""
        self.verdicts[verdict, within] += 1

    def probability(self, stated: float | None, happened: bool) -> None:
        """Count a stated probability against what was so."""
        if stated is None:
            return
        tenth = self.deciles.setdefault(min(int(stated * 10), 9), [0, 0.0, 0])
        tenth[0] += 1
        tenth[1] += stated
        tenth[2] += happened

    def probabilities(self, quantity: Uncertain, true: float, u_limit: float = 0.0) -> None:
        """Count what is stated of limits against the truth: one limit for each tenth, anywhere that gives its middle.

        Below such a limit lies the truth just where less is stated of a limit at the truth itself; so one judgement
        scores all tenths.
        """
        at_truth = Limits(None, true, quantity.unit, standard_uncertainty=u_limit)
        below = judge(quantity, at_truth).conformance_probability
        for tenth in range(10):
            stated = (tenth + 0.5) / 10
            self.probability(stated, below <= stated)

    def coverage(self) -> float | None:
        """Worst coverage of all quantities, the least and the most; None where there are none."""
        return min((hit / all_ for hit, all_ in self.covered.values()), default=None)

    def share(self, verdict: Verdict, within: bool) -> float:
        """Share of a verdict among the cases within limits, or among those outside."""
        cases = sum(n for (_, inside), n in self.verdicts.items() if inside is within)
        return self.verdicts[verdict, within] / cases if cases else 0.0

    def undecided(self) -> float:
        """Share of all cases that stay indeterminate."""
        total = sum(self.verdicts.values())
        return sum(n for (v, _), n in self.verdicts.items() if v is Verdict.INDETERMINATE) / max(total, 1)

    def unreliable(self) -> tuple[float, float, float] | None:
        """Stated and true share of the tenth that is farthest off, and its cases."""
        found = [(said / n, so / n, n) for n, said, so in self.deciles.values() if n >= ENOUGH]
        return max(found, key=lambda one: abs(one[0] - one[1]), default=None)

    def misses(self) -> list[str]:
        """What does not hold: coverage within 0.94 to 1, wrong verdicts at most 1 %, probabilities within 0.05."""
        found = [
            f"coverage of {name} {hit / n:.3f}" for name, (hit, n) in self.covered.items() if hit / n < 0.94
        ]
        if (accepted := self.share(Verdict.PASS, False)) > 0.01:
            found.append(f"false accept {accepted:.2%}")
        if (rejected := self.share(Verdict.FAIL, True)) > self.most_rejected:
            found.append(f"false reject {rejected:.2%}")
        if (worst := self.unreliable()) is not None and abs(worst[0] - worst[1]) > 0.05:
            found.append(f"said {worst[0]:.2f}, true {worst[1]:.2f} of {worst[2]:.0f}")
        return found

    def line(self) -> str:
        """One row of the table in MEASURED.md."""
        covered = ", ".join(f"{name} {hit / n:.3f}" for name, (hit, n) in self.covered.items()) or "-"
        said = "-"
        if (worst := self.unreliable()) is not None:
            stated, so, n = worst
            chance = math.sqrt(so * (1 - so) / n)
            said = f"{stated:.3f} → {so:.3f} ± {chance:.3f} ({n:.0f})"
        return (
            f"| {self.name} | {sum(self.verdicts.values())} | {covered} | {self.share(Verdict.PASS, False):.2%} | "
            f"{self.share(Verdict.FAIL, True):.2%} | {self.undecided():.0%} | {said} |"
        )


def inside(limits: Limits, true: float) -> bool:
    """Whether a true value is within limits."""
    return (limits.low is None or true >= limits.low) and (limits.high is None or true <= limits.high)
