"""What the engine answers: ranked causes, P(output live), the next checks, and how it ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

CAUTION_LIVE = "Treat the output as live until you prove it dead by hand: known live source, the point, known live source again."
HAZARD = "A lead may be in the current jack: the source is then shorted through the meter. Stop live work, power off, then look."

NOTHING_FITS = "no single cause fits"
"""How a diagnosis ends if neither one cause nor two explain what was noted."""


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause with its probability."""

    id: str
    label: str
    probability: float
    family: str


@dataclass(frozen=True, slots=True)
class RankedPair:
    """Two causes at once, with the probability that it is just these two."""

    causes: tuple[str, str]
    probability: float


@dataclass(frozen=True, slots=True)
class NextCheck:
    """A check worth doing, its expected information and its time."""

    action: str
    bits: float
    minutes: float
    card: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is known now."""

    #: Most probable first: the probability that a cause is there, alone or beside another; the sum can be
    #: above 1.
    causes: tuple[RankedCause, ...]
    #: Probability that the output is live; never a licence to touch, and at least 0.5 until the meter is
    #: proven.
    p_live: float
    next: tuple[NextCheck, ...]  #: Best first; empty after a stop.
    stop: str | None  #: One of None, "decided", "nothing splits further", "no single cause fits".
    survivors: tuple[str, ...]  #: Causes that together hold 95 %.
    cautions: tuple[str, ...]
    proven: bool = False  #: A positive control has shown that the doubted instrument reads a known source.
    #: Most probable first: a lead, setting or meter with a part, supply or plan.
    pairs: tuple[RankedPair, ...] = ()
    #: After "decided": what to fix, then read again, to confirm the answer.
    read_again: NextCheck | None = None
    #: The reading taken again agrees with what was decided; only then is the matter closed.
    confirmed: bool = False
    #: Causes that were decided and fixed before; `causes` are what is left.
    put_right: tuple[str, ...] = ()
    #: Causes that were to be fixed, after which the reading was the same: they are not excluded.
    unchanged: tuple[str, ...] = ()

    @property
    def meter_at_fault(self) -> bool:
        """Whether what is left are faults of the meter alone, even if none of them is decided."""
        if self.stop == "decided":
            return self.causes[0].family == "meter"
        families = {cause.id: cause.family for cause in self.causes}
        return self.stop == "nothing splits further" and {families[c] for c in self.survivors} == {"meter"}

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values, in the words scripts rely on."""
        again = self.read_again
        return {
            "causes": [
                {"id": c.id, "label": c.label, "probability": round(c.probability, 4), "family": c.family}
                for c in self.causes
            ],
            "p_live": round(self.p_live, 4),
            "next": [{"action": n.action, "bits": round(n.bits, 4), "minutes": n.minutes} for n in self.next],
            "stop": self.stop,
            "survivors": list(self.survivors),
            "cautions": list(self.cautions),
            "proven": self.proven,
            "pairs": [{"causes": list(p.causes), "probability": round(p.probability, 4)} for p in self.pairs],
            "read_again": None if again is None else {"action": again.action, "minutes": again.minutes},
            "confirmed": self.confirmed,
            "put_right": list(self.put_right),
            "unchanged": list(self.unchanged),
        }
