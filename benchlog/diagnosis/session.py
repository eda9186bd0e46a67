"""The engine: from a reading and the checks done since to ranked causes and the next best check."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.case import Case, Evidence
from benchlog.diagnosis.catalogue import Action, load_catalogue
from benchlog.diagnosis.forward import FIRST_READING, BenchModel
from benchlog.diagnosis.hidden import Hidden, Noise, Particles, draw_particles
from benchlog.diagnosis.information import expected_information
from benchlog.diagnosis.likelihood import likelihood
from benchlog.diagnosis.outcome import Outcome
from benchlog.errors import UsageError

__all__ = ["CAUTION_LIVE", "HAZARD", "Diagnosis", "NextCheck", "RankedCause", "Session", "diagnose"]

Floats = npt.NDArray[np.float64]

_DRAWN = 2400  # particles per cause before the first reading
_KEPT = 800  # after it
_PUSH = 1.01  # relative step of the secant that moves particles onto the first reading
_REACH = 0.4  # and how far they are moved at most
_PRESENT_V = 1.0  # volts on points that should be dead; less may be pick-up: judgement
_WORD_SLIP = 0.1  # share of readings in the other coupling where only the word is wrong: judgement
_NEVER = 1e-12  # probability of what is excluded; a logarithm needs one
_SAMPLED = 3000  # for the information of the next checks
CAUTION_LIVE = "Treat the output as live until it is proven dead by hand: known live source, the point, known live source again."
_POWER_OFF = "Power off at the outlet before you touch anything."
HAZARD = "A lead may be in the current jack: the source is then shorted through the meter. Stop live work, power off at the outlet, then look."


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause with its probability."""

    id: str
    label: str
    probability: float
    family: str


