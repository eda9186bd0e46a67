"""Context for a diagnosis from the record: what check standards and comparisons with other meters say of a meter."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Any

import msgspec

from benchlog.logbook.chain import Entry
from benchlog.project.meter_doubt import EVIDENCE_KINDS, MeterDoubts, compared_meters
from benchlog.project.open_doubts import open_doubts
from benchlog.project.provenance import shares
from benchlog.project.suspect import Kind

STANDARD_FAILED, STANDARD_PASSED = "standard failed", "standard passed"
ODD_ONE_OUT, DISAGREED = "odd one out", "meters disagreed"
#: Kinds of entries that matter here.
KNOWN_KINDS = (*EVIDENCE_KINDS, "doubt")
_COMPARED = (Kind.DISAGREES, Kind.DRIFTS)
#: A check standard read within these hours counts as today's: judgement.
_SITTING_NS = 12 * 3600 * 1_000_000_000


class Known(msgspec.Struct, frozen=True):
    """One thing that the record knows of a meter: the context of a diagnosis, and what happened, as a clause."""

    context: str
    happened: str

    @property
    def line(self) -> str:
        """What happened, and what follows from it."""
        likely = "less" if self.context == STANDARD_PASSED else "more"
        return f"On record: {self.happened}, so a meter fault is {likely} likely."


def known_of_meter(entries: Iterable[Entry], meter: str, function: str, now_utc_ns: int) -> tuple[Known, ...]:
    """Return what the record knows of a meter that a diagnosis should take into account.

    Parameters
    ----------
    entries : iterable of Entry
        In order; kinds of `KNOWN_KINDS` matter.
    function : str
        Of the reading, like ``"V="``.

    Returns
    -------
    tuple of Known
        ``"standard failed"`` while a failed check standard or a recall puts the meter in doubt on this function. Else
        ``"standard passed"`` if it read a check standard correctly on this very function in the last hours, and
        ``"odd one out"`` or ``"meters disagreed"`` if other meters contradict it and nothing has settled that since.
    """
    known = list(entries)
    doubts = MeterDoubts(known)
    if (doubt := doubts.of(meter, function)) is not None:
        return (Known(STANDARD_FAILED, f"{meter} {doubt.happened} (entry {doubt.entry})"),)
    counted = [e for e in known if e.seq not in doubts.taken_back]
    passed = any(
        _passed(e, function) and e.body["meter"] == meter and 0 <= now_utc_ns - e.utc_ns <= _SITTING_NS
        for e in counted
    )
    found = [Known(STANDARD_PASSED, f"{meter} read a check standard correctly on {function} today")]
    contradicted = in_crosscheck(counted, doubts, meter, function) or _in_watch(
        known, doubts, meter, function
    )
    return (*found[:passed], *([contradicted] if contradicted else []))


def in_crosscheck(entries: Sequence[Entry], doubts: MeterDoubts, meter: str, function: str) -> Known | None:
    """The last failed cross-check that says something against a meter, unless the meter was found good since."""
    found = None
    for number, entry in enumerate(entries):
        body = entry.body
        if entry.kind in ("standard", "repair") and body["meter"] == meter:
            found = None if shares(str(body.get("function", "")), function) else found
        used = compared_meters(entry)
        if meter in used and shares(used[meter], function):
            bad = any(doubts.before_end(t, f, entry.seq) for t, f in used.items() if t != meter)
            if body["verdict"] == "pass" and not bad:
                found = None
            elif body["verdict"] == "fail":
                good = {str(e.body["meter"]) for e in entries[number:] if _passed(e, function)}
                found = _blamed(entry, meter, good, other_bad=bad) or found
    return found


def _passed(entry: Entry, function: str) -> bool:
    return entry.kind == "standard" and (entry.body["function"], entry.body["verdict"]) == (function, "pass")


def _blamed(entry: Entry, meter: str, good: Collection[str], *, other_bad: bool) -> Known | None:
    """What a failed cross-check says against a meter, with the meters found good since, or another found bad."""
    details: Mapping[str, Any] = dict(entry.body.get("details", {}))
    if (odd := details.get("odd_one_out")) is not None:
        happened = f"{meter} was the odd one out in a cross-check (entry {entry.seq})"
        return Known(ODD_ONE_OUT, happened) if odd == meter else None
    pairs = ((str(p["first"]), str(p["second"])) for p in details.get("pairs", ()) if p["e_n"] > 1)
    others = [one if other == meter else other for one, other in pairs if meter in (one, other)]
    if other_bad or not others:
        return None
    happened = f"{meter} disagreed with {' and '.join(others)} in a cross-check (entry {entry.seq})"
    if set(others) <= set(good):
        return Known(
            ODD_ONE_OUT, f"{happened}, and {' and '.join(others)} read a check standard correctly since"
        )
    return Known(DISAGREED, happened)


def _in_watch(entries: Iterable[Entry], doubts: MeterDoubts, meter: str, function: str) -> Known | None:
    """What an unsettled doubt of a watch says against a meter, unless another meter in it was found bad since."""
    for suspect in reversed(open_doubts(entries)):
        ours = suspect.function is None or shares(suspect.function.value, function)
        if suspect.kind not in _COMPARED or meter not in suspect.tags or not ours:
            continue
        others = [tag for tag in suspect.tags if tag != meter]
        if not others:
            return Known(ODD_ONE_OUT, f"{meter} disagreed in a watch, and no other meter there is in doubt")
        if not any(doubts.of(tag, function) for tag in others):
            return Known(DISAGREED, f"{meter} disagreed with {' and '.join(others)} in a watch")
    return None
