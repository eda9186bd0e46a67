"""Whether each meter can be trusted, and when each function was checked on which standard."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

import msgspec

from benchlog.clock import DAY_NS
from benchlog.logbook.chain import Entry
from benchlog.logbook.clock_steps import after_now, ago
from benchlog.project.meter_doubt import Doubt, MeterDoubts, compared_meters, says_nothing
from benchlog.reading import Function

_REST_NS = 61 * DAY_NS  # batteries may have run down; common practice, no source


class Trust(StrEnum):
    """Whether a meter can be trusted."""

    GOOD = "trust"
    CHECK_FIRST = "check first"
    NONE = "do not trust"


class FunctionCheck(msgspec.Struct, frozen=True):
    """Last check of one function: on a standard, or if it never was, against other meters."""

    function: str
    standard: str = ""
    agreed_with: str = ""  #: Meters it agreed with in a cross-check.
    date: str = ""
    ago: str = ""
    e_n: float = 0.0
    passed: bool = True
    #: The check before an adjustment or a new battery; this one is after it.
    as_found: FunctionCheck | None = None

    @property
    def name(self) -> str:
        """The function as usually written: ``V dc``."""
        coupling = Function(self.function).coupling if self.function in tuple(Function) else ""
        return f"{Function(self.function).unit} {coupling}" if coupling else self.function

    def words(self, *, dated: bool) -> str:
        """``V dc checked with CS-3 2 days ago``; on paper with the date."""
        when = f"on {self.date}" if dated else self.ago
        if self.agreed_with:
            return f"{self.name} agreed with {self.agreed_with} {when}"
        number = f" ({self._scores})" if dated else ""
        return f"{self.name} {'checked with' if self.passed else 'FAILED'} {self.standard} {when}{number}"

    @property
    def _scores(self) -> str:
        """E_n as found, and as left where it was adjusted."""
        if self.as_found is None:
            return f"E_n {abs(self.e_n):.2f}"
        before = f" on {self.as_found.date}" if self.as_found.date != self.date else ""
        return f"E_n {abs(self.as_found.e_n):.2f} as found{before}, {abs(self.e_n):.2f} as left"


class MeterTrust(msgspec.Struct, frozen=True):
    """Whether a meter can be trusted, and why; `dated` is the reason for a doubt with its date, for paper, else empty.

    `functions` are those that were ever checked.
    """

    tag: str
    word: Trust
    reason: str
    dated: str
    functions: tuple[FunctionCheck, ...] = ()

    def checked(self, used: Iterable[str]) -> tuple[FunctionCheck, ...]:
        """Checks of all functions that are in use or were ever checked; unchecked ones included."""
        unchecked = {function: FunctionCheck(function) for function in used if function}
        return tuple((unchecked | {check.function: check for check in self.functions}).values())


def checked_words(checks: Iterable[FunctionCheck], *, dated: bool = False) -> str:
    """Checks by function in one line: ``V dc checked with CS-3 2 days ago; ohm never checked``."""
    known = list(checks)
    found = [check.words(dated=dated) for check in known if check.date]
    never = [check.name for check in known if not check.date]
    return "; ".join([*found, *([f"{', '.join(never)} never checked"] if never else [])])


def meter_trust(entries: Iterable[Entry], now_utc_ns: int) -> tuple[MeterTrust, ...]:
    """Judge each meter by its last check on a standard and by doubts about it.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds of `EVIDENCE_KINDS` matter.
    """
    known = list(entries)
    doubts = MeterDoubts(known)
    counted = [e for e in known if e.seq not in doubts.taken_back and not says_nothing(e)]
    last = {str(e.body["meter"]): e for e in counted if e.kind == "standard"}
    repaired = {str(e.body["meter"]): e for e in counted if e.kind == "repair"}
    functions = _checks(counted, doubts, now_utc_ns)
    found = []
    for tag in sorted({*last, *doubts.meters}):
        checked = tuple(functions.get(tag, {}).values())
        doubt = doubts.of(tag)
        if doubt is not None:
            found.append(_doubted(tag, doubt, checked, now_utc_ns))
        elif tag in last:  # else it was blamed once, and that was undone
            trust = _by_standard(tag, last[tag], repaired.get(tag), checked, now_utc_ns)
            found.append(_contradicted(trust, counted, doubts))
    return tuple(found)


def _doubted(tag: str, doubt: Doubt, checked: tuple[FunctionCheck, ...], now_utc_ns: int) -> MeterTrust:
    when = ago(doubt.utc_ns, now_utc_ns)
    if doubt.repaired:
        why = f"{when} it {doubt.happened}"
    elif doubt.standard or doubt.passed_on or doubt.cause:
        why = f"{doubt.happened} {when}"
    else:
        why = f"recalled in entry {doubt.entry}"
    dated = f"in doubt since {doubt.time[:10]}: {doubt.happened or why}"
    return MeterTrust(tag, Trust.CHECK_FIRST if doubt.repaired else Trust.NONE, why, dated, checked)


def _checks(
    entries: Iterable[Entry], doubts: MeterDoubts, now_utc_ns: int
) -> dict[str, dict[str, FunctionCheck]]:
    """The last check of each meter in each function; a standard takes precedence over other meters."""
    found: dict[str, dict[str, FunctionCheck]] = {}
    for entry in entries:
        body, used = entry.body, compared_meters(entry)
        if entry.kind == "standard":
            mine = found.setdefault(str(body["meter"]), {})
            check = _on_standard(entry, mine.get(str(body["function"])), now_utc_ns)
            mine[check.function] = check
        elif used and body["verdict"] == "pass":
            if any(doubts.before_end(tag, function, entry.seq) for tag, function in used.items()):
                continue
            for tag, function in used.items():
                others = ", ".join(other for other in used if other != tag)
                mine = found.setdefault(tag, {})
                if function not in mine or mine[function].agreed_with:
                    when = ago(entry.utc_ns, now_utc_ns)
                    mine[function] = FunctionCheck(function, "", others, entry.time[:10], when)
    return found


def _on_standard(entry: Entry, before: FunctionCheck | None, now_utc_ns: int) -> FunctionCheck:
    """A check on a standard; `before` is the one before it in this function."""
    body = entry.body
    adjusted = body.get("as") == "left" and before is not None and before.standard
    return FunctionCheck(
        function=str(body["function"]),
        standard=str(body["standard"]),
        date=entry.time[:10],
        ago=ago(entry.utc_ns, now_utc_ns),
        e_n=float(body["e_n"]),
        passed=body.get("verdict") == "pass",
        as_found=before.as_found or before if before is not None and adjusted else None,
    )


def _name(entry: Entry) -> str:
    return FunctionCheck(str(entry.body["function"])).name


def _contradicted(trust: MeterTrust, entries: list[Entry], doubts: MeterDoubts) -> MeterTrust:
    """Add what failed cross-checks say against a meter that its check standard says is good."""
    if trust.word is not Trust.GOOD:
        return trust
    failed = [compared_meters(e) for e in entries if e.body.get("verdict") == "fail"]
    used = dict.fromkeys(compared[trust.tag] for compared in failed if trust.tag in compared)
    if not used:
        return trust
    from benchlog.project.meter_known import in_crosscheck  # most meters have no such comparison

    said = {f: in_crosscheck(entries, doubts, trust.tag, f) for f in used}
    words = [f"on {FunctionCheck(f).name} in doubt: {known.happened}" for f, known in said.items() if known]
    word = Trust.CHECK_FIRST if words else Trust.GOOD
    return msgspec.structs.replace(trust, word=word, reason="; ".join([trust.reason, *words]))


def _by_standard(
    tag: str, last: Entry, repaired: Entry | None, checked: tuple[FunctionCheck, ...], now_utc_ns: int
) -> MeterTrust:
    ago_words = ago(last.utc_ns, now_utc_ns)
    word, why = Trust.CHECK_FIRST, f"last check standard {ago_words}"
    if repaired is not None and repaired.seq > last.seq:
        why = f"repaired {ago(repaired.utc_ns, now_utc_ns)}, not checked since"
    elif now_utc_ns - last.utc_ns > _REST_NS:
        why = f"{why}; batteries may have run down"
    elif last.body.get("verdict") == "pass" and not after_now(last.utc_ns, now_utc_ns):
        word, why = Trust.GOOD, f"agreed with its check standard on {_name(last)} {ago_words}"
    return MeterTrust(tag, word, why, "", checked)
