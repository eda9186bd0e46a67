"""Let a result measured outside the plan count for one of its checks.

The result keeps its own entry, so a recall, a withdrawal or a doubt about its instruments still applies to it. Its limits
were typed with the reading, as the certificate says; they must equal the plan's.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import msgspec

from benchlog.clock import DAY_NS
from benchlog.finding import Finding, FindingKind
from benchlog.logbook import EntryRef, Logbook
from benchlog.logbook.chain import Entry
from benchlog.plan import Check, kind_of
from benchlog.result import Limits, Result, Verdict

_SAME = 1e-9  # limits written with another prefix differ by rounding


def find_adoptable(
    check: Check,
    limits: Mapping[str, Limits],
    entries: Iterable[Entry],
    now_utc_ns: int,
    *,
    practice: bool = False,
) -> tuple[Entry, Result] | None:
    """Return the latest result that could count for a check.

    Parameters
    ----------
    limits : mapping of str to Limits
        Limits of the plan; without any, no result is found.
    entries : iterable of Entry
        Of the kinds ``result``, ``supersede``, ``adoption`` and ``substitution``, in order.
    now_utc_ns : int
        Now; the age of results is counted back from here.
    practice : bool
        Results from the simulated bench count, too.
    """
    found: tuple[Entry, Result] | None = None
    gone: set[int] = set()
    for entry in entries:
        if entry.kind in ("supersede", "adoption"):
            gone.add(int(entry.body["entry"]))
        elif entry.kind == "substitution" and entry.body["part"] == check.part:
            found = None
        elif entry.kind == "result" and not entry.body.get("check_id") and limits:
            old = check.valid_days is not None and now_utc_ns - entry.utc_ns > check.valid_days * DAY_NS
            result = Result.from_json(entry.body)
            if not old and (practice or not result.practice) and _fits(check, limits, result):
                found = entry, result
        if found is not None and found[0].seq in gone:
            found = None
    return found


def _fits(check: Check, limits: Mapping[str, Limits], result: Result) -> bool:
    kind = kind_of(check)
    named = set(check.meters_named) | set(getattr(check, "meters", ()))
    return (
        result.part == check.part
        and result.check == (kind.result or kind.tag)
        and result.overall is Verdict.PASS
        and named <= set(result.instruments)
        and (getattr(check, "capacitor", None) is None or bool(result.design_checks))
        and all(_same(limit, result.limits.get(name)) for name, limit in limits.items())
    )


def _same(planned: Limits, used: Limits | None) -> bool:
    if used is None or planned.unit != used.unit:
        return False
    pairs = ((planned.low, used.low), (planned.high, used.high))
    return all(
        a is b or (a is not None and b is not None and math.isclose(a, b, rel_tol=_SAME)) for a, b in pairs
    )


def adopt(book: Logbook, check: Check, entry: Entry, part_state: str) -> EntryRef:
    """Write down that a result counts for a check, with its digest and the state the part was in."""
    body = {
        "check_id": check.id,
        "revision": check.revision,
        "part": check.part,
        "part_state": part_state,
        "entry": entry.seq,
        "digest": entry.digest,
    }
    return book.append("adoption", body)


def adopted(result: Result, adoption: Entry) -> Result:
    """Return a result as one of the check that adopted it."""
    body = adoption.body
    said = f"measured outside the plan, counted for {body['check_id']} on {adoption.time[:10]} (entry {adoption.seq})"
    return msgspec.structs.replace(
        result,
        check_id=str(body["check_id"]),
        check_revision=str(body["revision"]),
        part_state=str(body["part_state"]),
        findings=(*result.findings, Finding(FindingKind.ENTRY, said)),
    )
