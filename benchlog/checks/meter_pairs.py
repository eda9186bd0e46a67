"""Meters on one node held against each other by E_n: pair by pair, and the odd one out of three or more."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchlog.checks.node_values import NodeValues
from benchlog.checks.outliers import explains_all
from benchlog.errors import UsageError
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.meter_reading import MeterReading
from benchlog.result import Limits, Uncertain
from benchlog.units import format_uncertain

__all__ = ["E_N_LIMITS", "E_N_RULE", "MeterPair", "NodeMeter", "compare", "expanded_at_2", "odd_one_out"]

E_N_RULE = "E_n at most 1, expanded uncertainties at k = 2 (ISO/IEC 17043; ISO 13528)"
E_N_LIMITS = Limits(None, 1.0, "1", "ISO 13528, E_n score")


@dataclass(frozen=True, slots=True)
class NodeMeter:
    """One meter's value on the node.

    Attributes
    ----------
    tag : str
    as_read : float
        What it showed, when `number` is turned into something else.
    number : GTC uncertain real
        Without the scatter, which differences bring in themselves.
    readings : tuple of MeterReading
    """

    tag: str
    as_read: float
    number: Any
    readings: tuple[MeterReading, ...]

    @property
    def value(self) -> float:
        """Best value."""
        return float(self.number.x)

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return float(self.number.u)


@dataclass(frozen=True, slots=True)
class MeterPair:
    """Two meters compared; the difference is first minus second, E_n without its sign."""

    first: NodeMeter
    second: NodeMeter
    difference: Uncertain
    e_n: float

    def to_json(self) -> dict[str, Any]:
        """Plain values for a result's details."""
        return {
            "first": self.first.tag,
            "second": self.second.tag,
            "difference": self.difference.value,
            "expanded_uncertainty": self.difference.expanded_uncertainty,
            "e_n": self.e_n,
        }


def expanded_at_2(u_first: float, u_second: float, u_scatter: float = 0.0) -> float:
    """Expanded uncertainty (k = 2) of a difference, the width E_n is counted in."""
    width = 2.0 * math.sqrt(u_first**2 + u_second**2 + u_scatter**2)
    if not width > 0:
        raise UsageError("E_n needs an uncertainty of at least one side", hint="state the meters' accuracies")
    return width


def _scatter(a: NodeMeter, b: NodeMeter, fit: NodeValues) -> float:
    return fit.scatter * fit.spread.get((a.tag, b.tag), fit.spread.get((b.tag, a.tag), 0.0))


def compare(a: NodeMeter, b: NodeMeter, fit: NodeValues, unit: str) -> MeterPair:
    """Difference and E_n of two meters, with the scatter of the readings about the node's line."""
    scatter = _scatter(a, b, fit)
    difference = a.number - b.number
    if scatter > 0:
        difference += uncertain(
            0.0,
            scatter,
            fit.degrees_of_freedom,
            label="scatter of the readings",
            influence=Influence(Role.SCATTER),
        )
    e_n = abs(a.value - b.value) / expanded_at_2(a.u, b.u, scatter)
    return MeterPair(a, b, to_uncertain(difference, unit), e_n)


def odd_one_out(
    meters: Sequence[NodeMeter], pairs: Sequence[MeterPair], fit: NodeValues, unit: str
) -> tuple[str | None, str]:
    """Exclude each meter in turn: it is the odd one out when only the others agree, and it not with them.

    Parameters
    ----------
    meters : sequence of NodeMeter
        Three or more.
    pairs : sequence of MeterPair
        All pairs of them.
    fit : NodeValues
    unit : str

    Returns
    -------
    tag : str or None
        None when all agree, or it can't be told.
    words : str
        What to tell; empty when all agree.
    """
    if all(pair.e_n <= 1 for pair in pairs):
        return None, ""
    candidates: list[tuple[str, float, float, float]] = []
    strong = [(pair.first.tag, pair.second.tag) for pair in pairs if pair.e_n > 1]
    for meter in meters:
        rest = [m for m in meters if m is not meter]
        if not explains_all(meter.tag, strong):
            continue
        # Weighted by what each claims; exact meters would divide by zero.
        weights = [1 / max(m.u, 1e-12 * abs(m.value), 1e-300) ** 2 for m in rest]
        consensus = sum(w * m.value for w, m in zip(weights, rest, strict=True)) / sum(weights)
        u = 1 / math.sqrt(sum(weights))
        scatter = max(_scatter(meter, m, fit) for m in rest)
        e_n = abs(meter.value - consensus) / expanded_at_2(meter.u, u, scatter)
        if e_n > 1:
            candidates.append((meter.tag, e_n, consensus, 2 * u))
    if len(candidates) == 1:
        tag, e_n, consensus, expanded = candidates[0]
        return tag, (
            f"{tag} is the odd one out: the others agree on {format_uncertain(consensus, expanded, unit)}, "
            f"{tag} is off by E_n {e_n:.2f}; check it against a check standard"
        )
    if candidates:
        names = " or ".join(tag for tag, *_ in candidates)
        return None, f"it could be {names}: a check standard decides"
    return None, "no single odd one out: more than one disagrees, check each against a check standard"
