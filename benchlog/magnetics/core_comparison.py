"""Several cores with equal windings: one material, another one, or a cracked core among them?

Compare at equal turns, frequency and flux density. Bounds are common practice, no source: within 0.75 to 1.33
a lot's own spread, at 2 and more another material; a crack is an air gap, which takes AL far down and makes it
nearly independent of the level, while initial permeability rises with the level.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchlog.errors import UsageError

SAME_LOT = 1.33
OTHER_MATERIAL = 2.0
#: No material that a core of the same shape is wound for has so little beside another (judgement).
NO_MATERIAL = 0.02
#: Rise of AL over 3:1 in level below which a core counts as independent of the level.
LEVEL_FLAT = 0.02


class CoreKind(StrEnum):
    """What a core looks like beside the others."""

    SAME_LOT = "same material and lot spread"
    UNSURE = "between lot spread and another material"
    OTHER = "other material"
    CRACKED = "cracked or gapped"
    SHORTED = "shorted turns, or another number of turns"


@dataclass(frozen=True, slots=True)
class CoreReading:
    """Inductance of one core's winding (H) with its expanded uncertainty, and at a higher level when measured."""

    name: str
    inductance_h: float
    expanded_h: float = 0.0
    at_higher_level_h: float | None = None


@dataclass(frozen=True, slots=True)
class CoreGroup:
    """Every core against the reference (the median core of the largest group that belongs together)."""

    reference: str
    ratios: Mapping[str, float]
    kinds: Mapping[str, CoreKind]

    @property
    def words(self) -> tuple[str, ...]:
        """One line per core that differs."""
        return tuple(
            f"core {name}: {self.ratios[name]:.3g} times core {self.reference}: {kind}"
            for name, kind in self.kinds.items()
            if kind is not CoreKind.SAME_LOT
        )


def compare_cores(readings: Sequence[CoreReading]) -> CoreGroup:
    """Sort cores by comparing their inductances.

    Parameters
    ----------
    readings : sequence of CoreReading
        At least two, of equal turns, frequency and flux density, with differing names.

    Raises
    ------
    UsageError
        If there are fewer than two cores, a name is given twice, or a core has no inductance.
    """
    if len(readings) < 2:
        raise UsageError(
            "a comparison needs two cores or more", hint="--compare K1=k1.csv --compare K2=k2.csv"
        )
    names = [reading.name for reading in readings]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"core {name} is given twice", hint="give each core its own name")
    for reading in readings:
        if not reading.inductance_h > 0:
            raise UsageError(f"core {reading.name}: no inductance to compare")
    reference = _reference(readings)
    ratios = {r.name: r.inductance_h / reference.inductance_h for r in readings}
    return CoreGroup(reference.name, ratios, {r.name: _kind(r, reference) for r in readings})


def _reference(readings: Sequence[CoreReading]) -> CoreReading:
    """Median of the largest set of cores within lot spread of one another; the higher set on a tie."""
    ordered = sorted(readings, key=lambda r: r.inductance_h)
    groups = [
        [r for r in ordered if low.inductance_h <= r.inductance_h <= low.inductance_h * SAME_LOT]
        for low in ordered
    ]
    best = max(groups, key=lambda group: (len(group), group[0].inductance_h))
    middle = statistics.median_low([r.inductance_h for r in best])
    return next(r for r in best if r.inductance_h == middle)


def _kind(reading: CoreReading, reference: CoreReading) -> CoreKind:
    ratio = reading.inductance_h / reference.inductance_h
    apart = max(ratio, 1 / ratio)
    # Uncertainties widen the "same" zone, never the "other" one.
    spread = 1 + reading.expanded_h / reading.inductance_h + reference.expanded_h / reference.inductance_h
    if apart <= SAME_LOT * spread:
        return CoreKind.SAME_LOT
    flat = (
        reading.at_higher_level_h is not None
        and abs(reading.at_higher_level_h / reading.inductance_h - 1) < LEVEL_FLAT
    )
    rises = (
        reference.at_higher_level_h is not None
        and reference.at_higher_level_h / reference.inductance_h - 1 > 2 * LEVEL_FLAT
    )
    if ratio < NO_MATERIAL:
        return CoreKind.SHORTED
    if ratio < 1 and flat and rises:
        return CoreKind.CRACKED
    return CoreKind.OTHER if apart >= OTHER_MATERIAL else CoreKind.UNSURE
