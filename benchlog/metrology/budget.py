"""Uncertainty budgets: GTC's uncertain numbers in, `benchlog.result.Uncertain` out."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

from GTC import reporting, ureal

from benchlog.result import BudgetLine, Uncertain

__all__ = ["COVERAGE_PROBABILITY", "coverage_factor", "to_uncertain", "uncertain", "uniform"]

COVERAGE_PROBABILITY = 0.9545


@lru_cache(maxsize=256)
def coverage_factor(degrees_of_freedom: float, probability: float = COVERAGE_PROBABILITY) -> float:
    """Coverage factor from degrees of freedom, rounded down to whole ones (GUM G.4.1, G.6.4).

    Parameters
    ----------
    degrees_of_freedom : float
        Effective degrees of freedom, may be infinite; at least 1.
    probability : float, default 0.9545
        Coverage probability. With infinite degrees of freedom and the default, k = 2.
    """
    if math.isinf(degrees_of_freedom) or degrees_of_freedom > 1e6:
        if probability == COVERAGE_PROBABILITY:
            return 2.0
        from scipy.special import ndtri

        return float(ndtri((1 + probability) / 2))
    from scipy.special import stdtrit

    return float(stdtrit(max(1.0, math.floor(degrees_of_freedom)), (1 + probability) / 2))


def uncertain(
    value: float, standard_uncertainty: float, df: float = math.inf, label: str | None = None
) -> Any:
    """Make a GTC uncertain real number; `label` is its name in the budget."""
    return ureal(value, standard_uncertainty, df, label=label)


def uniform(value: float, half_width: float, label: str | None = None, df: float = math.inf) -> Any:
    """Make a GTC uncertain real number uniform within plus-minus `half_width` (GUM 4.3.7)."""
    return ureal(value, half_width / math.sqrt(3), df, label=label)


def to_uncertain(number: Any, unit: str) -> Uncertain:
    """Turn a GTC uncertain real number into a plain one with coverage factor and budget.

    Inputs that share a label are gathered into one line, in quadrature. A bare float is no uncertain number:
    it would pass as exact, so it is refused (an AttributeError).
    """
    u = float(number.u)
    df = float(number.df) if u > 0 else math.inf
    k = coverage_factor(df)
    lines: dict[str, BudgetLine] = {}
    for influence in reporting.budget(number, trim=0):
        label, part = str(influence.label), abs(float(influence.u))
        if part <= 1e-9 * u:  # nothing, or the rounding left by an input that cancels
            continue
        seen = lines.get(label)
        lines[label] = BudgetLine(label, math.hypot(part, seen.contribution) if seen else part)
    return Uncertain(
        value=float(number.x),
        standard_uncertainty=u,
        expanded_uncertainty=k * u,
        unit=unit,
        coverage_factor=k,
        degrees_of_freedom=None if math.isinf(df) or df > 1e6 else df,
        budget=tuple(sorted(lines.values(), key=lambda line: -line.contribution)),
    )
