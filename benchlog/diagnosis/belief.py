"""Probabilities of all hypotheses: weighted particles for each, updated by one outcome at a time.

A hypothesis is one cause, or two at once; its particles are sets of hidden quantities that hold over all checks.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.case import Case, Evidence
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.diagnosis.effects import change, move
from benchlog.diagnosis.first_reading import as_displayed, moved_onto_reading
from benchlog.diagnosis.forward import FIRST_READING, BenchModel
from benchlog.diagnosis.hidden import Hidden, Hypothesis, Noise, Particles, draw_particles
from benchlog.diagnosis.likelihood import Weighed, likelihood
from benchlog.diagnosis.outcome import Outcome

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

_NEVER = 1e-12  # probability of what is excluded; a logarithm needs one
_DRAWN = 600  # particles of each hypothesis before the first reading
_ALL, _MOST = 96_000, 1000  # particles of all hypotheses that are left, and of one at most
_NOISE_DRAWN = 3  # what moves between two readings of the same thing is averaged over so many draws
_GONE = (
    1e-5  # probability below which a hypothesis is dropped: two slips of the pen would have to speak for it
)
_WITH = ("lead", "setting", "meter")
_BESIDE = ("part", "supply", "plan")
ALL_GOOD = "all_good"


def pairs_of(weights: Mapping[str, float]) -> dict[Hypothesis, float]:
    """Return the prior of every pair of a lead, setting or meter with a part, supply or plan.

    Two faults are taken to be independent: the odds of a pair against its second cause are those of its first against
    no fault.
    """
    families = {c.id: c.family for c in load_catalogue().causes}
    good = weights[ALL_GOOD]
    return {
        (one, other): weights[one] * weights[other] / good
        for one in weights
        if families[one] in _WITH
        for other in weights
        if families[other] in _BESIDE
    }


class Belief:
    """Probabilities of hypotheses and of what is hidden.

    Parameters
    ----------
    case : Case
        Its first reading is taken in at once, its evidence is not.
    weights : mapping of str to float
        Prior of each cause; pairs have the product of their rates.
    """

    def __init__(self, case: Case, weights: Mapping[str, float], *, seed: int) -> None:
        self.case, self.seed = case, seed
        self.catalogue = load_catalogue(case.context)
        self.model = BenchModel(case, self.catalogue)
        prior: dict[Hypothesis, float] = {(name,): weight for name, weight in weights.items()}
        prior |= pairs_of(weights)
        self.causes = tuple(weights)
        self.hypotheses = tuple(prior)
        self.log_weight = np.log(np.array(list(prior.values())))
        self.done: list[Evidence] = []
        self.particles = _prior(case.kind, case.context, self.hypotheses, _DRAWN, seed).copy()
        self.log_weight = self.log_weight + as_displayed(case, self.model, self.particles)
        self._first_reading(case)
        self._reading_is_not_right()
        self._resample(0.0)

    def rng(self, purpose: str) -> np.random.Generator:
        """Return the generator of one purpose at this point of the evidence."""
        return np.random.default_rng([self.seed, len(self.done), *purpose.encode()])

    @property
    def probabilities(self) -> Floats:
        """Posterior probability of each of `hypotheses`."""
        p = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(p / p.sum())

    @property
    def share(self) -> Floats:
        """Posterior probability of each particle."""
        return np.asarray(self.probabilities[:, None] * self.particles.weight)

    @property
    def p_live(self) -> float:
        """Probability that the output is live, without any floor."""
        return float(np.sum(self.share * self.model.live(self.particles.hidden)))

    @property
    def p_clean(self) -> float:
        """Probability that nothing seen so far was a slip of the pen."""
        return float(np.sum(self.share * self.particles.clean))

    def membership(self) -> Floats:
        """Return 1 where a cause is part of a hypothesis, shape (causes, hypotheses)."""
        return np.array([[float(c in h) for h in self.hypotheses] for c in self.causes])

    def sample(self, rng: np.random.Generator, n: int) -> tuple[Indices, Hidden]:
        """Draw `n` particles by their probability: hypothesis and hidden quantities of each."""
        joint = np.cumsum(self.share.ravel())
        points = (rng.random() + np.arange(n)) / n * joint[-1]
        flat = np.minimum(np.searchsorted(joint, points), joint.size - 1)
        rows, columns = np.divmod(flat, self.particles.weight.shape[1])
        return rows, self.particles.gather(rows, columns)

    def _first_reading(self, case: Case) -> None:
        weighed = self._weigh(FIRST_READING, case.reading)
        self._keep(self._possible(self.log_weight + np.log(weighed.total.mean(axis=1))))
        moved, density = moved_onto_reading(case, self.model, self.particles, self.rng)
        weighed = self._weigh(FIRST_READING, case.reading)
        right = np.where(moved, (1.0 - self.catalogue.engine["lapse_first"]) * density, weighed.right)
        opened = np.where(moved, right * self.particles.hidden["open_now"], weighed.opened)
        self._apply(
            FIRST_READING, case.reading, Weighed(weighed.total - weighed.right + right, right, opened)
        )

    # -- learning -----------------------------------------------------------------------------------------

    def learn(self, evidence: Evidence, *, seen_by: str = "") -> None:
        """Take in one check and what it showed; `seen_by` is the check whose reading it is, if another."""
        action = seen_by or evidence.action
        before = Noise.like(self.particles.weight, self.rng("before"))
        move(action, self.particles.hidden, before)
        self.take_in(action, evidence.outcome)
        noise = Noise.like(self.particles.weight, self.rng("change"))
        change(action, self.particles.hidden, noise, on_ohms=self.case.kind == "ohms")
        self.done.append(evidence)
        self._keep(self._possible(self.log_weight))
        self._resample(0.5)

    @staticmethod
    def _possible(log_weight: Floats) -> Indices:
        """Return the hypotheses that are still possible."""
        p = np.exp(log_weight - log_weight.max())
        return np.flatnonzero(p >= _GONE * p.sum())

    def _keep(self, rows: Indices) -> None:
        if len(rows) < len(self.hypotheses):
            self.hypotheses = tuple(self.hypotheses[row] for row in rows)
            self.log_weight = self.log_weight[rows]
            self.particles = self.particles.only(rows)

    def _resample(self, below: float) -> None:
        """Resample particles where they are few, as many of each hypothesis as there is room for."""
        now = self.particles.weight.shape[1]
        most = min(_MOST, _ALL // len(self.hypotheses))
        enough = now == _DRAWN or most >= 1.4 * now  # resampling loses a little each time
        done = {e.action for e in self.done}
        self.particles.resample(most if enough else now, self.rng("resample"), below, done)

    def mend(self, cause: str, still_there: float = 0.0) -> None:
        """Let a cause be fixed: where it was present, what it had changed is as usual again.

        Parameters
        ----------
        still_there : float
            Probability that nothing was done, or that it did not help: all then stays as it was.
        """
        rng = self.rng("mend")
        by_id = {c.id: c for c in self.catalogue.causes}
        usual = self.catalogue.hidden[self.case.kind]
        rows = [row for row, hypothesis in enumerate(self.hypotheses) if cause in hypothesis]
        if still_there:
            self._copy_rows(rows, still_there)
        hidden = self.particles.hidden
        rest = {row: tuple(c for c in self.hypotheses[row] if c != cause) for row in rows}
        for name in by_id[cause].hidden:
            hidden[name] = hidden[name].copy()
            for row in rows:
                left = [by_id[c].hidden[name] for c in rest[row] if name in by_id[c].hidden]
                hidden[name][row] = (left or [usual[name]])[0].draw(rng, hidden[name].shape[1])
        self.hypotheses = tuple(rest.get(row, h) or (ALL_GOOD,) for row, h in enumerate(self.hypotheses))

    def _copy_rows(self, rows: list[int], share: float) -> None:
        """Append a copy of some hypotheses, which takes this share of their probability."""
        self.particles = self.particles.only(np.array([*range(len(self.hypotheses)), *rows]))
        self.hypotheses += tuple(self.hypotheses[row] for row in rows)
        self.log_weight = np.concatenate([self.log_weight, self.log_weight[rows] + np.log(share)])
        self.log_weight[rows] += np.log1p(-share)

    def take_in(self, action: str, outcome: Outcome) -> None:
        """Weigh every particle by how likely it made this outcome."""
        self._apply(action, outcome, self._weigh(action, outcome))

    def _weigh(self, action: str, outcome: Outcome) -> Weighed:
        particles, engine = self.particles, self.catalogue.engine
        rng = self.rng("outcome")
        words = self.catalogue.actions[action].words if action in self.catalogue.actions else ()
        draws = 1 if words or action == FIRST_READING else _NOISE_DRAWN
        found = [
            likelihood(
                outcome,
                words,
                self.model.predict(action, self._with_anew(rng), Noise.like(particles.weight, rng)),
                unit=self.model.unit(action),
                coupling=self.model.coupling(action),
                repeatability=engine["repeatability"],
                lapse=engine["lapse_first" if action == FIRST_READING else "lapse"],
            )
            for _ in range(draws)
        ]
        total, right, opened = (sum(each[1:], each[0]) / draws for each in zip(*found, strict=True))
        if action == FIRST_READING:  # what that says of the dial was taken in before
            return Weighed(total, right, opened)
        possible = self.model.dial_shows(action, particles.hidden, outcome.coupling)
        return Weighed(total - np.where(possible, 0.0, right), right * possible, opened * possible)

    def _with_anew(self, rng: np.random.Generator) -> Hidden:
        """Return what is hidden, with new draws of what belongs to one check only."""
        shape = self.particles.weight.shape
        anew = {n: d for n, d in self.catalogue.hidden[self.case.kind].items() if d.anew}
        return self.particles.hidden | {
            name: np.broadcast_to(d.draw(rng, shape[1]), shape) for name, d in anew.items()
        }

    def _apply(self, action: str, outcome: Outcome, weighed: Weighed) -> None:
        particles, total = self.particles, weighed.total
        clean = weighed.right / total
        if self._steady_repeat(action, outcome):
            # Points that nobody touched show the same again whatever the cause; only a slip would hardly happen twice.
            total = clean + self.catalogue.engine["lapse"] * (1.0 - clean)
            clean = clean / total
        weight = particles.weight * total
        marginal = weight.sum(axis=1)
        self.log_weight = self.log_weight + np.log(marginal)
        particles.weight = weight / marginal[:, None]
        particles.clean = particles.clean * clean
        if action == FIRST_READING or not self.catalogue.actions[action].words:
            loose = particles.hidden["part_drop"] + particles.hidden["lead_drop"] > 0
            opened = np.divide(
                weighed.opened, weighed.right, out=np.zeros(total.shape), where=weighed.right > 0
            )
            now = (self.rng("opened").random(opened.shape) < opened) & loose
            particles.hidden["open_now"] = now.astype(float)

    def _steady_repeat(self, action: str, outcome: Outcome) -> bool:
        """Tell whether the points were read again before and showed the same, with nothing touched in between."""
        before = self.last_reread() if action == "reread" else None
        if before is None or outcome.overload or before.overload:
            return before is not None and outcome.overload and before.overload
        if outcome.value is None or before.value is None:
            return False
        engine = self.catalogue.engine
        floor = 3.0 * engine["repeatability"] * abs(before.value) + self.model.floor("reread")
        return abs(outcome.value - before.value) <= floor

    def last_reread(self) -> Outcome | None:
        """Return what the points showed when read again, if nothing was touched since."""
        for evidence in reversed(self.done):
            if evidence.action == "reread":
                return evidence.outcome
            if self.catalogue.actions[evidence.action].alters in ("slightly", "state"):
                return None
        return None

    def _reading_is_not_right(self) -> None:
        """Rule out "reading right" where the reading is of another function, or nothing that a right one shows."""
        if (ALL_GOOD,) not in self.hypotheses:
            return
        row = self.hypotheses.index((ALL_GOOD,))
        said, meant = self.case.reading, self.case.expect
        other = self.model.other_unit or bool(
            said.coupling and meant.coupling and said.coupling != meant.coupling
        )
        right = 0.0 if other else float(np.sum(self.particles.weight[row] * self.particles.clean[row]))
        self.log_weight[row] += np.log(max(right, _NEVER))


@functools.lru_cache(maxsize=8)
def _prior(
    kind: str, contexts: tuple[str, ...], hypotheses: tuple[Hypothesis, ...], drawn: int, seed: int
) -> Particles:
    return draw_particles(load_catalogue(contexts), kind, hypotheses, drawn, seed)
