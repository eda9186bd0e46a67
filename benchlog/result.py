"""What a check concluded: quantities with uncertainty, limits, verdict, evidence.

The JSON of a result (schema ``benchlog.result/1``) is this module's structs written out, with the budgets
of all quantities gathered under one key and unknown or infinite numbers as null.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any

import msgspec

from benchlog.influence import Influence

__all__ = [
    "RESULT_SCHEMA",
    "BudgetLine",
    "DesignCheck",
    "Limits",
    "Record",
    "Result",
    "Uncertain",
    "Verdict",
    "worst_verdict",
]

RESULT_SCHEMA = "benchlog.result/1"


class Verdict(StrEnum):
    """Four, never two: "don't know" must not decay into "passed"."""

    PASS = "pass"  # noqa: S105 - the word of the trade, no password
    FAIL = "fail"
    INDETERMINATE = "indeterminate"
    NOT_DONE = "not done"

    @property
    def exit_code(self) -> int:
        """Exit code of a command whose worst verdict this is."""
        return {"pass": 0, "fail": 1, "indeterminate": 3, "not done": 3}[self.value]


def worst_verdict(verdicts: Sequence[Verdict]) -> Verdict:
    """Return the verdict that decides the exit code: fail, then indeterminate, then not done, then pass."""
    order = (Verdict.FAIL, Verdict.INDETERMINATE, Verdict.NOT_DONE, Verdict.PASS)
    return min(verdicts, key=order.index, default=Verdict.NOT_DONE)


class BudgetLine(msgspec.Struct, frozen=True, omit_defaults=True):
    """One line of an uncertainty budget.

    Attributes
    ----------
    label : str
        For people; nothing else asks it.
    contribution : float
        Standard uncertainty of the result due to this input, in the result's unit.
    influence : Influence or None
        Which thing the input belongs to, and what of it; None in results recorded before this was kept.
    sensitivity : float or None
        Change of the result, in its unit, for a relative error of one of that thing: 27.75 V for the gain of the
        meter that read 27.75 V, 0 where it cancels. None where a relative error makes no sense (noise, counts).
    """

    label: str
    contribution: float
    influence: Influence | None = None
    sensitivity: float | None = None


class Uncertain(msgspec.Struct, frozen=True):
    """A measured value with its uncertainty.

    Attributes
    ----------
    value, standard_uncertainty, expanded_uncertainty : float
        In `unit`; expanded = coverage factor times standard.
    unit : str
        SI unit, ``"1"`` for a ratio, ``"deg"`` for phases.
    coverage_factor : float
        For 95.45 %: 2 with infinite degrees of freedom, else Student t.
    degrees_of_freedom : float or None
        None means infinite.
    budget : tuple of BudgetLine
        Largest contribution first.
    """

    value: float
    standard_uncertainty: float
    expanded_uncertainty: float
    unit: str
    coverage_factor: float = 2.0
    degrees_of_freedom: float | None = None
    budget: tuple[BudgetLine, ...] = ()


class Limits(msgspec.Struct, frozen=True):
    """Limits fixed before the reading, with where they come from."""

    low: float | None
    high: float | None
    unit: str = "1"
    source: str = ""


class DesignCheck(msgspec.Struct, frozen=True):
    """A check of the design beside the measurement, e.g. a capacitor's rating against the worst peak."""

    name: str
    verdict: Verdict
    value: float
    limit: float
    unit: str
    reason: str = ""


class Record(msgspec.Struct, frozen=True):
    """Where the result was written down."""

    logbook: str
    entry: int
    digest: str


class Result(msgspec.Struct, frozen=True, kw_only=True):
    """What a check concluded. Field names are those of the JSON.

    `check` names the kind of check (``supply``, ``turns_ratio``...), `check_id` the plan's id of it (``C03``).
    `limits_set` is ``"plan"``, ``"computed"`` or ``"typed"``; only the first two can release a hold point.
    `evidence` lists references into the logbook (``"readings:12"``, ``"capture:3"``) and typed readings.
    `details` holds what only one kind of check has, as plain JSON values.
    """

    check: str
    verdict: Verdict
    reason: str
    time: str = ""
    check_id: str = ""
    check_revision: str = ""
    part: str = ""
    part_state: str = ""
    quantities: Mapping[str, Uncertain] = {}
    limits: Mapping[str, Limits] = {}
    limits_set: str = "computed"
    conformance_probability: float | None = None
    rule: str = ""
    turns: Mapping[str, Any] | None = None
    design_checks: tuple[DesignCheck, ...] = ()
    instruments: tuple[str, ...] = ()
    functions: Mapping[str, str] = {}
    evidence: tuple[str, ...] = ()
    hookup: str = ""
    conditions: Mapping[str, str] = {}
    cautions: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    details: Mapping[str, Any] = {}
    record: Record | None = None

    @property
    def overall(self) -> Verdict:
        """Verdict that counts for the exit code, design checks included."""
        return worst_verdict([self.verdict, *(d.verdict for d in self.design_checks)])

    @property
    def overall_reason(self) -> str:
        """Why `overall` is what it is: the reason of the design check that is worse than the measurement, if one is."""
        if self.overall is self.verdict:
            return self.reason
        check = next(d for d in self.design_checks if d.verdict is self.overall)
        return f"{check.name.replace('_', ' ')}: {check.reason}"

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; None stands for unknown or infinite numbers."""
        plain: dict[str, Any] = msgspec.to_builtins(self, enc_hook=_plain_number)
        budgets = {name: q.pop("budget") for name, q in plain["quantities"].items()}
        plain["budget"] = {name: lines for name, lines in budgets.items() if lines}
        return {"schema": RESULT_SCHEMA, **{k: v for k, v in plain.items() if v is not None}}

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Result:
        """Read back what `to_json` wrote.

        Raises
        ------
        msgspec.ValidationError
            If it is no result of this schema.
        """
        data = {k: v for k, v in plain.items() if k not in ("schema", "budget")}
        budgets = plain.get("budget", {})
        data["quantities"] = {
            name: {**q, "budget": budgets.get(name, ())} for name, q in plain.get("quantities", {}).items()
        }
        return msgspec.convert(data, cls)


def _plain_number(value: Any) -> Any:
    """Turn a numpy scalar, which a formula easily leaves, into the plain number it holds."""
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"a result can't hold a {type(value).__name__}")
