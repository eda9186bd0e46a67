"""The table of a certificate: one row for each quantity or item of a check, as text."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchlog.logbook import Logbook
from benchlog.logbook.recalled import Recalled, corrected_words
from benchlog.plan import Plan, kind_of_result
from benchlog.project.state import CheckState
from benchlog.report.evidence import Counted
from benchlog.report.method import method_words
from benchlog.result import Result
from benchlog.wording import MARKS, limits_own_words, limits_words, quantity_words, value_words


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity or item of a check, as text; `words` replaces the numbers, `note` explains the value."""

    quantity: str
    expected: str = ""
    limits: str = ""
    limits_own: str = ""
    value: str = ""
    note: str = ""
    words: str = ""


@dataclass(frozen=True, slots=True)
class Tested:
    """One check in the table."""

    check_id: str
    part: str
    title: str
    verdict: str
    mark: str
    recalled: str  #: The recalls after which a result counts still.
    instruments: str
    date: str
    entry: int
    rows: tuple[Row, ...]
    method: tuple[str, ...]


def tested_of(book: Logbook, plan: Plan | None, counted: Counted, *, practice: bool) -> Tested:
    """One check in the table; with `practice` the page says of all results that they are from the simulated bench."""
    entry, result, state = counted.entry, counted.result, counted.state
    title = result.check.replace("_", " ")
    if plan is not None and result.check_id in plan.checks:
        title = plan.checks[result.check_id].title or title
    kept = (CheckState.RECALLED, CheckState.STALE, CheckState.INDETERMINATE)
    word = state.value if state in kept else result.overall.value
    return Tested(
        check_id=counted.name,
        part=result.part,
        title=title,
        verdict=word,
        mark=MARKS.get(word, "○"),
        recalled=still_counts(counted),
        instruments=", ".join(result.instruments),
        date=entry.time[:10],
        entry=entry.seq,
        rows=_rows(plan, counted),
        method=method_words(book, plan, result, practice=practice),
    )


def still_counts(counted: Counted) -> str:
    """The recalls after which a result counts still; empty without any."""
    if not counted.recalled or counted.state is CheckState.RECALLED:
        return ""
    entries = ", ".join(str(recalled.recall.seq) for recalled in counted.recalled)
    return f"after recall, entry {entries}"


def _rows(plan: Plan | None, counted: Counted) -> tuple[Row, ...]:
    result = counted.result
    items = result.details.get("items")
    kind = kind_of_result(result.check)
    main = kind.shown if kind is not None else {}
    expectations = _expectations(result, main)
    if isinstance(items, dict):
        return tuple(
            _row(result, str(name), item=item, expected=expectations.get(str(name), ""))
            for name, item in items.items()
        )
    names = [n for n in main if n in result.quantities] or [
        n for n in result.quantities if n not in expectations.values()
    ]
    planned = str(getattr(plan.checks.get(result.check_id), "expect", None) or "") if plan else ""
    if not names:
        return (Row(quantity="", words=result.reason),)
    return tuple(
        _row(
            result,
            name,
            planned if number == 0 else "",
            expected=expectations.get(name, ""),
            recalled=counted.recalled,
        )
        for number, name in enumerate(names)
    )


def _expectations(result: Result, main: Mapping[str, str]) -> Mapping[str, str]:
    """Name of the quantity that holds another's expected value; in old records found by its name."""
    if result.expectations:
        return result.expectations
    names = [(n, (main.get(n), f"expected {n}", f"expected_{n}")) for n in result.quantities]
    return {n: e for n, older in names for e in older if e is not None and e in result.quantities}


#: Names that a reader of the page alone would not understand.
_ON_PAPER = {
    "e_n": "E_n: difference divided by its uncertainty, all meters together",
    "rectified_peak_worst": "highest rectified peak (mains 10 % high)",
}


def _row(
    result: Result,
    name: str,
    planned: str = "",
    item: object = None,
    *,
    expected: str = "",
    recalled: Sequence[Recalled] = (),
) -> Row:
    shown = _ON_PAPER.get(name, quantity_words(name))
    quantity = result.quantities.get(name)
    if quantity is None:
        return Row(
            quantity=shown,
            limits=limits_words(result.limits.get(name)),
            words=str(item.get("reason", "")) if isinstance(item, dict) else "",
        )
    computed = result.quantities.get(expected)
    value, note = corrected_words(name, quantity, recalled)
    return Row(
        quantity=shown,
        expected=value_words(computed) if computed else planned,
        limits=str(result.limits.get(name, "")),
        limits_own=limits_own_words(result.limits.get(name)),
        value=value,
        note=note,
    )
