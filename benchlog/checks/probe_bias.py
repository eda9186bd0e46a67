"""Several instruments that read the same items: bias of each against the mean of all."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.errors import AnalysisError, UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.number_format import format_uncertain
from benchlog.result import Result, Uncertain, Verdict


@dataclass(frozen=True, slots=True)
class Bias:
    """One instrument's bias against the mean of all."""

    instrument: str
    #: bias, u: In the unit of the readings; `u` from the residual scatter.
    bias: float
    u: float
    degrees_of_freedom: float
    n: int  #: Readings of this instrument.


def probe_biases(
    values: npt.NDArray[np.float64], instruments: Sequence[str], items: Sequence[str]
) -> tuple[Bias, ...]:
    """Biases by least squares of value = item + bias of the instrument, biases summing to zero.

    Parameters
    ----------
    values : array of shape (n,)
    instruments, items : sequence of str, length n
        Instrument and item of each reading (item and run, if items change between runs).

    Raises
    ------
    AnalysisError
        If the instruments have no items in common, or there are no spare readings for the scatter.
    """
    tags, things = list(dict.fromkeys(instruments)), list(dict.fromkeys(items))
    if len(tags) < 2:
        raise UsageError(
            "one instrument can't be compared", hint="choose the column that names the instrument"
        )
    which = np.array([tags.index(t) for t in instruments])
    what = np.array([things.index(t) for t in items])
    # The last bias is minus the sum of the others.
    effect = (which[:, np.newaxis] == np.arange(len(tags) - 1)).astype(np.float64)
    effect[which == len(tags) - 1] = -1.0
    design = np.column_stack(((what[:, np.newaxis] == np.arange(len(things))).astype(np.float64), effect))
    solution, _, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    df = values.size - int(rank)
    if rank < design.shape[1] or df < 1:
        raise AnalysisError(
            "the instruments share too few items to be compared",
            hint="let every instrument read the same items, at least two each",
        )
    residual = values - design @ solution
    variance = float(residual @ residual) / df
    own = np.linalg.inv(design.T @ design)[len(things) :, len(things) :] * variance
    biases = np.append(solution[len(things) :], -solution[len(things) :].sum())
    u = np.append(np.sqrt(np.diag(own)), math.sqrt(max(0.0, float(own.sum()))))
    return tuple(
        Bias(tag, float(biases[i]), float(u[i]), float(df), int((which == i).sum()))
        for i, tag in enumerate(tags)
    )


def check_probe_bias(
    values: npt.NDArray[np.float64], instruments: Sequence[str], items: Sequence[str], unit: str = ""
) -> Result:
    """Compare several instruments that read the same items; indeterminate, since there is no limit.

    `difference` is the bias that is largest in units of its uncertainty; `details` has all of them.
    """
    found = probe_biases(values, instruments, items)
    unit = unit or "1"
    settled: dict[str, Uncertain] = {
        b.instrument: to_uncertain(
            uncertain(b.bias, b.u, b.degrees_of_freedom, label="scatter", influence=Influence(Role.SCATTER)),
            unit,
        )
        for b in found
    }
    worst = max(found, key=lambda b: abs(b.bias) / b.u if b.u > 0 else math.inf)
    clear = [b for b in found if abs(b.bias) > settled[b.instrument].expanded_uncertainty]
    shown = settled[worst.instrument]
    words = format_uncertain(shown.value, shown.expanded_uncertainty, unit)
    rows: dict[str, Any] = {
        b.instrument: {
            "bias": b.bias,
            "expanded_uncertainty": settled[b.instrument].expanded_uncertainty,
            "n": b.n,
        }
        for b in found
    }
    return Result(
        check="crosscheck",
        verdict=Verdict.INDETERMINATE,
        reason=f"{worst.instrument} differs most from the mean of {len(found)} instruments, by {words}; "
        "to judge that, give their accuracies",
        quantities={"difference": shown},
        rule="least squares of item + instrument, biases sum to zero; shown but not judged",
        instruments=tuple(b.instrument for b in found),
        findings=tuple(
            Finding(
                FindingKind.BIAS,
                f"{b.instrument} reads "
                f"{format_uncertain(b.bias, settled[b.instrument].expanded_uncertainty, unit)} from the mean of all",
            )
            for b in sorted(clear, key=lambda b: -abs(b.bias))
        ),
        details={"biases": rows},
    )
