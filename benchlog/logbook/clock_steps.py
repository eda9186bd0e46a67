"""Where the dates of a record can't be trusted: a clock that was set back, or entries dated after now."""

from __future__ import annotations

from enum import StrEnum

import msgspec

from benchlog.clock import DAY_NS, parse_rfc3339, rfc3339
from benchlog.logbook.reader import LogbookReader

#: Time services correct by less; dates and ages are shown in days.
_TOLD_NS = 60 * 10**9
_UNITS = ((86400, "day"), (3600, "hour"), (60, "minute"))


class ClockDoubtKind(StrEnum):
    """What is odd about a time."""

    SET_BACK = "set back"
    AFTER_NOW = "after now"


class ClockDoubt(msgspec.Struct, frozen=True):
    """One place where times do not fit together."""

    kind: ClockDoubtKind
    entry: int  #: The first entry after a clock was set back; or the last one, where it is dated after now.
    seconds: float  #: By how much.
    #: earlier, later: The two times, RFC 3339; the earlier one is that of the entry, or now.
    earlier: str
    later: str

    @property
    def words(self) -> str:
        """What is odd, as a sentence."""
        size, earlier, later = span_words(self.seconds), _minute(self.earlier), _minute(self.later)
        if self.kind is ClockDoubtKind.SET_BACK:
            return (
                f"the clock was set back by {size} at entry {self.entry} (from {later} to {earlier}): "
                "dates before it or after it are wrong"
            )
        return (
            f"entry {self.entry} is dated {later}, {size} in the future (now {earlier}): "
            "the clock was fast then, or is slow now"
        )


def clock_doubts(book: LogbookReader, now_utc_ns: int) -> tuple[ClockDoubt, ...]:
    """Find where the clock was set back, and whether the newest entry is dated after now.

    A clock that was set forward can't be told from time passing, until it is set back or entries lie in the future.
    """
    found = [
        ClockDoubt(
            ClockDoubtKind.SET_BACK,
            entry.seq,
            float(entry.body["set_back_s"]),
            entry.time,
            str(entry.body["before"]),
        )
        for entry in book.entries("clock")
        if float(entry.body["set_back_s"]) * 1e9 >= _TOLD_NS
    ]
    head = book.entry(book.head().seq)
    ahead = parse_rfc3339(head.time) - now_utc_ns
    if ahead >= _TOLD_NS:
        found.append(
            ClockDoubt(ClockDoubtKind.AFTER_NOW, head.seq, ahead / 1e9, rfc3339(now_utc_ns), head.time)
        )
    return tuple(found)


def span_words(seconds: float) -> str:
    """A span of time in its largest unit: ``44 days``, ``1 hour``."""
    size, unit = next(((s, u) for s, u in _UNITS if seconds >= s), _UNITS[-1])
    number = round(seconds / size)
    return f"{number} {unit}{'' if number == 1 else 's'}"


def _minute(time: str) -> str:
    return f"{time[:16].replace('T', ' ')} UTC"


def after_now(then_utc_ns: int, now_utc_ns: int) -> bool:
    """Whether a time lies in the future: then the clock was wrong then, or is now."""
    return then_utc_ns - now_utc_ns >= _TOLD_NS


def ago(then_utc_ns: int, now_utc_ns: int) -> str:
    """How long ago something was, in days; its date if that is in the future."""
    if after_now(then_utc_ns, now_utc_ns):
        return f"on {rfc3339(then_utc_ns)[:10]}, which is in the future: a clock was wrong"
    days = (now_utc_ns - then_utc_ns) // DAY_NS
    return "today" if days <= 0 else span_words(days * 86400) + " ago"
