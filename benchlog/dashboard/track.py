"""State of one meter: latest readings, lasting symbols, stillness and noise of its display."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchlog.dashboard.pairing import Side
from benchlog.dashboard.stillness import Steadiness, Stillness
from benchlog.metrology.accuracy import Accuracy
from benchlog.reading import Flag, Function, Origin, Reading, State

FRESH_NS = 3 * 10**9
HAND_FRESH_NS = 60 * 10**9  # readings within a minute may be compared; common practice, no source
LASTING = 3
LASTING_NS = 2 * 10**9
_ORDINARY = frozenset({Flag.AUTO})
_JUMP_COUNTS, _JUMP_PART = 20.0, 0.02


@dataclass(slots=True)
class Lasting:
    """Something seen in several readings in a row; a single bad frame neither sets nor clears it."""

    count: int = 0
    since_ns: int = 0
    on: bool = False

    def take(self, seen: bool, now_ns: int, *, weight: int = 1, at_least_ns: int = 0) -> None:
        """Count one reading."""
        if not seen:
            self.count = max(0, self.count - weight)
            self.on = self.on and self.count > 0
            return
        if self.count == 0:
            self.since_ns = now_ns
        self.count = min(LASTING, self.count + weight)
        self.on = self.on or (self.count == LASTING and now_ns - self.since_ns >= at_least_ns)


@dataclass(slots=True)
class Track:
    """State of one meter."""

    tag: str
    #: last, before: Latest reading, and the one before it.
    last: Reading | None = None
    before: Reading | None = None
    accuracy: Accuracy | None = None
    started_ns: int = 0
    interval_ns: float = 0.0
    settled_function: Function | None = None  #: Seen in two readings in a row.
    symbols: dict[Flag, Lasting] = field(default_factory=dict)
    overload: Lasting = field(default_factory=Lasting)
    near_zero: Lasting = field(default_factory=Lasting)
    still: Stillness = field(default_factory=Stillness)
    noise: Steadiness = field(default_factory=Steadiness)
    #: by_hand, comparable: Whether the latest was typed; whether it can be compared with another meter's.
    by_hand: bool = False
    comparable: bool = False
    side: Side | None = None  #: The latest as one side of a comparison.

    def take(self, reading: Reading, accuracy: Accuracy) -> tuple[bool, bool]:
        """Take one reading; returns whether function and count size changed."""
        now = reading.mono_ns
        old = self.last
        new_function = old is not None and old.function is not reading.function
        new_size = old is not None and old.resolution != reading.resolution
        if old is not None:
            gap = float(now - old.mono_ns)
            self.interval_ns += (gap - self.interval_ns) * (0.1 if self.interval_ns else 1.0)
        if old is None or not new_function:
            self.settled_function = reading.function
        self.before, self.last, self.accuracy = old, reading, accuracy
        self.by_hand = reading.origin is Origin.HAND
        self.comparable = reading.value is not None and not any(
            flag.misleads or flag is Flag.UNSTABLE for flag in reading.flags
        )
        self.side = self._make_side()
        self._follow_symbols(reading)
        if new_function or new_size:
            self.still.forget()
            self.noise.forget()
        if reading.value is not None and reading.resolution > 0 and not self.by_hand:
            counts = round(reading.value / reading.resolution)
            self.still.take(counts, now, max(_JUMP_COUNTS, _JUMP_PART * abs(counts)))
            self.noise.take(float(counts))
        return new_function, new_size

    def _follow_symbols(self, reading: Reading) -> None:
        now, weight = reading.mono_ns, LASTING if self.by_hand else 1
        if self.symbols or reading.flags - _ORDINARY:
            for flag in (reading.flags | self.symbols.keys()) - _ORDINARY:
                self.symbols.setdefault(flag, Lasting()).take(flag in reading.flags, now, weight=weight)
        self.overload.take(
            reading.state is State.OVERLOAD, now, weight=weight, at_least_ns=0 if self.by_hand else LASTING_NS
        )

    @property
    def at_rest(self) -> bool:
        """Whether the display changed by no more than its uncertainty."""
        if self.before is None or self.side is None or self.before.function is not self.settled_function:
            return False
        return self.before.value is not None and self.side.moved <= self.side.expanded / 2

    def fresh(self, now_ns: int) -> bool:
        """Whether the latest reading is recent enough to count as the present display."""
        if self.last is None:
            return False
        limit = HAND_FRESH_NS if self.by_hand else max(FRESH_NS, 3 * self.interval_ns)
        return now_ns - self.last.mono_ns <= limit

    @property
    def showing(self) -> list[Flag]:
        """Symbols that have been on for some readings."""
        return sorted(flag for flag, seen in self.symbols.items() if seen.on)

    @property
    def resolution(self) -> float:
        """One count."""
        return self.last.resolution if self.last is not None else 0.0

    @property
    def value(self) -> float | None:
        """Latest value."""
        return self.last.value if self.last is not None else None

    def _make_side(self) -> Side | None:
        reading, old, accuracy = self.last, self.before, self.accuracy
        if reading is None or reading.value is None or accuracy is None:
            return None
        value, step = reading.value, reading.resolution
        bound = max(accuracy.bound(value, step), step / 2)
        moved = 0.0
        if (
            old is not None
            and old.value is not None
            and old.function is reading.function
            and not self.by_hand
        ):
            moved = abs(value - old.value)
        return Side(value, 2 * bound / math.sqrt(3), bound, moved, self.by_hand)

    def side_at(self, moment_ns: int) -> Side | None:
        """Latest two readings interpolated to a time between them; None if it is not between."""
        side, last, before = self.side, self.last, self.before
        if side is None or last is None or before is None or before.value is None:
            return None
        t0, t1 = before.mono_ns, last.mono_ns
        if not t0 < moment_ns <= t1 or t1 - t0 > max(FRESH_NS, 3 * self.interval_ns):
            return None
        if before.function is not last.function:
            return None
        value = before.value + (moment_ns - t0) / (t1 - t0) * (side.value - before.value)
        return Side(value, side.expanded, side.bound, side.moved, side.by_hand)
