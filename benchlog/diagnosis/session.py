"""The engine: from a reading and the checks done since to ranked causes, the next best check, and an answer.

Three rules hold for whatever is typed. No part is condemned, and P(output live) does not fall below one half, before a
positive control has proven the doubted instrument. A cause is named only when no further check is worth its minutes. And
what was named is confirmed by taking the reading again.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.answer import (
    CAUTION_LIVE,
    HAZARD,
    NOTHING_FITS,
    Diagnosis,
    NextCheck,
    RankedCause,
    RankedPair,
)
from benchlog.diagnosis.belief import Belief
from benchlog.diagnosis.case import Case, Evidence, parse_evidence
from benchlog.diagnosis.catalogue import OTHER_METER, Action, load_catalogue
from benchlog.diagnosis.control import confirmed, controls, proven, same_as_first
from benchlog.diagnosis.decision import losses
from benchlog.diagnosis.next_check import Offer, offers, ranked
from benchlog.errors import UsageError, did_you_mean

Floats = npt.NDArray[np.float64]

READ_AGAIN = "reading_again"
_POWER_OFF = "{off} before you touch anything, then "
_SLIPPED = 0.1  # below this probability that all was noted right, no hypothesis fits: judgement
_PAIRS_SHOWN = 5
_FIXED = ("lead", "setting", "supply")
"""Families whose causes are fixed on the spot, in much the same way, before the reading is taken again."""
_MENDED = (*_FIXED, "meter")
"""Families whose cause can be fixed, or the meter exchanged, before the reading is taken again."""


class Session:
    """One diagnosis in progress: `update` with one piece of evidence at a time, `state` whenever asked.

    Parameters
    ----------
    case : Case
        Its evidence is taken in at once.
    seed : int
        The same seed and evidence give the same answer.
    counts : mapping of str to float, optional
        How often each cause was the real one on this bench.
    """

    def __init__(self, case: Case, *, seed: int = 1, counts: Mapping[str, float] | None = None) -> None:
        self.case = case
        self.seed = seed
        self.catalogue = load_catalogue(case.context)
        self._weights = self.catalogue.weights(
            case.kind, case.context, counts, source=case.source, coupling=case.expect.coupling
        )
        self._families = {c.id: c.family for c in self.catalogue.causes}
        self._begin()
        for evidence in case.evidence:
            self.update(evidence)

    def _begin(self) -> None:
        self.done: list[Evidence] = []
        self.put_right: tuple[str, ...] = ()
        self.unchanged: tuple[str, ...] = ()
        self._doubted = self.case  # the reading that is in doubt now
        self._since = 0  # where evidence about the instrument now in doubt begins
        self._confirmed: Diagnosis | None = None
        self._state: Diagnosis | None = None
        self._offered: list[Offer] = []
        self.belief = Belief(self.case, self._weights, seed=self.seed)

    # -- evidence -----------------------------------------------------------------------------------------

    def answer(self, action: str, text: str) -> Evidence:
        """Read what a person answers to a check, who can still turn the dial and read again.

        Raises
        ------
        UsageError
            For an unknown check, an answer it can't have, or one in another unit than it is read in.
        """
        action = "_".join(action.lower().split())
        if action not in self.catalogue.actions:
            name, names = action.replace("_", " "), self.check_names
            raise UsageError(
                f"there is no check {name!r}",
                hint=did_you_mean(name, names, f"checks are {', '.join(names)}"),
            )
        evidence = parse_evidence((action, text))
        outcome, model = evidence.outcome, self.belief.model
        unit, coupling = model.unit(action), model.coupling(action)
        if outcome.words:
            return evidence
        wrong_unit = outcome.unit and outcome.unit != unit
        if wrong_unit or (coupling and outcome.coupling and outcome.coupling != coupling):
            shown = outcome.coupling if not wrong_unit else outcome.unit
            raise UsageError(
                f"{text!r} is in {shown}, but this check is read in {unit}{f' {coupling}' if coupling else ''}",
                hint="set the dial as the step says and read again; if the display does not change, answer look = hold shown",
            )
        return evidence

    @property
    def check_names(self) -> tuple[str, ...]:
        """Checks for this kind of reading, as people write them."""
        actions = self.catalogue.actions.values()
        return tuple(a.id.replace("_", " ") for a in actions if self.case.kind in a.kinds)

    def update(self, evidence: Evidence) -> None:
        """Take in one check and what it showed.

        Raises
        ------
        UsageError
            If the check says nothing about this kind of reading, or nothing was decided that could be read again.
        """
        action = self.catalogue.actions[evidence.action]
        if self.case.kind not in action.kinds:
            raise UsageError(
                f"{action.id} is not a check for a reading of {self.case.kind.replace('_', ' ')}",
                hint=f"checks are {', '.join(self.check_names)}",
            )
        if action.id == READ_AGAIN:
            self._read_again(evidence)
        else:
            self._confirmed = None
            self.belief.learn(evidence)
            self.done.append(evidence)
        self._state = None

    def undo(self) -> Evidence | None:
        """Take back the last piece of evidence; returns it, or None when there is none left."""
        if not self.done:
            return None
        *kept, last = self.done
        self._begin()
        for evidence in kept:
            self.update(evidence)
        return last

    def _read_again(self, evidence: Evidence) -> None:
        """Take in the reading after the decided cause was fixed: it confirms that, or shows that more is wrong.

        An unchanged one does neither: nothing was fixed, or it was something else. The cause stays possible.
        """
        before = self.state()
        if before.stop != "decided" or self._confirmed is not None:
            raise UsageError(
                "no cause is decided yet, so there is nothing to fix and read again",
                hint="do the next check, or withdraw the last answer",
            )
        cause = before.causes[0].id
        family = self._families[cause]
        lasting = any(c.id == cause and c.lasting for c in self.catalogue.causes)
        mended = family in _MENDED and not lasting
        exchanged = family == "meter" and cause not in self.catalogue.again
        unchanged = False
        if exchanged or family == OTHER_METER:
            self.belief.learn(evidence, seen_by="second_meter")
            if exchanged:
                self.belief.mend(cause)
        else:
            if mended:
                unchanged = same_as_first(
                    self._doubted, evidence.outcome, self.catalogue.engine["repeatability"]
                )
                self.belief.mend(cause, still_there=self.catalogue.engine["not_mended"])
            self.belief.learn(evidence)
        self.done.append(evidence)
        rest = self._alone("all_good" if mended else cause, family)
        if not unchanged and self._closes(rest):
            live = max(before.p_live, self._p_live())
            self._confirmed = dataclasses.replace(before, p_live=live, confirmed=True, read_again=None)
            return
        if mended:
            self._note_fix(cause, unchanged=unchanged)
        if exchanged:
            self._since = len(self.done)
        self._doubted = dataclasses.replace(self.case, reading=evidence.outcome, evidence=())

    def _closes(self, rest: float) -> bool:
        return rest >= self.catalogue.engine["decided"] and self.belief.p_clean >= _SLIPPED

    def _note_fix(self, cause: str, *, unchanged: bool) -> None:
        """Keep whether a fix changed the reading; only then was there something to fix."""
        others = tuple(c for c in self.unchanged if c != cause)
        self.unchanged = (*others, cause) if unchanged else others
        self.put_right += () if unchanged else (cause,)

    def _p_of(self, family: str) -> float:
        """Probability that a cause of this family is there, alone or beside another."""
        there = [any(self._families[c] == family for c in h) for h in self.belief.hypotheses]
        return float(self.belief.probabilities @ np.array(there, dtype=float))

    def _alone(self, cause: str, family: str) -> float:
        """Probability that this cause, or another of the family, is there and nothing else."""
        return sum(
            float(p)
            for p, h in zip(self.belief.probabilities, self.belief.hypotheses, strict=True)
            if len(h) == 1 and (h[0] == cause or self._families[h[0]] == family)
        )

    # -- answers ------------------------------------------------------------------------------------------

    def state(self) -> Diagnosis:
        """Return what is known now and what to do next."""
        if self._confirmed is not None:
            return self._confirmed
        if self._state is None:
            self._state = self._answer()
        return self._state

    def _answer(self) -> Diagnosis:
        belief, engine = self.belief, self.catalogue.engine
        p = belief.probabilities
        marginal = belief.membership() @ p
        order = self._order(p, marginal)
        labels = {c.id: c.label for c in self.catalogue.causes}
        causes = tuple(
            RankedCause(name, labels[name], float(marginal[i]), self._families[name])
            for i, name in ((i, belief.causes[i]) for i in order)
        )
        known = proven(self._doubted, self.done[self._since :])
        p_live = self._p_live() if known else max(self._p_live(), engine["unproven_live"])
        hazard = self._hazard(causes)
        stop, checks = self._ending(causes[0], known=known, hazard=hazard)
        closed = stop == "decided" and self._confirmed_before(causes[0])
        cautions = [CAUTION_LIVE]
        if hazard or causes[0].id == "lead_in_current_jack":
            cautions.insert(0, HAZARD)
        return Diagnosis(
            causes,
            p_live,
            checks,
            stop,
            self._survivors(p),
            tuple(cautions),
            proven=known,
            pairs=self._pairs(p),
            read_again=self._card_again(causes[0]) if stop == "decided" and not closed else None,
            confirmed=closed,
            put_right=self.put_right,
            unchanged=self.unchanged,
        )

    def _p_live(self) -> float:
        floor = self.catalogue.engine["live_floor"]
        return floor + (1.0 - floor) * self.belief.p_live

    def _confirmed_before(self, top: RankedCause) -> bool:
        """Tell whether a check that was done confirmed this cause, with nothing else wrong."""
        alone = self._alone(top.id, top.family) >= self.catalogue.engine["decided"]
        return alone and confirmed(self._doubted, self.done[self._since :], top.id, top.family)

    def _order(self, p: Floats, marginal: Floats) -> list[int]:
        """Return the causes, most probable first; of two present at once, the one that can be fixed."""
        order = [int(i) for i in np.argsort(-marginal, kind="stable")]
        leading = self.belief.hypotheses[int(np.argmax(p))]
        first = self.belief.causes.index(leading[0])
        if len(leading) > 1 and marginal[first] >= self.catalogue.engine["decided"]:
            order.remove(first)
            order.insert(0, first)
        return order

    def _ending(
        self, top: RankedCause, *, known: bool, hazard: bool
    ) -> tuple[str | None, tuple[NextCheck, ...]]:
        """Return how it ends, or None and the checks to do next."""
        belief, engine = self.belief, self.catalogue.engine
        if self.done and belief.p_clean < _SLIPPED:
            return NOTHING_FITS, ()
        wrong, within = self.catalogue.loss, engine["within_family"]
        table = losses(belief.causes, belief.hypotheses, self._families, wrong, within)
        allowed = self._allowed()
        needed = () if known else tuple(a for a in controls(self.case) if a in allowed)
        found = self._offered = offers(belief, table, allowed, needed, self._p_of("part"))
        if hazard:  # no other check, live or not, before somebody looks at the jacks
            return None, self._looking(found)
        if self._leads(top):
            return self._with_leader(top, found, known)
        least = engine["worth"] if self.done else 0.0
        checks = self._ranked([o for o in found if o.gain.bits >= least * o.minutes])
        return (None, checks) if checks else ("nothing splits further", ())

    def _leads(self, top: RankedCause) -> bool:
        """Tell whether one cause leads: sure by itself, or likely and of a sure family that is fixed on the spot."""
        engine = self.catalogue.engine
        if top.family in _FIXED and top.probability >= engine["fixed_first"]:
            return self._p_of(top.family) >= engine["decided"]
        return top.probability >= engine["decided"]

    def _with_leader(
        self, top: RankedCause, found: list[Offer], known: bool
    ) -> tuple[str | None, tuple[NextCheck, ...]]:
        """The same where one cause leads: done, unless a check is worth its time or a part needs its proof."""
        profitable = [o for o in found if o.profit > 0.0]
        if profitable:
            return None, self._ranked(profitable, by_profit=True)
        if not self.done and top.family != "none":  # one reading shows the usual cause only
            return None, self._ranked(found)
        if known or top.family != "part":
            return "decided", ()
        proving = self._proving(found)
        return (None, self._ranked(proving)) if proving else ("nothing splits further", ())

    def _looking(self, found: list[Offer]) -> tuple[NextCheck, ...]:
        look = self._ranked([o for o in found if o.action.id == "look"])
        first = self._words(_POWER_OFF)
        return tuple(dataclasses.replace(n, card=f"{first}{n.card[0].lower()}{n.card[1:]}") for n in look)

    @property
    def source_words(self) -> Mapping[str, str]:
        """How to switch what feeds the points ``off`` and ``on``, in words."""
        return self.catalogue.sources[self.case.source]

    def _words(self, card: str) -> str:
        return self.catalogue.card(card, self.case.source)

    def _ranked(self, found: list[Offer], *, by_profit: bool = False) -> tuple[NextCheck, ...]:
        """Return the checks in order; none that changes the state as found before somebody has looked at it."""
        order = ranked(found, by_profit=by_profit)
        if not any(e.action == "look" for e in self.done):
            if order and order[0].action.alters == "state":
                look = [o for o in self._offered if o.action.id == "look"]
                order = [*look, *(o for o in order if o.action.id != "look")]
            order = [o for o in order if o.action.alters != "state"]
        return tuple(
            NextCheck(o.action.id, o.gain.bits, o.action.minutes, self._words(o.action.card)) for o in order
        )

    def _proving(self, found: list[Offer]) -> list[Offer]:
        """Return the positive controls that are left; only the quickest if none gives other information."""
        ids = {a.id for a in controls(self.case)}
        left = sorted((o for o in found if o.action.id in ids), key=lambda o: o.minutes)
        return left[:1]

    def _hazard(self, causes: tuple[RankedCause, ...]) -> bool:
        """Tell whether a lead in the current jack must be looked for before anything else."""
        if any(e.action == "look" for e in self.done):
            return False
        least = self.catalogue.engine["hazard"]
        on_amperes = self.case.expect.unit == "V" and self.case.reading.unit == "A"
        return on_amperes or any(c.id == "lead_in_current_jack" and c.probability >= least for c in causes)

    def _allowed(self) -> list[Action]:
        done = [e.action for e in self.done]
        return [
            a
            for a in self.catalogue.actions.values()
            if self.case.kind in a.kinds
            and a.id != READ_AGAIN
            and (self.case.source == "mains" or not a.mains)
            and not any(a.id in self.catalogue.contexts[c].without for c in self.case.context)
            and done.count(a.id) < a.repeats
            and not (a.id == "reread" and self.belief.last_reread() is not None)
        ]

    def _survivors(self, p: Floats) -> tuple[str, ...]:
        """Return the causes of the hypotheses that together hold 95 %."""
        order = np.argsort(-p, kind="stable")
        n = int(np.searchsorted(np.cumsum(p[order]), 0.95)) + 1
        return tuple(dict.fromkeys(c for i in order[:n] for c in self.belief.hypotheses[i]))

    def _pairs(self, p: Floats) -> tuple[RankedPair, ...]:
        both = [
            RankedPair((h[0], h[1]), float(share))
            for h, share in zip(self.belief.hypotheses, p, strict=True)
            if len(h) == 2
        ]
        return tuple(sorted(both, key=lambda pair: -pair.probability)[:_PAIRS_SHOWN])

    def _card_again(self, top: RankedCause) -> NextCheck:
        action = self.catalogue.actions[READ_AGAIN]
        again = self.catalogue.again
        card = self._words(again.get(top.id, again[top.family]))
        return NextCheck(action.id, 0.0, action.minutes, card)


def diagnose(case: Case, *, seed: int = 1, counts: Mapping[str, float] | None = None) -> Diagnosis:
    """Rank the causes of a reading that looks wrong, and propose the next best check per minute.

    Parameters
    ----------
    case : Case
        What was expected, read and tried.
    seed : int
        The same seed gives the same answer.
    counts : mapping of str to float, optional
        How often each cause was the real one on this bench.
    """
    return Session(case, seed=seed, counts=counts).state()
