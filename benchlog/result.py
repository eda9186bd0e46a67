"""Result of a check: quantities with uncertainty, limits, verdict, evidence.

The JSON of a result (schema ``benchlog.result/1``) is this module's structs written out, with the budgets
of all quantities gathered under one key and unknown or infinite numbers as null.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import msgspec

from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.hookup import Hookup
from benchlog.influence import Influence
from benchlog.number_format import format_quantity, format_span, format_uncertain

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

RESULT_SCHEMA = "benchlog.result/1"


class Verdict(StrEnum):
    """Four verdicts, so that "don't know" never turns into "passed"."""

    PASS = "pass"  # noqa: S105 - the word of the trade, no password
    FAIL = "fail"
    INDETERMINATE = "indeterminate"
    NOT_DONE = "not done"

    @property
    def words(self) -> str:
        """As people read it."""
        return "can't tell" if self is Verdict.INDETERMINATE else self.value

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
    applied : float
        Relative error of that thing for which the result is corrected already, by what was known of it.
    half_widths : tuple of float
        For the accuracy statement of a meter, which `contribution` takes as one error: what its percentage, its counts
        and the rounding of its display contribute each, three numbers for every reading gathered in the line. How a meter uses
        up its statement no data sheet says. Of any other rectangle: its half-width and two zeros. Empty for normal inputs.
    """

    label: str
    contribution: float
    influence: Influence | None = None
    sensitivity: float | None = None
    applied: float = 0.0
    half_widths: tuple[float, ...] = ()


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

    def __str__(self) -> str:
        if self.standard_uncertainty > 0:
            return format_uncertain(self.value, self.expanded_uncertainty, self.unit)
        return format_quantity(self.value, self.unit)


class Limits(msgspec.Struct, frozen=True):
    """Limits fixed before the reading, with where they come from.

    `standard_uncertainty` is that of the limits themselves, where they follow from something measured: mains, or a
    temperature. It widens the guard band.
    """

    low: float | None
    high: float | None
    unit: str = "1"
    source: str = ""
    standard_uncertainty: float = 0.0

    def __str__(self) -> str:
        digits = 6 if self.unit == "1" else 4  # 2000.5 turns are not 2000
        if self.low is None:
            return "" if self.high is None else f"≤ {format_quantity(self.high, self.unit, digits)}"
        if self.high is None:
            return f"≥ {format_quantity(self.low, self.unit, digits)}"
        return format_span(self.low, self.high, self.unit, " … ")


class DesignCheck(msgspec.Struct, frozen=True):
    """A check of the design beside the measurement, e.g. a capacitor's rating against the worst peak.

    `quantity` names the measured quantity that must stay below the limit; empty for a design alone.
    """

    name: str
    verdict: Verdict
    value: float
    limit: float
    unit: str
    reason: str = ""
    quantity: str = ""


class Record(msgspec.Struct, frozen=True):
    """Where the result was written down."""

    logbook: str
    entry: int
    digest: str


