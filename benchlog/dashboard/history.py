"""Settled readings of one meter in the last minutes."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from benchlog.reading import Origin, Reading

KEPT_S = 180
_SECOND_NS = 10**9
_STEADY_COUNTS = 2.0
_GAP_NS = 3 * _SECOND_NS
# After this time readings are kept even if the display has not settled; judgement.
_FIRST_WAIT_NS = 10 * _SECOND_NS
_STEP_WAIT_NS = 2 * _SECOND_NS
_NOT_BEGUN = -1


@dataclass(slots=True)
class History:
    """Settled values of one meter, at most one a second, oldest first.

    A display settles after its first number, after another function or range, after a silence, and after a step
    larger than the expanded uncertainty. It has settled once three readings in a row lie within two counts (common
    practice, no source), or once it reverses, as only noise does.
    """

    #: Monotonic times, nanosecond, and values in the reading's unit.
    values: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=KEPT_S))
    last: Reading | None = None  #: The latest, settled or not.
    _coming: list[float] = field(default_factory=list)  # latest values while it settles
    _until_ns: int | None = _NOT_BEGUN  # end of the wait; None once settled

    def take(self, reading: Reading, expanded: float) -> None:
        """Take the next reading; `expanded` is its expanded uncertainty, in its unit."""
        old, self.last = self.last, reading
        now = reading.mono_ns
        if old is not None and old.function is not reading.function:
            self.clear()
        if reading.value is None:
            self._unsettle(_NOT_BEGUN)
            return
        if reading.origin is Origin.HAND:
            self.values.append((now, reading.value))
            return
        if old is None or old.value is None or now - old.mono_ns > _GAP_NS or self._until_ns == _NOT_BEGUN:
            self._unsettle(now + _FIRST_WAIT_NS)
        elif self._until_ns is None and _stepped(old, reading, expanded):
            self._unsettle(now + _STEP_WAIT_NS)
        if self._until_ns is not None:
            if not self._settled(reading.value, reading.resolution, now, self._until_ns):
                return
            self._until_ns = None
        if not self.values or now - self.values[-1][0] >= _SECOND_NS:
            self.values.append((now, reading.value))

    @property
    def settling(self) -> bool:
        """Whether the latest reading is a number on its way; a person reads a settled display."""
        last = self.last
        number = last is not None and last.value is not None and last.origin is not Origin.HAND
        return number and self._until_ns is not None

    def clear(self) -> None:
        """Begin again."""
        self.values.clear()
        self._unsettle(_NOT_BEGUN)

    def since(self, start_ns: int) -> list[tuple[int, float]]:
        """Values since a monotonic time."""
        return [found for found in self.values if found[0] >= start_ns]

    def _unsettle(self, until_ns: int) -> None:
        self._until_ns = until_ns
        self._coming = []

    def _settled(self, value: float, count: float, now_ns: int, until_ns: int) -> bool:
        self._coming = [*self._coming[-2:], value]
        if now_ns >= until_ns:
            return True
        if len(self._coming) < 3:
            return False
        first, second, third = self._coming
        within = max(self._coming) - min(self._coming) <= (_STEADY_COUNTS + 0.5) * count
        return within or (second - first) * (third - second) < 0


def _stepped(old: Reading, new: Reading, expanded: float) -> bool:
    """Whether a display changed by more than its uncertainty, or its range."""
    if old.value is None or new.value is None:
        return False
    return abs(new.value - old.value) > expanded or old.resolution != new.resolution
