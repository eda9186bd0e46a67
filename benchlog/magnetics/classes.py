"""Errors of a current transformer in the words of IEC 61869-2, and the accuracy class they reach.

Limits are in ``iec61869_classes.csv`` beside this module: IEC 61869-2 tables 201, 202, 203 and 205, read from
secondary sources (reproduced clause text and a maker's technical note); one copy leaves the class 0.5 ratio cell at 120 %
blank, another has 0.5.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

from benchlog.errors import UsageError


@dataclass(frozen=True, slots=True)
class ClassLimit:
    """One row of the tables; None where the standard sets no limit."""

    name: str
    kind: str
    percent_current: float
    ratio_error_percent: float
    displacement_minutes: float | None
    composite_error_percent: float | None


@dataclass(frozen=True, slots=True)
class CurrentPoint:
    """Errors measured at one part of rated primary current, with expanded uncertainties."""

    percent_current: float
    ratio_error_percent: float
    displacement_minutes: float
    expanded_ratio_percent: float = 0.0
    expanded_minutes: float = 0.0


@dataclass(frozen=True, slots=True)
class ClassReached:
    """Accuracy class that the measured points show."""

    #: Best class whose every point was measured and lies within its limits by its uncertainty.
    name: str | None
    within: str | None  #: Best class whose limits hold at the points there are, though points are missing.
    missing: tuple[float, ...]  #: Percentages of rated current still to be measured for `within`.

    @property
    def words(self) -> str:
        """Description in one line."""
        if self.name:
            return f"class {self.name} reached at this burden; it must hold at 25 % and 100 % of rated burden"
        if self.within:
            points = ", ".join(f"{p:g}" for p in self.missing)
            return f"within the limits of class {self.within} here; points at {points} % of rated current are missing"
        return "no accuracy class of IEC 61869-2 reached"


@cache
def accuracy_limits() -> tuple[ClassLimit, ...]:
    """The tables, best class first within each kind."""
    text = (resources.files(__package__) / "iec61869_classes.csv").read_text(encoding="utf-8")

    def number(cell: str) -> float | None:
        return float(cell) if cell else None

    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return tuple(
        ClassLimit(
            row["class"],
            row["kind"],
            float(row["percent_rated_primary_current"]),
            float(row["ratio_error_limit_percent"]),
            number(row["phase_displacement_limit_minutes"]),
            number(row["composite_error_limit_percent"]),
        )
        for row in rows
    )


def ratio_error_percent(rated_ratio: float, primary_a: float, secondary_a: float) -> float:
    """Ratio error (k_r I_s - I_p) / I_p x 100 %, positive when the secondary gives too much.

    Raises
    ------
    UsageError
        If there is no primary current.

    Examples
    --------
    >>> round(ratio_error_percent(60, 12.0, 0.199), 3)
    -0.5
    """
    if primary_a == 0:
        raise UsageError("a ratio error needs a primary current")
    return (rated_ratio * secondary_a - primary_a) / primary_a * 100


def displacement_minutes(lead_deg: float) -> float:
    """Phase displacement in minutes of arc, positive when the secondary leads."""
    return lead_deg * 60


def composite_error_percent(ratio_error: float, displacement_min: float) -> float:
    """Composite error of pure sines from ratio error (percent) and phase displacement (minutes).

    sqrt(ratio error² + displacement²) with the displacement in centiradian.

    >>> round(composite_error_percent(1.0, 60.0), 2)
    2.01
    """
    return math.hypot(ratio_error, math.radians(displacement_min / 60) * 100)


def class_reached(points: Sequence[CurrentPoint]) -> ClassReached:
    """Find the best measuring class; an error counts with its expanded uncertainty on top.

    Parameters
    ----------
    points : sequence of CurrentPoint
        At one burden. Points at other percentages than the tables' are judged by the row below them, as the
        limits only tighten towards rated current.

    Raises
    ------
    UsageError
        If no point is given.
    """
    if not points:
        raise UsageError("an accuracy class needs at least one measured point")
    full: list[tuple[float, str]] = []
    partial: list[tuple[float, str, tuple[float, ...]]] = []
    for name, rows in _measuring_classes().items():
        if not _reaches(points, rows):
            continue
        # Rank by the limit at rated current; "S" holds further down and wins a tie.
        rank = rows[-1].ratio_error_percent - (0.001 if name.endswith("S") else 0.0)
        missing = tuple(row.percent_current for row in rows if not _measured(points, row))
        if not missing:
            full.append((rank, name))
        elif not name.endswith(
            "S"
        ):  # an S class says the same as its plain one where only its rows were measured
            partial.append((rank, name, missing))
    best, open_best = min(full, default=None), min(partial, default=None)
    if open_best is None or (best is not None and best[0] <= open_best[0]):
        return ClassReached(best[1], best[1], ()) if best else ClassReached(None, None, ())
    return ClassReached(best[1] if best else None, open_best[1], open_best[2])


def _measuring_classes() -> dict[str, list[ClassLimit]]:
    classes: dict[str, list[ClassLimit]] = {}
    for limit in sorted(accuracy_limits(), key=lambda limit: limit.percent_current):
        if limit.kind == "measuring":
            classes.setdefault(limit.name, []).append(limit)
    return classes


def _reaches(points: Sequence[CurrentPoint], rows: Sequence[ClassLimit]) -> bool:
    """Whether the points a class has limits for, one at least, lie within them."""
    judged = [p for p in points if p.percent_current >= rows[0].percent_current * 0.999]
    return bool(judged) and all(_within(p, rows) for p in judged)


def _measured(points: Sequence[CurrentPoint], row: ClassLimit) -> bool:
    return any(math.isclose(p.percent_current, row.percent_current, rel_tol=0.02) for p in points)


def _within(point: CurrentPoint, rows: Sequence[ClassLimit]) -> bool:
    row = max(
        (r for r in rows if r.percent_current <= point.percent_current * 1.001),
        key=lambda r: r.percent_current,
    )
    if abs(point.ratio_error_percent) + point.expanded_ratio_percent > row.ratio_error_percent:
        return False
    if row.displacement_minutes is None:
        return True
    return abs(point.displacement_minutes) + point.expanded_minutes <= row.displacement_minutes
