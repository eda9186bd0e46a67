"""Whether each meter may be trusted, and in which functions it was held against a check standard, when and which."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

import msgspec

from benchlog.clock import DAY_NS
from benchlog.logbook.chain import Entry
from benchlog.logbook.clock_steps import after_now, ago
from benchlog.project.meter_doubt import MeterDoubts
from benchlog.reading import Function

_REST_NS = 61 * DAY_NS  # batteries may have run down; common practice, no source


class Trust(StrEnum):
    """Whether a meter may be trusted."""

    GOOD = "trust"
    CHECK_FIRST = "check first"
    NONE = "do not trust"


class FunctionCheck(msgspec.Struct, frozen=True):
    """Last reading of a check standard in one function; an empty `standard` means that there was none."""

    function: str
    standard: str = ""
    date: str = ""
    ago: str = ""
    e_n: float = 0.0

    @property
    def name(self) -> str:
        """The function as people say it: ``V dc``."""
        coupling = Function(self.function).coupling if self.function in tuple(Function) else ""
        return f"{Function(self.function).unit} {coupling}" if coupling else self.function


class MeterTrust(msgspec.Struct, frozen=True):
    """Whether a meter may be trusted, and why; `dated` is why it is in doubt, with the date, for paper; else empty.

    `functions` has those it was ever checked in.
    """

    tag: str
    word: Trust
    reason: str
    dated: str
    functions: tuple[FunctionCheck, ...] = ()

    def checked(self, used: Iterable[str]) -> tuple[FunctionCheck, ...]:
        """Checks of the functions in use and of all others that were checked; those never checked say so."""
        unchecked = {function: FunctionCheck(function) for function in used if function}
        return tuple((unchecked | {check.function: check for check in self.functions}).values())


def checked_words(checks: Iterable[FunctionCheck], *, dated: bool = False) -> str:
    """Checks by function in one line, with dates for paper: ``V dc checked with CS-3 2 days ago; ohm never checked``."""
    found, never = [], []
    for check in checks:
        if not check.standard:
            never.append(check.name)
        elif dated:
            found.append(
                f"{check.name} checked with {check.standard} on {check.date} (E_n {abs(check.e_n):.2f})"
            )
        else:
            found.append(f"{check.name} checked with {check.standard} {check.ago}")
    return "; ".join([*found, *([f"{', '.join(never)} never checked"] if never else [])])


def meter_trust(entries: Iterable[Entry], now_utc_ns: int) -> tuple[MeterTrust, ...]:
    """Judge each meter by its last check-standard reading and by what has put it in doubt.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds of `DOUBT_KINDS` matter.
    """
    known = list(entries)
    doubts = MeterDoubts(known)
    last: dict[str, Entry] = {}
    functions: dict[str, dict[str, FunctionCheck]] = {}
    for entry in known:
        if entry.kind != "standard":
            continue
        tag, body = str(entry.body["meter"]), entry.body
        last[tag] = entry
        when = ago(entry.utc_ns, now_utc_ns)
        check = FunctionCheck(
            str(body["function"]), str(body["standard"]), entry.time[:10], when, float(body["e_n"])
        )
        functions.setdefault(tag, {})[check.function] = check
    found = []
    for tag in sorted({*last, *doubts.meters}):
        checked = tuple(functions.get(tag, {}).values())
        doubt = doubts.of(tag)
        if doubt is not None:
            told = doubt.standard or doubt.passed_on or doubt.cause
            why = (
                f"{doubt.happened} {ago(doubt.utc_ns, now_utc_ns)}"
                if told
                else f"recalled in entry {doubt.entry}"
            )
            dated = f"in doubt since {doubt.time[:10]}: {doubt.happened or why}"
            found.append(MeterTrust(tag, Trust.NONE, why, dated, checked))
        elif tag in last:  # else blamed once, and the blame was taken back
            found.append(_by_standard(tag, last[tag], checked, now_utc_ns))
    return tuple(found)


def _by_standard(tag: str, last: Entry, checked: tuple[FunctionCheck, ...], now_utc_ns: int) -> MeterTrust:
    ago_words = ago(last.utc_ns, now_utc_ns)
    if after_now(last.utc_ns, now_utc_ns):
        word, why = Trust.CHECK_FIRST, f"last check standard {ago_words}"
    elif now_utc_ns - last.utc_ns > _REST_NS:
        word, why = Trust.CHECK_FIRST, f"last check standard {ago_words}; batteries may have run down"
    else:
        word, why = Trust.GOOD, f"agreed with its check standard {ago_words}"
    return MeterTrust(tag, word, why, "", checked)