class Result(msgspec.Struct, frozen=True, kw_only=True):
    """What a check concluded. Field names are those of the JSON.

    `check` names the kind of check (``supply``, ``turns_ratio``...), `check_id` the plan's id of it (``C03``).
    `because` is the finding that `reason` states, if it states one.
    `expectations` names the quantity that holds what was expected of another: ``{"no_load_voltage": "expected_no_load"}``.
    `limits_set` is ``"plan"``, ``"computed"`` or ``"typed"``; a result of the last can release a hold point only where its
    check has adopted it.
    `evidence` lists references into the logbook (``"readings:12"``, ``"capture:3"``) and typed readings.
    `details` holds what only one kind of check has, as plain JSON values. `hookup` says in words how it was
    connected, `wiring` as data where it is known.
    """

    check: str
    verdict: Verdict
    reason: str
    because: str | None = None
    time: str = ""
    check_id: str = ""
    check_revision: str = ""
    part: str = ""
    part_state: str = ""
    quantities: Mapping[str, Uncertain] = {}
    expectations: Mapping[str, str] = {}
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
    wiring: Hookup | None = None
    conditions: Mapping[str, str] = {}
    cautions: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    details: Mapping[str, Any] = {}
    record: Record | None = None

    @property
    def judged(self) -> tuple[str, ...]:
        """Names of the quantities with limits; of the first one where none has any."""
        limited = tuple(name for name in self.quantities if name in self.limits)
        return limited or tuple(self.quantities)[:1]

    @property
    def overall(self) -> Verdict:
        """Verdict that counts for the exit code, design checks included."""
        return worst_verdict([self.verdict, *(d.verdict for d in self.design_checks)])

    @property
    def overall_words(self) -> str:
        """`overall` as people read it; a value without limits was measured, but not judged."""
        measured = self.overall is Verdict.NOT_DONE and self.quantities
        return "not judged" if measured else self.overall.words

    @property
    def overall_reason(self) -> str:
        """Why `overall` is what it is: the reason of the design check that is worse than the measurement, if one is."""
        if self.overall is self.verdict:
            return self.reason
        check = next(d for d in self.design_checks if d.verdict is self.overall)
        return f"{check.name.replace('_', ' ')}: {check.reason}"

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; None stands for unknown or infinite numbers."""
        plain: dict[str, Any] = msgspec.to_builtins(self, enc_hook=_plain)
        budgets = {name: q.pop("budget") for name, q in plain["quantities"].items()}
        plain["budget"] = {name: lines for name, lines in budgets.items() if lines}
        plain["finding_kinds"] = [str(finding.kind) for finding in self.findings]
        return {"schema": RESULT_SCHEMA, **{k: v for k, v in plain.items() if v is not None}}

    def budget_frame(self, quantity: str | None = None) -> pd.DataFrame:
        """Uncertainty budget of a quantity as a table, largest contribution first.

        Parameters
        ----------
        quantity : str, optional
            Name in `quantities`; the first one with a budget where not given.

        Returns
        -------
        DataFrame
            One row a line, the fields of `BudgetLine` and its influence as columns, and ``share``: the line's part of the variance.

        Raises
        ------
        UsageError
            If there is no such quantity.
        """
        import pandas as pd

        name = quantity or next(
            (n for n, q in self.quantities.items() if q.budget), next(iter(self.quantities), "")
        )
        if name not in self.quantities:
            raise UsageError(
                f"no quantity {name!r} in this result", hint=f"it has {', '.join(self.quantities) or 'none'}"
            )
        lines = self.quantities[name].budget
        rows: list[dict[str, Any]] = [msgspec.to_builtins(line) for line in lines]
        flat = [{**row.pop("influence", {}), **row} for row in rows]
        frame = pd.DataFrame(
            flat, columns=["label", "contribution", *Influence.__struct_fields__, "sensitivity"]
        )
        squares = frame["contribution"].astype(float) ** 2
        frame["share"] = squares / squares.sum() if len(frame) else squares
        return frame.dropna(axis="columns", how="all")

    def plot(self) -> Figure:
        """Draw the result; see `benchlog.figure`."""
        from benchlog import figure

        return figure(self)

    def _title(self) -> str:
        named = " ".join(filter(None, (self.check_id, self.check.replace("_", " "), self.part)))
        return f"{named}: {self.overall}"

    def _rows(self, names: Iterable[str]) -> list[tuple[str, str, str]]:
        return [(n.replace("_", " "), str(self.quantities[n]), str(self.limits.get(n, ""))) for n in names]

    def __repr__(self) -> str:
        judged = (f"{name} {value}" for name, value, _ in self._rows(self.judged))
        return f"<Result {'; '.join([self._title(), *judged])}>"

    def __str__(self) -> str:
        rows = (
            f"  {name} {value}" + (f"   allowed {limits}" if limits else "")
            for name, value, limits in self._rows(self.quantities)
        )
        cautions = (f"  ! {caution}" for caution in self.cautions)
        return "\n".join([f"{self._title()}: {self.overall_reason}", *rows, *cautions])

    def _repr_html_(self) -> str:
        from benchlog.html_table import html_table

        checks = (f"{c.name.replace('_', ' ')}: {c.verdict}, {c.reason}" for c in self.design_checks)
        return html_table(
            self._title(),
            ("quantity", "value ± U (95 %)", "limits"),
            self._rows(self.quantities),
            (self.reason, *checks, *self.findings, *self.cautions),
        )

    @classmethod
    def from_json(cls, plain: Mapping[str, Any]) -> Result:
        """Read back what `to_json` wrote.

        Raises
        ------
        msgspec.ValidationError
            If it is not a result of this schema.
        """
        data = {k: v for k, v in plain.items() if k not in ("schema", "budget", "finding_kinds")}
        budgets = plain.get("budget", {})
        if stray := budgets.keys() - plain.get("quantities", {}).keys():
            raise msgspec.ValidationError(f"it has a budget of {min(stray)!r}, but no such quantity")
        data["quantities"] = {
            name: {**q, "budget": budgets.get(name, ())} for name, q in plain.get("quantities", {}).items()
        }
        words = msgspec.convert(plain.get("findings", ()), tuple[str, ...])
        kinds = msgspec.convert(plain.get("finding_kinds", ()), tuple[str, ...])
        data["findings"] = [
            Finding(_kind(k), w) for w, k in itertools.zip_longest(words, kinds[: len(words)])
        ]
        data["wiring"] = _wiring(plain.get("wiring"))
        return msgspec.convert(data, cls)


def _wiring(plain: object) -> Hookup | None:
    """A recorded hook-up; None in older records, and where a newer one has what is not known here."""
    try:
        return msgspec.convert(plain, Hookup | None)
    except msgspec.ValidationError:
        return None


def _kind(name: str | None) -> FindingKind:
    """Kind of a recorded finding; older records have none, newer ones may have unknown ones."""
    try:
        return FindingKind(name or "")
    except ValueError:
        return FindingKind.NOTE


def _plain(value: Any) -> Any:
    """Turn a numpy scalar, which a formula easily leaves, into the plain number it holds.

    Texts that carry more than their words, a finding or a value of a plan, become their words.
    """
    if isinstance(value, str):
        return str(value)
    if hasattr(value, "item"):
        return value.item()
    raise TypeError(f"a result can't hold a {type(value).__name__}")