@dataclass(frozen=True, slots=True)
class NextCheck:
    """A check worth doing, its expected information and its time."""

    action: str
    bits: float
    minutes: float
    card: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What is known now.

    Attributes
    ----------
    causes : tuple of RankedCause
        Most probable first.
    p_live : float
        Probability that the output is live; never a licence to touch.
    next : tuple of NextCheck
        Best first; empty after a stop.
    stop : {None, "decided", "nothing splits further", "no single cause fits"}
    survivors : tuple of str
        Causes that together hold 95 %.
    cautions : tuple of str
    """

    causes: tuple[RankedCause, ...]
    p_live: float
    next: tuple[NextCheck, ...]
    stop: str | None
    survivors: tuple[str, ...]
    cautions: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values, in the words scripts rely on."""
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
        }


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
        self.catalogue = load_catalogue()
        self.model = BenchModel(case, self.catalogue)
        weights = self.catalogue.weights(case.kind, case.context, counts)
        self.causes = tuple(weights)
        self.log_weight = np.log(np.array(list(weights.values())))
        self.done: list[Evidence] = []
        self.particles = _prior(case.kind, self.causes, seed).copy()
        self._dial_as_displayed()
        self._take_in(FIRST_READING, case.reading)
        self._reading_is_not_right()
        self.particles.resample(_KEPT, self._rng("resample"), 0.0, set())
        self._move_onto_reading()
        for evidence in case.evidence:
            self.update(evidence)

    def _rng(self, purpose: str) -> np.random.Generator:
        return np.random.default_rng([self.seed, len(self.done), *purpose.encode()])

    @property
    def probabilities(self) -> Floats:
        """Posterior probability of each of `causes`."""
        p = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(p / p.sum())

    def update(self, evidence: Evidence) -> None:
        """Take in one check and what it showed.

        Raises
        ------
        UsageError
            If the check says nothing about this kind of reading.
        """
        action = self.catalogue.actions[evidence.action]
        if self.case.kind not in action.kinds:
            raise UsageError(
                f"{action.id} is not a check of a reading of {self.case.kind.replace('_', ' ')}",
                hint=f"checks are {', '.join(a.id for a in self.catalogue.actions.values() if self.case.kind in a.kinds)}",
            )
        self._take_in(action.id, evidence.outcome)
        noise = Noise.like(self.particles.weight, self._rng("change"))
        self.model.change(action.id, self.particles.hidden, noise)
        self.done.append(evidence)
        self.particles.resample(_KEPT, self._rng("resample"), 0.5, {e.action for e in self.done})

    def _take_in(self, action: str, outcome: Outcome) -> None:
        particles = self.particles
        rng = self._rng("outcome")
        prediction = self.model.predict(action, particles.hidden, Noise.like(particles.weight, rng))
        words = self.catalogue.actions[action].words if action in self.catalogue.actions else ()
        lapse = self.catalogue.engine["lapse_first" if action == FIRST_READING else "lapse"]
        total, clean, opened = likelihood(
            outcome,
            words,
            prediction,
            unit=self.model.unit(action),
            coupling=self.model.coupling(action),
            repeatability=self.catalogue.engine["repeatability"],
            lapse=lapse,
        )
        if self._steady_repeat(action, outcome):
            # Points that lie still show the same again whatever the cause; only a slip would hardly come twice.
            total = clean + lapse * (1.0 - clean)
            clean = clean / total
        weight = particles.weight * total
        marginal = weight.sum(axis=1)
        self.log_weight = self.log_weight + np.log(marginal)
        particles.weight = weight / marginal[:, None]
        particles.clean = particles.clean * clean
        if not words:
            loose = particles.hidden["part_drop"] + particles.hidden["lead_drop"] > 0
            now = (rng.random(opened.shape) < opened) & loose
            particles.hidden["open_now"] = now.astype(float)

    def _steady_repeat(self, action: str, outcome: Outcome) -> bool:
        """Tell whether the points were read again before and showed the same, with nothing touched in between."""
        before = self._last_reread() if action == "reread" else None
        if before is None or outcome.overload or before.overload:
            return before is not None and outcome.overload and before.overload
        if outcome.value is None or before.value is None:
            return False
        engine = self.catalogue.engine
        floor = 3.0 * engine["repeatability"] * abs(before.value) + self.model.floor("reread")
        return abs(outcome.value - before.value) <= floor

    def _last_reread(self) -> Outcome | None:
        for evidence in reversed(self.done):
            if evidence.action == "reread":
                return evidence.outcome
            if self.catalogue.actions[evidence.action].alters in ("slightly", "state"):
                return None
        return None

    def _dial_as_displayed(self) -> None:
        """Take the function that the first reading was displayed in as the one the dial is at.

        Where it is not the expected one, the dial is wrong, or an output that is DC was reason to turn it; any other
        cause needs a slip beside it. Volts on points that should be dead show that they are live.
        """
        said, meant = self.case.reading, self.case.expect
        rows = {cause: row for row, cause in enumerate(self.causes)}
        if self.model.other_unit:
            if self.case.kind == "ohms" and said.unit == "V":
                live = np.ones(self.particles.weight.shape)
                if said.value is not None and abs(said.value) < _PRESENT_V:
                    live[:, ::2] = 0.0
                self.particles.hidden["left_live"] = live
            return
        if not (said.coupling and meant.coupling and said.coupling != meant.coupling):
            return
        shape = self.particles.weight.shape
        if "wrong_function" in rows:
            dial = self.particles.hidden["wrong_function"].copy()
            # Or the wrong word was typed or read for the right function: nothing but the display tells.
            dial[rows["wrong_function"], : round(_WORD_SLIP * shape[1])] = 0.0
            if "part_dc" in rows:
                dial[rows["part_dc"]] = 1.0
            self.particles.hidden["wrong_function"] = dial
        likely = np.array([cause in ("wrong_function", "part_dc", "scope_coupling") for cause in self.causes])
        self.log_weight = self.log_weight + np.where(likely, 0.0, np.log(self.catalogue.engine["lapse"]))

    def _reading_is_not_right(self) -> None:
        """Rule out "reading right" where the reading is of another function, or nothing that a right one shows."""
        if "all_good" not in self.causes:
            return
        row = self.causes.index("all_good")
        said, meant = self.case.reading, self.case.expect
        other = self.model.other_unit or bool(
            said.coupling and meant.coupling and said.coupling != meant.coupling
        )
        right = 0.0 if other else float(np.sum(self.particles.weight[row] * self.particles.clean[row]))
        self.log_weight[row] += np.log(max(right, _NEVER))

    def _move_onto_reading(self) -> None:
        """Move particles near the first reading onto it, each cause by its `free` quantity.

        Where a cause allows anything, few particles lie within the repeatability of the reading; moved by a secant
        step they all do, and a second reading of the same thing is then expected to be the same.
        """
        shown = self.case.reading.value
        if shown is None:
            return
        h = self.particles.hidden
        free = {c.id: c.free for c in self.catalogue.causes}
        pushed = dict(h)
        for row, cause in enumerate(self.causes):
            if free[cause]:
                name = free[cause]
                if pushed[name] is h[name]:
                    pushed[name] = h[name].copy()
                pushed[name][row] *= _PUSH
        before = self._again(h)
        after = self._again(pushed)
        spread = self.catalogue.engine["repeatability"] * abs(shown) + 0.3 * self.case.reading.resolution
        target = shown + 0.5 * spread * self._rng("target").standard_normal(before.shape)
        for row, cause in enumerate(self.causes):
            if not (name := free[cause]):
                continue
            with np.errstate(divide="ignore", invalid="ignore"):
                factor = 1.0 + (_PUSH - 1.0) * (target[row] - before[row]) / (after[row] - before[row])
            near = np.isfinite(factor) & (np.abs(factor - 1.0) < _REACH)
            h[name] = h[name].copy()
            h[name][row] = np.where(near, factor, 1.0) * h[name][row]

    def _again(self, h: Hidden) -> Floats:
        noise = Noise.like(self.particles.weight, self._rng("again"))
        return self.model.predict(FIRST_READING, h, noise).value

    # -- answers ----------------------------------------------------------------------------------------------

    def state(self) -> Diagnosis:
        """Return what is known now and what to do next."""
        p = self.probabilities
        engine = self.catalogue.engine
        order = np.argsort(-p, kind="stable")
        labels = {c.id: c for c in self.catalogue.causes}
        ranked = tuple(
            RankedCause(name, labels[name].label, float(p[i]), labels[name].family)
            for i, name in ((i, self.causes[i]) for i in order)
        )
        share = p[:, None] * self.particles.weight
        live = float(np.sum(share * self.model.live(self.particles.hidden)))
        p_live = engine["live_floor"] + (1.0 - engine["live_floor"]) * live
        clean = float(np.sum(share * self.particles.clean))
        next_checks: tuple[NextCheck, ...] = ()
        hazard = self._hazard(p)
        stop: str | None = None
        if clean < 0.1 and self.done:
            stop = "no single cause fits"
        elif p.max() >= engine["decided"] and not hazard:
            stop = "decided"
        else:
            next_checks = self._next(p, hazard)
            if not next_checks:
                stop = "nothing splits further"
        cumulative = np.cumsum(p[order])
        survivors = tuple(self.causes[i] for i in order[: int(np.searchsorted(cumulative, 0.95)) + 1])
        cautions = [CAUTION_LIVE]
        if hazard or ranked[0].id == "lead_in_current_jack":
            cautions.insert(0, HAZARD)
        return Diagnosis(ranked, p_live, next_checks, stop, survivors, tuple(cautions))

    def _hazard(self, p: Floats) -> bool:
        """Tell whether a lead in the current jack must be looked for before anything else."""
        if any(e.action == "look" for e in self.done) or "lead_in_current_jack" not in self.causes:
            return False
        return bool(p[self.causes.index("lead_in_current_jack")] >= self.catalogue.engine["hazard"])

    def _allowed(self) -> list[Action]:
        done = [e.action for e in self.done]
        looked = "look" in done
        return [
            a
            for a in self.catalogue.actions.values()
            if self.case.kind in a.kinds
            and done.count(a.id) < a.repeats
            and (looked or a.alters != "state")
            and not (a.id == "reread" and self._last_reread() is not None)
        ]

    def _next(self, p: Floats, hazard: bool) -> tuple[NextCheck, ...]:
        rng = self._rng("next")
        n_causes, n = self.particles.weight.shape
        joint = np.cumsum((p[:, None] * self.particles.weight).ravel())
        points = (rng.random() + np.arange(_SAMPLED)) / _SAMPLED * joint[-1]
        flat = np.minimum(np.searchsorted(joint, points), joint.size - 1)
        rows, columns = flat // n, flat % n
        h = self.particles.gather(rows, columns)
        engine = self.catalogue.engine
        checks = []
        for action in self._allowed():
            if hazard and action.id != "look":
                continue  # nothing live, and nothing else either, before the jacks were looked at
            prediction = self.model.predict(action.id, h, Noise.like(rows, rng))
            bits = expected_information(rows, n_causes, prediction, engine["repeatability"], rng)
            checks.append((bits / (action.minutes + engine["overhead_min"]), bits, action))
        checks = [c for c in checks if hazard or c[1] >= engine["worth"]]
        if not checks:
            return ()
        best = max(score for score, _, _ in checks)

        def rank(check: tuple[float, float, Action]) -> tuple[bool, bool, float]:
            score, _, action = check
            close = score >= 0.8 * best
            return not close, close and action.alters != "nothing", -score

        return tuple(
            NextCheck(a.id, bits, a.minutes, f"{_POWER_OFF} {a.card}" if hazard else a.card)
            for _, bits, a in sorted(checks, key=rank)
        )


@functools.lru_cache(maxsize=8)
def _prior(kind: str, causes: tuple[str, ...], seed: int) -> Particles:
    return draw_particles(load_catalogue(), kind, causes, _DRAWN, seed)


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
