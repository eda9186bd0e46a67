"""History behind the listed results: earlier failures, withdrawals, skipped checks, and what was done."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from benchlog.finding import FindingKind
from benchlog.logbook import Entry
from benchlog.result import Result, Verdict

HISTORY_KINDS = ("result", "supersede", "skip", "substitution", "part")


def history(entries: Sequence[Entry], listed: Collection[int]) -> tuple[str, ...]:
    """One line for each earlier failure, withdrawal and skipped check, oldest first.

    Parameters
    ----------
    entries : sequence of Entry
        Of `HISTORY_KINDS`, in order.
    listed : collection of int
        Entries of the results in the table.

    Notes
    -----
    What was done: the part substituted or changed in state, and the next result of the same check on the same part.
    """
    results = {e.seq: Result.from_json(e.body) for e in entries if e.kind == "result"}
    withdrawn = {int(e.body["entry"]): e for e in entries if e.kind == "supersede"}
    lines = []
    for entry in entries:
        if entry.kind == "skip":
            check_id, part = str(entry.body.get("check_id", "")), str(entry.body.get("part", ""))
            said = f"skipped: {entry.body.get('reason', '')}"
        elif entry.kind == "result" and entry.seq not in listed:
            result = results[entry.seq]
            check_id, part = result.check_id or result.check, result.part
            gone = withdrawn.get(entry.seq)
            if gone is None and result.overall in (Verdict.PASS, Verdict.NOT_DONE):
                continue
            asked = [f for f in result.findings if f.kind is FindingKind.ENTRY]
            said = "; ".join([f"{result.overall}: {result.overall_reason}", *asked])
            if gone is not None:
                said = f"withdrawn ({gone.body.get('reason', '')}); it was {said}"
        else:
            continue
        done = "; ".join(_done(entries, entry.seq, check_id, part, results)) or "not measured again"
        name = " ".join(filter(None, (check_id.replace("_", " "), part)))
        lines.append(f"{name} ({entry.time[:10]}, entry {entry.seq}): {said}. Then: {done}")
    return tuple(lines)


def failed_before(entries: Sequence[Entry], listed: Mapping[int, Result]) -> int:
    """Number of listed results whose check had failed on that part before and was done again.

    Parameters
    ----------
    entries : sequence of Entry
    listed : mapping of int to Result
        Results in the table, by entry.
    """
    failed = set()
    for entry in entries:
        if entry.kind == "result" and entry.seq not in listed:
            result = Result.from_json(entry.body)
            if result.overall is Verdict.FAIL:
                failed.add((result.check_id or result.check, result.part))
    return sum((r.check_id or r.check, r.part) in failed for r in listed.values())


def _done(
    entries: Sequence[Entry], seq: int, check_id: str, part: str, results: dict[int, Result]
) -> list[str]:
    """Describe what was done to the part before its next result of the same check, and that result."""
    words = []
    for later in (e for e in entries if e.seq > seq):
        body = later.body
        if later.kind == "substitution" and body["part"] == part:
            words.append(f"{body['what']} ({body['reason']})")
        elif later.kind == "part" and body["part"] == part:
            words.append(f"{part} is now {body['state']}")
        elif later.kind == "result":
            result = results[later.seq]
            if (result.check_id or result.check, result.part) == (check_id, part):
                return [*words, f"{result.overall} in entry {later.seq}"]
    return words
