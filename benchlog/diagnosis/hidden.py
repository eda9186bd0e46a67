"""Particles: sets of hidden quantities, drawn once per cause and kept over all checks.

Treating checks as independent given the cause would be wrong: a bad gain is the same gain on the cell.
"""

from __future__ import annotations

import dataclasses
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.catalogue import Catalogue, Distribution

Floats = npt.NDArray[np.float64]
_WIPED_CLEAN = 0.3  # share of turns after which a dirty contact conducts: judgement
Hidden = dict[str, Floats]
"""Hidden quantities by name, all arrays of one shape."""
Hypothesis = tuple[str, ...]
"""Causes present at once: one, or two."""


def of_rows(values: Floats, rows: npt.NDArray[np.intp]) -> Floats:
    """Return some rows of a hidden quantity; one that is alike for all hypotheses is kept once, not copied."""
    if values.strides[0]:
        return np.asarray(values[rows])
    return np.broadcast_to(values[0], (len(rows), *values.shape[1:]))


@dataclass(frozen=True, slots=True)
class Noise:
    """Fresh draws for one check, the same for every cause.

    Randomness in a check that has nothing to do with the cause must not favour one: common draws cancel it.
    """

    rng: np.random.Generator
    n: int

    @classmethod
    def like(cls, values: npt.NDArray[Any], rng: np.random.Generator) -> Noise:
        """Return noise that broadcasts against these values, along their last axis."""
        return cls(rng, values.shape[-1])

    def seeded(self, seed: int) -> Noise:
        """Return noise of the same size with draws fixed by this seed."""
        return Noise(np.random.default_rng(seed), self.n)

    def normal(self, mean: float, sd: float) -> Floats:
        """Draw from a normal distribution."""
        return self.rng.normal(mean, sd, self.n)

    def uniform(self, low: float, high: float) -> Floats:
        """Draw from a uniform distribution."""
        return self.rng.uniform(low, high, self.n)

    def random(self) -> Floats:
        """Draw between 0 and 1."""
        return self.rng.random(self.n)

    def wiped(self) -> Floats:
        """Draw the share that a dirty switch passes after it was turned, which may happen to clean it."""
        return np.where(self.random() < _WIPED_CLEAN, 1.0, self.uniform(0.0, 1.1))


