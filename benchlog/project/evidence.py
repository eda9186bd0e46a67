"""Recording of a result together with its evidence: readings and captures."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from benchlog.capture import Capture
from benchlog.clock import Clock, rfc3339
from benchlog.finding import Finding, FindingKind
from benchlog.logbook import Logbook
from benchlog.plan import Plan
from benchlog.reading import Reading
from benchlog.result import Record, Result


def record_result(
    book: Logbook,
    clock: Clock,
    result: Result,
    *,
    readings: Sequence[Reading] | Mapping[str, Reading] = (),
    captures: Sequence[Capture] = (),
    simulated: bool = False,
) -> Result:
    """Write a result and its evidence into an open logbook, all or nothing; returns it with time, evidence and entry.

    A result from the simulated bench is marked, so that nobody takes practice for a test. Readings in a
    mapping are recorded with what each is to the check.
    """
    if simulated:
        practice = Finding(FindingKind.SIMULATED, "practice: measured on the simulated bench")
        result = msgspec.structs.replace(result, findings=(*result.findings, practice))
    now, mono = clock.utc_ns(), clock.monotonic_ns()
    evidence = list(result.evidence)
    with book.transaction():
        if readings:
            uses, taken = (
                (list(readings), readings.values()) if isinstance(readings, Mapping) else ([], readings)
            )
            stamped = [r if r.utc_ns else r.stamped(r.instrument, now, mono) for r in taken]
            evidence.append(f"readings:{book.append_readings(stamped, uses=uses).seq}")
        evidence.extend(f"capture:{book.append_capture(capture).seq}" for capture in captures)
        result = msgspec.structs.replace(result, time=result.time or rfc3339(now), evidence=tuple(evidence))
        entry = book.append_result(result)
    return msgspec.structs.replace(result, record=Record(str(book.path), entry.seq, f"sha256:{entry.digest}"))


def record_plan(plan: Plan, book: Logbook) -> None:
    """Record the plan's digest if it changed, and substitutions that are not in the logbook yet."""
    digest = hashlib.sha256(Path(plan.path).read_bytes()).hexdigest()
    revisions = {c.id: c.revision for c in plan.checks.values()}
    last = next(iter(book.entries("plan", newest_first=True, limit=1)), None)
    if last is None or last.body.get("sha256") != digest:
        book.append("plan", {"project": plan.project.name, "sha256": digest, "checks": revisions})
    known = [(e.body["part"], e.body["what"]) for e in book.entries("substitution")]
    for substitution in plan.substitutions:
        if (substitution.part, substitution.what) not in known:
            book.append("substitution", msgspec.to_builtins(substitution))
