"""What a guided run reads from its logbook, and withdraws in it."""

from __future__ import annotations

from benchlog.clock import DAY_NS
from benchlog.logbook import Entry, Logbook
from benchlog.project.meter_known import KNOWN_KINDS, Known, known_of_meter
from benchlog.reading import Function

_JACKS = {str(f): f for f in Function if f.is_current or f.is_volts}
_RESULTS_LOOKED_AT = 100
#: After this time batteries may have run down and contacts oxidised; common practice, no source.
REST_NS = 60 * DAY_NS


def last_of_session(book: Logbook) -> Entry | None:
    """Newest result of this session that still counts and belongs to, or was adopted for, a check of the plan."""
    superseded = book.superseded()
    for entry in book.entries(("result", "adoption"), newest_first=True, limit=_RESULTS_LOOKED_AT):
        if entry.session != book.session:
            return None
        if entry.seq not in superseded and entry.body.get("check_id"):
            return entry
    return None


def meters_left_on_current(book: Logbook) -> set[str]:
    """Meters that last measured current: a lead may still be in the current jack."""
    last: dict[str, str] = {}
    for entry in book.entries("result", newest_first=True, limit=_RESULTS_LOOKED_AT):
        for tag, function in dict(entry.body.get("functions", {})).items():
            for one in reversed(str(function).split(", ")):
                if one in _JACKS:
                    last.setdefault(str(tag), one)
    return {tag for tag, function in last.items() if _JACKS[function].is_current}


def months_of_rest(book: Logbook, now_utc_ns: int) -> bool:
    """Whether the bench was not used for about two months."""
    last = next(iter(book.entries("result", newest_first=True, limit=1)), None)
    return last is not None and now_utc_ns - last.utc_ns > REST_NS


def known_of(book: Logbook, tag: str, function: Function, now_utc_ns: int) -> tuple[Known, ...]:
    """What the record knows of a meter, for a diagnosis."""
    return known_of_meter(book.entries(KNOWN_KINDS), tag, str(function), now_utc_ns)


def note_found_bad(book: Logbook, check_id: str, tag: str, function: Function, cause: str) -> None:
    """Record that a diagnosis found a meter bad; it is in doubt until it passes a check standard."""
    body = {"meter": tag, "function": str(function), "cause": cause, "check_id": check_id}
    book.append("found bad", body)


def note_new_battery(book: Logbook, tag: str) -> None:
    """Record a new battery: it ends a doubt without a check standard, and what was known of the meter's error."""
    book.append("repair", {"meter": tag, "reason": "new battery"})


def supersede(book: Logbook, reference: str, reason: str) -> None:
    """Withdraw an entry by a reference like ``"readings:12"``."""
    book.supersede(int(reference.partition(":")[2]), reason)


def withdraw(book: Logbook, result: Entry, reason: str) -> None:
    """Withdraw a result, and meters found bad in its check."""
    book.supersede(result.seq, reason)
    withdraw_found_bad(book, str(result.body.get("check_id", "")), reason)


def withdraw_found_bad(book: Logbook, check_id: str, reason: str) -> None:
    """Withdraw that meters were found bad in a check of this session."""
    superseded = book.superseded()
    for entry in book.entries("found bad", newest_first=True):
        if entry.session != book.session:
            return
        if entry.body.get("check_id") == check_id and entry.seq not in superseded:
            book.supersede(entry.seq, reason)


def withdraw_standard(book: Logbook, after: int, reason: str) -> None:
    """Withdraw the check-standard reading recorded after an entry, and its recall."""
    for entry in list(book.entries(("standard", "exploratory", "recall"), after)):
        if entry.kind == "recall":
            body = {"entry": entry.seq, "meter": str(entry.body["meter"]), "reason": reason}
            book.append("recall undone", body)
        else:
            book.supersede(entry.seq, reason)