@dataclass(slots=True)
class Particles:
    """Hidden quantities of shape (n_hypotheses, n), their weights within each, and how clean they are.

    `weight` sums to 1 over each row. `clean` is the probability that nothing seen so far was a slip of the
    pen, given the particle. `jitter` holds relative jitter by quantity, shape (n_hypotheses,); `first_used` the
    checks before which nothing can be known of a quantity, by quantity and hypothesis.
    """

    hypotheses: tuple[Hypothesis, ...]
    hidden: Hidden
    weight: Floats
    clean: Floats
    jitter: dict[str, Floats]
    first_used: dict[str, tuple[tuple[str, ...], ...]]

    def copy(self) -> Particles:
        """Return a copy whose arrays can be replaced, not written into."""
        return dataclasses.replace(self, hidden=dict(self.hidden))

    def only(self, rows: npt.NDArray[np.intp]) -> Particles:
        """Return the particles of some of the hypotheses."""
        return Particles(
            tuple(self.hypotheses[row] for row in rows),
            {name: of_rows(values, rows) for name, values in self.hidden.items()},
            self.weight[rows],
            self.clean[rows],
            {name: values[rows] for name, values in self.jitter.items()},
            {name: tuple(used[row] for row in rows) for name, used in self.first_used.items()},
        )

    def _untouched(self, name: str, done: set[str]) -> npt.NDArray[np.bool_]:
        """Tell for which causes nothing is known of a quantity yet."""
        checks = self.first_used.get(name)
        if checks is None:
            return np.zeros(len(self.hypotheses), dtype=bool)
        return np.array([bool(first) and not done & set(first) for first in checks])

    def gather(self, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> Hidden:
        """Return the hidden quantities of single particles as one-dimensional arrays."""
        return {name: values[rows, columns] for name, values in self.hidden.items()}

    def resample(self, n: int, rng: np.random.Generator, below: float, done: set[str]) -> None:
        """Resample `n` particles for each cause whose effective number of particles is below a share of `n`.

        Systematic resampling within the cause; multiplicative jitter keeps copies apart. Quantities of which the
        checks `done` say nothing are independent of the weights: their draws stay as they are, or an irrelevant
        check would later tell the few surviving ancestors of one cause from those of another.
        """
        effective = 1.0 / np.sum(self.weight**2, axis=1)
        everywhere = self.weight.shape[1] != n
        rows = np.arange(len(self.hypotheses)) if everywhere else np.flatnonzero(effective < below * n)
        if not len(rows):
            return
        picks = np.empty((len(rows), n), dtype=np.intp)
        kept = np.arange(n) % self.weight.shape[1]
        points = (rng.random() + np.arange(n)) / n  # the same for all: equal weights stay equal
        for i, row in enumerate(rows):
            edges = np.cumsum(self.weight[row])
            picks[i] = np.minimum(np.searchsorted(edges, points * edges[-1]), len(edges) - 1)
        all_rows = len(rows) == len(self.hypotheses)
        for name, values in self.hidden.items():
            here = values[:1] if not values.strides[0] else values if all_rows else values[rows]
            # Most quantities are the same for all particles of a hypothesis: nothing to draw again.
            noise = rng.standard_normal(n)
            moving = rows[(here != here[:, :1]).any(axis=1) & ~self._untouched(name, done)[rows]]
            if everywhere:
                self.hidden[name] = (
                    values[:, kept] if values.strides[0] else np.broadcast_to(values[0, kept], picks.shape)
                )
            if not len(moving):
                continue
            self.hidden[name] = fresh = np.array(self.hidden[name])
            drawn = values[moving[:, None], picks[np.searchsorted(rows, moving)]]
            if name in self.jitter and np.any(self.jitter[name][moving]):
                drawn *= 1.0 + self.jitter[name][moving, None] * noise
            fresh[moving] = drawn
        clean = self.clean[rows[:, None], picks]
        if everywhere:
            self.weight, self.clean = np.full(clean.shape, 1.0 / n), clean
        else:
            self.weight[rows], self.clean[rows] = 1.0 / n, clean


def draw_particles(
    catalogue: Catalogue, kind: str, hypotheses: tuple[Hypothesis, ...], n: int, seed: int
) -> Particles:
    """Draw `n` particles for each hypothesis on this kind of reading.

    What a cause does not change is drawn alike for all hypotheses: what says nothing about the cause then weighs the
    same for each of them. In a pair, the second cause decides what both would change.
    """
    defaults = catalogue.hidden[kind]
    by_id = {c.id: c for c in catalogue.causes}
    shape = (len(hypotheses), n)
    hidden: Hidden = {}
    jitter: dict[str, Floats] = {}
    first_used: dict[str, tuple[tuple[str, ...], ...]] = {}
    for name, default in defaults.items():
        common = np.broadcast_to(_stream(seed, f"{kind}/{name}", default, n), shape)
        changed = {h: cause for h in hypotheses for cause in h if name in by_id[cause].hidden}
        values = np.array(common) if changed else common
        used = [default.first_used] * len(hypotheses)
        moved = np.full(len(hypotheses), default.jitter)
        for row, hypothesis in enumerate(hypotheses):
            if hypothesis not in changed:
                continue
            # A stream per cause and quantity, the same alone and in a pair: only what differs may tell them apart.
            own = by_id[changed[hypothesis]].hidden[name]
            values[row] = _stream(seed, f"{kind}/{changed[hypothesis]}/{name}", own, n)
            moved[row], used[row] = own.jitter, own.first_used
        hidden[name] = values
        if np.any(moved):
            jitter[name] = moved
        if any(used):
            first_used[name] = tuple(used)
    # Whether a loose joint is open at the start; one open joint of two is enough.
    closed = (1.0 - hidden["part_drop"]) * (1.0 - hidden["lead_drop"])
    hidden["open_now"] = (np.random.default_rng([seed, zlib.crc32(b"open_now")]).random(n) > closed).astype(
        float
    )
    return Particles(hypotheses, hidden, np.full(shape, 1.0 / n), np.ones(shape), jitter, first_used)


def _stream(seed: int, label: str, distribution: Distribution, n: int) -> Floats:
    return distribution.draw(np.random.default_rng([seed, zlib.crc32(label.encode())]), n)
