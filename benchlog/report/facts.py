"""Everything a certificate states, gathered from plan and logbook; no layout here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from benchlog.finding import FindingKind
from benchlog.logbook import Entry, Logbook
from benchlog.logbook.clock_steps import clock_doubts
from benchlog.logbook.recalled import RecallClass
from benchlog.logbook.salvage import intact_entries
from benchlog.logbook.verify import verify
from benchlog.plan import Plan
from benchlog.project.meter_trust import meter_trust
from benchlog.project.provenance import Blamed
from benchlog.project.state import STATE_KINDS, CheckState, HoldState, HoldStatus
from benchlog.report.attached import Attached, attached_files
from benchlog.report.evidence import HISTORY_KINDS, Counted, Evidence, evidence_of, failed_before, history
from benchlog.report.method import instrument_lines
from benchlog.report.table import Tested, still_counts, tested_of
from benchlog.result import Result

_KINDS = tuple(dict.fromkeys((*STATE_KINDS, *HISTORY_KINDS, "attachment")))


@dataclass(frozen=True, slots=True)
class Facts:
    """Statements of the certificate."""

    project: str
    #: First line: how many of the checks passed; what is damaged, recalled, indeterminate, failed.
    headline: str
    clean: bool  #: Whether the headline says that nothing is wrong.
    tested: tuple[Tested, ...]
    #: The results shown, in the plan's order.
    results: tuple[tuple[Entry, Result], ...]
    not_tested: tuple[str, ...]
    open_points: tuple[str, ...]
    history: tuple[str, ...]  #: What failed, was withdrawn or skipped before, and what was done then.
    clock: tuple[str, ...]  #: Why dates may be wrong.
    holds: tuple[HoldStatus, ...]
    substitutions: tuple[Entry, ...]
    recalls: tuple[str, ...]
    meters: tuple[str, ...]
    cautions: tuple[str, ...]
    design: tuple[str, ...]
    attached: tuple[Attached, ...]
    first_time: str
    last_time: str
    entries: int
    head: str
    witnesses: tuple[str, ...]
    damage: tuple[str, ...]
    simulated: str = ""  #: Says so where results are of the simulated bench.


def gather(book: Logbook, plan: Plan | None, now_utc_ns: int) -> Facts:
    """Collect what a certificate of this logbook states; of a damaged one what is intact, and that it is damaged.

    Parameters
    ----------
    plan : Plan, optional
        Orders the checks and says what was not tested; without it every latest result is listed.
    now_utc_ns : int
        Now; the age of results is counted back from here.
    """
    proof = verify(book.path)
    damage = tuple(fault.what for fault in proof.faults)
    entries = _entries(book, damaged=bool(damage))
    evidence = evidence_of(plan, entries, now_utc_ns)
    shown = {entry.seq: result for entry, result in evidence.results}
    results = list(shown.values())
    again = failed_before(entries, shown)
    tried = any(entry.kind == "result" for entry in entries)
    headline, clean = _headline(evidence, damage, again, tried=tried)
    practice = all(map(_is_practice, results))
    times = [entry.time for entry, _ in evidence.results]
    cautions = [*_energy(plan), *(caution for result in results for caution in result.cautions)]
    attachments, standards = _of_kind(entries, "attachment"), _of_kind(entries, "standard")
    return Facts(
        project=plan.project.name if plan else "all results of the logbook",
        headline=headline,
        clean=clean,
        tested=tuple(tested_of(book, plan, counted, practice=practice) for counted in evidence.counted),
        results=evidence.results,
        not_tested=evidence.not_tested,
        open_points=_open_points(evidence),
        history=history(entries, shown),
        clock=() if damage else tuple(_clock_words(book, now_utc_ns)),
        holds=evidence.holds,
        substitutions=evidence.substitutions,
        recalls=tuple(_recall_words(entry) for entry in evidence.recalls),
        meters=instrument_lines(results, meter_trust(entries, now_utc_ns), standards),
        cautions=tuple(dict.fromkeys(cautions)),
        design=tuple(line for counted in evidence.counted for line in _design(counted)),
        attached=tuple(attached_files(book, attachments)),
        first_time=min(times, default=""),
        last_time=max(times, default=""),
        entries=proof.entries,
        head=proof.head,
        witnesses=tuple(witness.words for witness in proof.witnesses),
        damage=damage,
        simulated=_simulated(results),
    )


def _simulated(results: Sequence[Result]) -> str:
    practice = sum(map(_is_practice, results))
    if not practice:
        return ""
    which = "All results are" if practice == len(results) else f"{practice} of {len(results)} results are"
    return f"Practice. {which} from the simulated bench: no real part was tested by them."


def _is_practice(result: Result) -> bool:
    return any(f.kind is FindingKind.SIMULATED for f in result.findings)


def _of_kind(entries: Sequence[Entry], kind: str) -> list[Entry]:
    return [entry for entry in entries if entry.kind == kind]


def _clock_words(book: Logbook, now_utc_ns: int) -> list[str]:
    return [doubt.words for doubt in clock_doubts(book, now_utc_ns)]


def _design(counted: Counted) -> list[str]:
    """Checks of the design, which are worth as much as the measurement that they rest on."""
    words = (
        "{0}"
        if counted.state not in (CheckState.RECALLED, CheckState.STALE)
        else f"{counted.state}, was {{0}}"
    )
    if still := still_counts(counted):
        words += f" ({still})"
    return [
        f"{counted.name}: {words.format(check.verdict)}: {check.reason}"
        for check in counted.result.design_checks
    ]


def _entries(book: Logbook, *, damaged: bool) -> list[Entry]:
    """Entries used here, in order; unreadable results of a damaged logbook are left out."""
    if not damaged:
        return list(book.entries(_KINDS))
    found = []
    for entry in intact_entries(book, lambda seq, what: None):
        if entry.kind in _KINDS and (entry.kind != "result" or _is_result(entry)):
            found.append(entry)
    return found


def _is_result(entry: Entry) -> bool:
    try:
        Result.from_json(entry.body)
    except (msgspec.ValidationError, TypeError, AttributeError):
        return False
    return True


#: What a check counts as, other than passed, in the order of the headline.
_STATE_WORDS = {
    CheckState.RECALLED: "recalled (relied on something found bad)",
    CheckState.FAILED: "failed",
    CheckState.INDETERMINATE: "indeterminate",
    CheckState.DUE: "not done",
    CheckState.STALE: "no longer current",
}


def _headline(
    evidence: Evidence, damage: Sequence[str], again: Mapping[tuple[str, str], Sequence[int]], *, tried: bool
) -> tuple[str, bool]:
    """First line, and whether nothing is wrong."""
    damaged, wrong = _damage_words(damage), _wrong(evidence)
    if not evidence.counted:
        first = next(iter([*damaged, *wrong]), "")
        nothing = "No result counts." if tried else "Nothing was tested."
        return f"{nothing}{f' Attention: {first}.' if first else ''}", False
    passed = sum(counted.state is CheckState.PASSED for counted in evidence.counted)
    total = len(evidence.counted) + len(evidence.not_tested)
    count = f"{passed} of {total} check{'s' if total != 1 else ''} passed"
    if again:
        failures = sorted(seq for entries in again.values() for seq in entries)
        where = f"entr{'y' if len(failures) == 1 else 'ies'} {_some(list(map(str, failures)))}"
        count += (
            f"; {len(again)} failed before ({where}) and {'was' if len(again) == 1 else 'were'} done again"
        )
    rest = f" {len(evidence.not_tested)} not tested." if evidence.not_tested else ""
    if damaged or wrong:
        return f"Attention: {'; '.join([*damaged, count, *wrong])}.{rest}", False
    return f"{count}.{rest}", True


def _damage_words(damage: Sequence[str]) -> list[str]:
    if not damage:
        return []
    more = f" and {len(damage) - 1} more" if len(damage) > 1 else ""
    listed = "only intact entries are listed, and the digest proves nothing"
    return [f"the logbook is damaged ({damage[0]}{more}); {listed}"]


def _wrong(evidence: Evidence) -> list[str]:
    """Everything that is wrong: checks by state, recalls, hold points released by concession."""
    found = [
        ([_where(counted) for counted in evidence.counted if counted.state is state], words)
        for state, words in _STATE_WORDS.items()
    ]
    found.append((list(map(_where, evidence.still_valid)), "recalled, but still valid"))
    for state in (HoldState.TAKEN_RECALLED, HoldState.CONCESSION):
        held = [f"{h.hold.id} ({h.hold.step})" for h in evidence.holds if h.state is state]
        found.append((held, state.words))
    return [f"{_some(ids)} {words}" for ids, words in found if ids]


def _where(counted: Counted) -> str:
    """A check with its part and entry, so that it is found on the page and in the record."""
    place = ", ".join(filter(None, (counted.result.part, f"entry {counted.entry.seq}")))
    return f"{counted.name} ({place})"


def _some(ids: Sequence[str]) -> str:
    return ", ".join(ids[:12]) + (f" and {len(ids) - 12} more" if len(ids) > 12 else "")


def _open_points(evidence: Evidence) -> tuple[str, ...]:
    lines = []
    for counted in evidence.counted:
        recalled = counted.state is CheckState.RECALLED
        why = counted.recalled[0].kind.words if recalled else counted.result.overall_reason
        if counted.state is not CheckState.PASSED:
            lines.append(f"{counted.name}: {counted.state}: {why}")
    return tuple(lines)


def _recall_words(entry: Entry) -> str:
    body = entry.body
    kinds: dict[str, list[str]] = {}
    for item in body["results"]:
        what = f"{item['check_id'] or 'a result'} (entry {item['entry']})"
        kinds.setdefault(RecallClass(item["class"]).words, []).append(what)
    said = "; ".join(f"{kind}: {', '.join(names)}" for kind, names in kinds.items())
    found = " ".join(filter(None, (body["meter"], "was found bad", Blamed.from_body(body).where)))
    return (
        f"{found} ({entry.time[:10]}, entry {entry.seq}: {body['reason']}). "
        f"Results that had used it: {said or 'none'}"
    )


def _energy(plan: Plan | None) -> list[str]:
    parts = plan.parts.values() if plan else ()
    return [f"can store energy: {p.tag} {p.name}: {p.stored_energy}" for p in parts if p.stored_energy]
