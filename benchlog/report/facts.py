"""Everything a certificate states, gathered from plan and logbook; no layout here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchlog.logbook import Entry, Logbook
from benchlog.plan import Plan
from benchlog.project.overview import MeterTrust, meter_trust
from benchlog.project.state import CheckState, HoldStatus, read_state
from benchlog.result import Result, Verdict
from benchlog.wording import MARKS, limits_words, value_words

__all__ = ["Facts", "Line", "gather"]


@dataclass(frozen=True, slots=True)
class Line:
    """One row of the table: a quantity of a check, as text."""

    check_id: str
    part: str
    title: str
    quantity: str
    expected: str
    limits: str
    value: str
    verdict: str
    mark: str
    instruments: str
    date: str
    entry: int
    first: bool


@dataclass(frozen=True, slots=True)
class Facts:
    """What the certificate states.

    Attributes
    ----------
    headline : str
        First line: recalled, indeterminate, failed; or that all listed results are passed and current.
    clean : bool
        Whether the headline says that nothing is wrong.
    lines : tuple of Line
    results : tuple of (Entry, Result)
        The results shown, in the plan's order.
    not_tested : tuple of str
    holds : tuple of HoldStatus
    """

    project: str
    headline: str
    clean: bool
    lines: tuple[Line, ...]
    results: tuple[tuple[Entry, Result], ...]
    not_tested: tuple[str, ...]
    open_points: tuple[str, ...]
    holds: tuple[HoldStatus, ...]
    substitutions: tuple[Entry, ...]
    meters: tuple[MeterTrust, ...]
    cautions: tuple[str, ...]
    design: tuple[str, ...]
    first_time: str
    last_time: str
    entries: int
    head: str


_MAIN = {
    "supply": ("no_load_voltage", "source_resistance", "rectified_peak_worst"),
    "turns_ratio": ("turns_ratio", "phase"),
    "inductance": ("inductance",),
    "continuity": ("resistance",),
    "isolation": ("resistance",),
    "compare": ("ratio",),
    "rectified": ("rectified_peak", "rectified_peak_worst"),
    "crosscheck": ("e_n", "difference"),
    "reading": (),
}
_EXPECTED = {
    "no_load_voltage": "expected_no_load",
    "resistance": "expected_resistance",
}


def gather(book: Logbook, plan: Plan | None, now_utc_ns: int) -> Facts:
    """Collect what a certificate of this logbook states.

    Parameters
    ----------
    book : Logbook
    plan : Plan, optional
        Orders the checks and tells what was not tested; without it every latest result is listed.
    now_utc_ns : int
        Against which results age.
    """
    entries = list(book.entries("result"))
    if plan is not None:
        state = read_state(plan, book, now_utc_ns)
        chosen = [
            (s.entry, s.result, s.state)
            for s in state.checks.values()
            if s.entry is not None and s.result is not None
        ]
        standing = tuple(
            s.check.id for s in state.checks.values() if s.recall and s.state is CheckState.PASSED
        )
        not_tested = tuple(
            f"{s.check.id} {s.check.title or s.check.part}: {s.reason}"
            for s in state.checks.values()
            if s.entry is None
        )
    else:
        state = None
        chosen = _latest_each(entries)
        standing, not_tested = (), ()
    results = tuple((entry, result) for entry, result, _ in chosen)
    headline, clean = _headline(chosen, standing, not_tested)
    head = book.head()
    times = [entry.time for entry, _ in results]
    return Facts(
        project=plan.project.name if plan else "all results of the logbook",
        headline=headline,
        clean=clean,
        lines=tuple(line for entry, result, kind in chosen for line in _lines(plan, entry, result, kind)),
        results=results,
        not_tested=not_tested,
        open_points=_open_points(chosen),
        holds=tuple(state.holds.values()) if state else (),
        substitutions=state.substitutions if state else tuple(book.entries("substitution")),
        meters=meter_trust(
            book.entries("standard"), state.recalls if state else tuple(book.entries("recall")), now_utc_ns
        ),
        cautions=tuple(dict.fromkeys(c for _, result in results for c in result.cautions)),
        design=tuple(
            f"{result.check_id or result.check}: {d.verdict}: {d.reason}"
            for _, result in results
            for d in result.design_checks
        ),
        first_time=min(times, default=""),
        last_time=max(times, default=""),
        entries=head.seq,
        head=head.digest,
    )


_Chosen = tuple[Entry, Result, CheckState]


def _latest_each(entries: Sequence[Entry]) -> list[_Chosen]:
    """Latest result of each check (or kind of check) on each part."""
    latest: dict[tuple[str, str, str], _Chosen] = {}
    states = {Verdict.PASS: CheckState.PASSED, Verdict.FAIL: CheckState.FAILED}
    for entry in entries:
        result = Result.from_json(entry.body)
        key = (result.check_id, result.check, result.part)
        latest.pop(key, None)
        latest[key] = (entry, result, states.get(result.overall, CheckState.INDETERMINATE))
    return list(latest.values())


def _headline(
    chosen: Sequence[_Chosen], standing: Sequence[str], not_tested: Sequence[str]
) -> tuple[str, bool]:
    words = {
        CheckState.RECALLED: "recalled (rests on a meter found bad)",
        CheckState.FAILED: "failed",
        CheckState.INDETERMINATE: "indeterminate",
        CheckState.STALE: "no longer current",
    }
    parts = []
    for state, text in words.items():
        ids = [result.check_id or result.check for _, result, s in chosen if s is state]
        if ids:
            parts.append(f"{', '.join(ids)} {text}")
    if standing:
        parts.append(f"{', '.join(standing)} recalled, but standing with the uncertainty that leaves")
    if not chosen:
        return "Nothing was tested.", False
    if parts:
        return f"Attention: {'; '.join(parts)}.", False
    rest = f" {len(not_tested)} not tested." if not_tested else ""
    return f"All {len(chosen)} listed results are passed and current.{rest}", True


def _open_points(chosen: Sequence[_Chosen]) -> tuple[str, ...]:
    return tuple(
        f"{result.check_id or result.check}: {state}: {result.reason}"
        for _, result, state in chosen
        if state is not CheckState.PASSED
    )


def _lines(plan: Plan | None, entry: Entry, result: Result, state: CheckState) -> list[Line]:
    title = result.check.replace("_", " ")
    if plan is not None and result.check_id in plan.checks:
        title = plan.checks[result.check_id].title or title
    names = [n for n in _MAIN.get(result.check, ()) if n in result.quantities] or [
        n for n in result.quantities if not n.startswith("expected")
    ]
    word = state.value if state in (CheckState.RECALLED, CheckState.STALE) else result.overall.value
    planned = str(getattr(plan.checks.get(result.check_id), "expect", None) or "") if plan else ""
    lines = []
    for number, name in enumerate(names or [""]):
        quantity = result.quantities.get(name)
        expected = result.quantities.get(_EXPECTED.get(name, f"expected {name}"))
        shown = name.replace("_", " ")
        lines.append(
            Line(
                check_id=result.check_id or result.check,
                part=result.part,
                title=title,
                quantity=shown,
                expected=value_words(expected) if expected else (planned if number == 0 else ""),
                limits=limits_words(result.limits.get(name)),
                value=value_words(quantity) if quantity else result.reason,
                verdict=word,
                mark=MARKS.get(word, "○"),
                instruments=", ".join(result.instruments),
                date=entry.time[:10],
                entry=entry.seq,
                first=number == 0,
            )
        )
    return lines
