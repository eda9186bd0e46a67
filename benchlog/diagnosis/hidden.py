"""Particles: sets of hidden quantities, drawn once per cause and kept over all checks.

Treating checks as independent given the cause would be wrong: a bad gain is the same gain on the cell.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.diagnosis.catalogue import Catalogue

__all__ = ["Hidden", "Particles", "draw_particles"]

Floats = npt.NDArray[np.float64]
Hidden = dict[str, Floats]
"""Hidden quantities by name, all arrays of one shape."""


@dataclass(slots=True)
class Particles:
    """Hidden quantities of shape (n_causes, n), their weights within each cause, and how clean they are.

    `weight` sums to 1 over each row. `clean` is the probability that nothing seen so far was a slip of the
    pen, given the particle.
    """

    causes: tuple[str, ...]
    hidden: Hidden
    weight: Floats
    clean: Floats

    def gather(self, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> Hidden:
        """Return the hidden quantities of single particles as one-dimensional arrays."""
        return {name: values[rows, columns] for name, values in self.hidden.items()}

    def resample(self, n: int, rng: np.random.Generator, jitter: dict[str, Floats], below: float) -> None:
        """Draw rows anew, where the effective number of particles is below a share of `n`.

        Systematic resampling within the cause; multiplicative jitter keeps copies apart.
        """
        effective = 1.0 / np.sum(self.weight**2, axis=1)
        same_size = self.weight.shape[1] == n
        rows = np.flatnonzero(effective < below * n) if same_size else np.arange(len(self.causes))
        if not len(rows):
            return
        picks = np.empty((len(rows), n), dtype=np.intp)
        for i, row in enumerate(rows):
            edges = np.cumsum(self.weight[row])
            points = (rng.random() + np.arange(n)) / n * edges[-1]
            picks[i] = np.minimum(np.searchsorted(edges, points), len(edges) - 1)
        for name, values in self.hidden.items():
            drawn = values[rows[:, None], picks]
            if name in jitter:
                drawn = drawn * (1.0 + jitter[name][rows, None] * rng.standard_normal(drawn.shape))
            if same_size:
                values[rows] = drawn
            else:
                self.hidden[name] = drawn
        clean = self.clean[rows[:, None], picks]
        if same_size:
            self.weight[rows] = 1.0 / n
            self.clean[rows] = clean
        else:
            self.weight = np.full((len(rows), n), 1.0 / n)
            self.clean = clean


def draw_particles(
    catalogue: Catalogue, kind: str, causes: tuple[str, ...], n: int, seed: int
) -> tuple[Particles, dict[str, Floats]]:
    """Draw `n` particles for each cause of this kind of reading.

    Returns
    -------
    particles : Particles
    jitter : dict of arrays of shape (n_causes,)
        Relative jitter for each quantity that has any.
    """
    defaults = catalogue.hidden[kind]
    by_id = {c.id: c for c in catalogue.causes}
    hidden: Hidden = {name: np.empty((len(causes), n)) for name in defaults}
    jitter: dict[str, Floats] = {}
    for row, cause in enumerate(causes):
        # A stream per cause: adding a cause to the file leaves the draws of the others alone.
        rng = np.random.default_rng([seed, zlib.crc32(f"{kind}/{cause}".encode())])
        for name, default in defaults.items():
            distribution = by_id[cause].hidden.get(name, default)
            hidden[name][row] = distribution.draw(rng, n)
            if distribution.jitter:
                jitter.setdefault(name, np.zeros(len(causes)))[row] = distribution.jitter
    hidden["open_now"] = np.zeros((len(causes), n))
    shape = (len(causes), n)
    return Particles(causes, hidden, np.full(shape, 1.0 / n), np.ones(shape)), jitter
