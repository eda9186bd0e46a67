"""What the record says that a guided run must know before it begins."""

from __future__ import annotations

from benchlog.logbook import Entry, Logbook
from benchlog.reading import Function

__all__ = ["last_of_session", "meters_left_on_current", "months_of_rest"]

_JACKS = {str(f): f for f in Function if f.is_current or f.is_volts}
_RESULTS_LOOKED_AT = 100
#: A bench that lay still so long has cells that ran down and contacts that oxidised; common practice, no source.
REST_NS = 60 * 86_400_000_000_000


def last_of_session(book: Logbook) -> Entry | None:
    """Newest result of a plan's check in the session under way that still counts."""
    superseded = book.superseded()
    for entry in book.entries("result", newest_first=True, limit=_RESULTS_LOOKED_AT):
        if entry.session != book.session:
            return None
        if entry.seq not in superseded and entry.body.get("check_id"):
            return entry
    return None


def meters_left_on_current(book: Logbook) -> set[str]:
    """Meters whose last result was a current: their leads may still be in the current jack."""
    last: dict[str, str] = {}
    for entry in book.entries("result", newest_first=True, limit=_RESULTS_LOOKED_AT):
        for tag, function in dict(entry.body.get("functions", {})).items():
            for one in reversed(str(function).split(", ")):
                if one in _JACKS:
                    last.setdefault(str(tag), one)
    return {tag for tag, function in last.items() if _JACKS[function].is_current}


def months_of_rest(book: Logbook, now_utc_ns: int) -> bool:
    """Whether the bench was not used for about two months before now."""
    last = next(iter(book.entries("result", newest_first=True, limit=1)), None)
    return last is not None and now_utc_ns - last.utc_ns > REST_NS
