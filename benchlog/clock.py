"""Wall time for the record, monotonic time for intervals, as one object that is passed in."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime
from typing import Protocol

from benchlog.errors import UsageError

DAY_NS = 86_400_000_000_000
_YEAR_1, _YEAR_10000 = -62_135_596_800, 253_402_300_800  # seconds since 1970


class Clock(Protocol):
    """Clock passed to everything that needs the time."""

    def utc_ns(self) -> int:
        """Wall time, nanoseconds since 1970-01-01T00:00:00Z."""
        ...

    def monotonic_ns(self) -> int:
        """Nanoseconds that never run backwards."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait that long on this clock."""
        ...


class SystemClock:
    """The computer's own clocks."""

    utc_ns = staticmethod(time.time_ns)
    monotonic_ns = staticmethod(time.monotonic_ns)

    def sleep(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))


class ManualClock:
    """A clock that is moved by hand, so that a simulated day takes no real time.

    `sleep` moves it on at once. Safe to use from several threads.
    """

    def __init__(self, start_utc_ns: int = 0) -> None:
        self._utc_ns = start_utc_ns
        self._mono_ns = 0
        self._lock = threading.Lock()

    def utc_ns(self) -> int:
        with self._lock:
            return self._utc_ns

    def monotonic_ns(self) -> int:
        with self._lock:
            return self._mono_ns

    def sleep(self, seconds: float) -> None:
        """Move on by that long."""
        self.advance(max(0.0, seconds))

    def advance(self, seconds: float) -> None:
        """Move both times on."""
        step = round(seconds * 1e9)
        with self._lock:
            self._utc_ns += step
            self._mono_ns += step

    def set_utc_ns(self, utc_ns: int) -> None:
        """Set the wall time, forwards or backwards, as a person or NTP may do."""
        with self._lock:
            self._utc_ns = utc_ns


class RunningClock(ManualClock):
    """A clock that runs as the computer's does, from another date, and can be moved on as well."""

    def __init__(self, start_utc_ns: int = 0) -> None:
        super().__init__(start_utc_ns)
        self._began_ns = time.monotonic_ns()

    def utc_ns(self) -> int:
        return super().utc_ns() + time.monotonic_ns() - self._began_ns

    def monotonic_ns(self) -> int:
        return super().monotonic_ns() + time.monotonic_ns() - self._began_ns

    def sleep(self, seconds: float) -> None:
        """Really wait."""
        time.sleep(max(0.0, seconds))


def rfc3339(utc_ns: int) -> str:
    """Write a time as RFC 3339 text in UTC with nanoseconds.

    >>> rfc3339(1_000_000_001)
    '1970-01-01T00:00:01.000000001Z'
    """
    seconds, rest = divmod(utc_ns, 1_000_000_000)
    if not _YEAR_1 <= seconds < _YEAR_10000:
        raise UsageError(f"{utc_ns} ns is not a time of the years 1 to 9999", hint="set the computer's clock")
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def parse_rfc3339(text: str) -> int:
    """Read RFC 3339 text back into nanoseconds; the inverse of `rfc3339`.

    Raises
    ------
    UsageError
        If the text is not an RFC 3339 time with a zone.
    """
    head, _, tail = text.partition(".")
    digits = ""
    if tail:
        digits = tail[: len(tail) - len(tail.lstrip("0123456789"))]
        head += tail[len(digits) :]
    try:
        moment = datetime.fromisoformat(head)
    except ValueError:
        moment = datetime.min
    if moment.tzinfo is None:
        raise UsageError(
            f"{text[:60]!r} is not a moment with a time zone", hint='write it like "2026-03-01T09:00:00Z"'
        )
    seconds = round((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds())
    return seconds * 1_000_000_000 + int((digits + "0" * 9)[:9])
