"""Meters on one node compared by E_n: pair by pair, and the odd one out of three or more."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from benchlog.checks.node_values import NodeValues
from benchlog.checks.outliers import explains_all
from benchlog.errors import UsageError
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import COVERAGE_PROBABILITY, to_uncertain, uncertain
from benchlog.metrology.meter_reading import MeterReading
from benchlog.number_format import format_uncertain
from benchlog.result import Limits, Uncertain, Verdict

E_N_RULE = "pass: E_n at most 1, expanded uncertainties at k = 2 (ISO/IEC 17043; ISO 13528); fail: they can't all be within their data sheets"
JOINT_RULE = (
    f"{E_N_RULE}; more than two meters are judged together, so that false alarms stay as rare as with two"
)
E_N_LIMITS = Limits(None, 1.0, "1", "ISO 13528, E_n score")


@dataclass(frozen=True, slots=True)
class NodeMeter:
    """One meter's value on the node."""

    tag: str
    as_read: float  #: As displayed, if `number` was converted to rms.
    number: Any  #: Uncertain value without scatter, which is added to the differences.
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
    """Two meters compared; the difference is first minus second, E_n without its sign, `scatter` that of the readings."""

    first: NodeMeter
    second: NodeMeter
    difference: Uncertain
    e_n: float
    scatter: float

    def to_json(self) -> dict[str, Any]:
        """Plain values for a result's details."""
        return {
            "first": self.first.tag,
            "second": self.second.tag,
            "difference": self.difference.value,
            "expanded_uncertainty": self.difference.expanded_uncertainty,
            "e_n": self.e_n,
            "scatter": self.scatter,
        }


@dataclass(frozen=True, slots=True)
class Comparison:
    """Comparison of all meters on a node."""

    meters: tuple[NodeMeter, ...]  #: Two or more.
    pairs: tuple[MeterPair, ...]  #: All pairs of them.
    joint: float  #: E_n of the two, or one number for all: above 1 they differ by more than their accuracies allow.
    fit: NodeValues
    unit: str

    @property
    def worst(self) -> MeterPair:
        """The pair that differs most."""
        return max(self.pairs, key=lambda pair: pair.e_n)

    @property
    def failed(self) -> bool:
        """Whether they differ by more than their accuracies allow."""
        return self.joint > 1

    @property
    def verdict(self) -> Verdict:
        """Verdict if nothing else explains the difference."""
        return Verdict.FAIL if self.failed else Verdict.PASS


def compare_all(meters: Sequence[NodeMeter], fit: NodeValues, unit: str) -> Comparison:
    """Compare meters pair by pair and all together."""
    pairs = tuple(_compare(a, b, fit, unit) for a, b in itertools.combinations(meters, 2))
    joint = pairs[0].e_n if len(pairs) == 1 else _joint_e_n(meters, fit)
    return Comparison(tuple(meters), pairs, joint, fit, unit)


def expanded_at_2(u_first: float, u_second: float, u_scatter: float = 0.0) -> float:
    """Expanded uncertainty (k = 2) of a difference, the unit of E_n.

    Raises
    ------
    UsageError
        If no uncertainty is above zero.
    """
    width = 2.0 * math.sqrt(u_first**2 + u_second**2 + u_scatter**2)
    if not width > 0:
        raise UsageError(
            "E_n needs the uncertainty of at least one meter", hint="state the meters' accuracies"
        )
    return width


def _scatter(a: NodeMeter, b: NodeMeter, fit: NodeValues) -> float:
    return fit.scatter * fit.spread.get((a.tag, b.tag), fit.spread.get((b.tag, a.tag), 0.0))


def _compare(a: NodeMeter, b: NodeMeter, fit: NodeValues, unit: str) -> MeterPair:
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
    return MeterPair(a, b, to_uncertain(difference, unit), e_n, scatter)


def _joint_e_n(meters: Sequence[NodeMeter], fit: NodeValues) -> float:
    """One number for all meters together: E_n of two; for more, one that keeps false alarms equally rare.

    Root of the weighted sum of squares about their weighted mean, divided by its 95.45 % point by chi square. Judged pair
    by pair, false alarms of good meters would add up: 3.4 % for two, 16 % for four.

    Parameters
    ----------
    meters : sequence of NodeMeter
        Two or more.
    """
    variances = [_variance(meter, fit) for meter in meters]
    if len(meters) == 2:
        return abs(meters[0].value - meters[1].value) / (2 * math.sqrt(sum(variances)))
    off = [m.value - meters[0].value for m in meters]  # equal readings then differ by nothing at all
    mean = sum(d / v for d, v in zip(off, variances, strict=True)) / sum(1 / v for v in variances)
    square = sum((d - mean) ** 2 / v for d, v in zip(off, variances, strict=True))
    return math.sqrt(square / _chi_square_95(len(meters) - 1))


def _variance(meter: NodeMeter, fit: NodeValues) -> float:
    variance = meter.u**2 + fit.scatter**2 / len(meter.readings)
    if not variance > 0:
        raise UsageError("E_n needs the uncertainty of every meter", hint="state the meters' accuracies")
    return variance


@lru_cache(maxsize=16)
def _chi_square_95(freedom: int) -> float:
    from scipy.special import chdtri

    return float(chdtri(freedom, 1 - COVERAGE_PROBABILITY))


def odd_one_out(compared: Comparison) -> tuple[str | None, str]:
    """Find the odd one out: the only meter without which the others agree, and which disagrees with them.

    Parameters
    ----------
    compared : Comparison
        Three or more meters that do not all agree.

    Returns
    -------
    tag : str or None
        None when it can't be decided.
    words : str
        What to do, for the user.
    """
    meters, fit, unit = compared.meters, compared.fit, compared.unit
    candidates: list[tuple[str, float, float]] = []
    strong = [(pair.first.tag, pair.second.tag) for pair in compared.pairs if pair.e_n > 1]
    for meter in meters:
        rest = [m for m in meters if m is not meter]
        if not explains_all(meter.tag, strong) or _joint_e_n(rest, fit) > 1:
            continue
        weights = [1 / _variance(m, fit) for m in rest]
        consensus = sum(w * m.value for w, m in zip(weights, rest, strict=True)) / sum(weights)
        u = 1 / math.sqrt(sum(weights))
        if abs(meter.value - consensus) > expanded_at_2(math.sqrt(_variance(meter, fit)), u):
            candidates.append((meter.tag, consensus, 2 * u))
    if len(candidates) == 1:
        tag, consensus, expanded = candidates[0]
        return tag, (
            f"{tag} is the odd one out: the others agree on {format_uncertain(consensus, expanded, unit)}; "
            f"check {tag} against a check standard"
        )
    if candidates:
        names = " or ".join(tag for tag, *_ in candidates)
        return None, f"it could be {names}: check them against a check standard"
    return None, "more than one meter disagrees: check each against a check standard"
