"""Uncertainty budgets: GTC's uncertain numbers in, `benchlog.result.Uncertain` out."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

from benchlog.influence import Influence
from benchlog.metrology.gtc import GTC, reporting
from benchlog.result import BudgetLine, Uncertain

COVERAGE_PROBABILITY = 0.9545
_TRACKED = 1e-12  # of its scale: smallest uncertainty an input is given, so that a recall can find it
_CANCELLED = 1e-9  # of the whole: less than this is rounding of an input that cancels


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


class _Input(str):
    """Label of an input that carries its influence; GTC returns labels with the budget."""

    __slots__ = ("applied", "half_widths", "influence", "number", "scale")
    influence: Influence | None
    scale: float | None
    applied: float
    half_widths: tuple[float, ...]
    number: Any


def uncertain(
    value: float,
    standard_uncertainty: float,
    df: float = math.inf,
    label: str = "",
    *,
    influence: Influence | None = None,
    scale: float | None = None,
    applied: float = 0.0,
    half_widths: tuple[float, ...] = (),
) -> Any:
    """Make a GTC uncertain real number.

    Parameters
    ----------
    df : float
        Degrees of freedom.
    label : str
        Its name in the budget.
    influence : Influence, optional
        The instrument or thing it belongs to, for a recall.
    scale : float, optional
        Change of this number for a relative error of 1 (100 %) in that thing: the value itself for a reading or a
        resistor, 1 for a gain. None if a relative error makes no sense here.
    applied : float
        Relative error of that thing for which the value is already corrected.
    half_widths : tuple of float
        Of a rectangle, or of the parts of a meter's accuracy statement; see `benchlog.result.BudgetLine`.
    """
    named = _Input(label)
    named.influence, named.scale, named.applied, named.half_widths = influence, scale, applied, half_widths
    if scale:
        # An input without error stays in the budget so that a recall finds the results that used it.
        standard_uncertainty = max(standard_uncertainty, _TRACKED * abs(scale))
    named.number = GTC.ureal(value, standard_uncertainty, df, label=named)
    return named.number


def uniform(
    value: float,
    half_width: float,
    label: str = "",
    df: float = math.inf,
    *,
    influence: Influence | None = None,
    scale: float | None = None,
) -> Any:
    """Make a GTC uncertain real number uniform within plus-minus `half_width` (GUM 4.3.7); see `uncertain`."""
    u, widths = half_width / math.sqrt(3), (half_width, 0.0, 0.0)
    return uncertain(value, u, df, label, influence=influence, scale=scale, half_widths=widths)


def to_uncertain(number: Any, unit: str) -> Uncertain:
    """Turn a GTC uncertain real number into a plain one with coverage factor and budget.

    Inputs with the same label and influence become one line: their contributions add in quadrature, as they are
    independent; their sensitivities add up, as one error of the thing moves all of them. A bare float is refused
    (AttributeError), since it would count as exact.
    """
    u = float(number.u)
    df = float(number.df) if u > 0 else math.inf
    k = coverage_factor(df)
    lines: dict[tuple[str, Influence | None], BudgetLine] = {}
    for given in reporting.budget(number, trim=0):
        name, part = given.label, abs(float(given.u))
        influence, sensitivity = _influence(name), _sensitivity(number, name)
        moves = sensitivity is not None and abs(sensitivity) > _CANCELLED * abs(float(number.x))
        if part <= _CANCELLED * u and not moves:  # zero, or the rounding of an input that cancels
            continue
        key = (str(name), influence)
        widths = tuple(part / float(name.number.u) * width for width in getattr(name, "half_widths", ()))
        if (seen := lines.get(key)) is not None:
            part = math.hypot(part, seen.contribution)
            widths = (*widths, *seen.half_widths)
            sensitivity = None if sensitivity is None else sensitivity + (seen.sensitivity or 0.0)
        lines[key] = BudgetLine(
            str(name), part, influence, sensitivity, getattr(name, "applied", 0.0), widths
        )
    return Uncertain(
        value=float(number.x),
        standard_uncertainty=u,
        expanded_uncertainty=k * u,
        unit=unit,
        coverage_factor=k,
        degrees_of_freedom=None if math.isinf(df) or df > 1e6 else df,
        budget=tuple(sorted(lines.values(), key=lambda line: -line.contribution)),
    )


def _influence(label: object) -> Influence | None:
    return label.influence if isinstance(label, _Input) else None


def _sensitivity(number: Any, label: object) -> float | None:
    """Change of a number for a relative error of 1 in the thing behind an input."""
    if not isinstance(label, _Input) or label.scale is None:
        return None
    component = float(reporting.u_component(number, label.number))
    return component / float(label.number.u) * label.scale if label.scale else 0.0
