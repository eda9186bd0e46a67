"""Two meters on one node compared reading by reading: do they agree, and does their difference drift?

Meters do not read at the same moment, so one is interpolated to the other's time, and their change meanwhile is added to
the uncertainty of the difference as a uniform half-width. E_n (ISO 13528, 9.7) is then judged over many pairs by a
random walk, drift of the difference by a CUSUM of one-minute means.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchlog.metrology.conformity import e_n
from benchlog.reading import Reading

FULL = 6  # two meters disagree once pairs beyond agreement outnumber those within by this many
CAP = 10
HAND_WEIGHT = 3  # a typed reading counts more than a frame: a person looked at it
PERSIST_NS = 5 * 10**9  # auto range and filters take some seconds to settle; a person waits before typing
SMOOTH = 0.2

BLOCK_NS = 60 * 10**9
BASE_BLOCKS = 5
PART_OF_BOUND = 0.25  # of both meters' bounds: no good meter changes that much in a session (judgement)
LEVEL_CHANGE = 0.05
GAP_NS = 600 * 10**9


@dataclass(frozen=True, slots=True)
class Side:
    """One meter's part in a comparison."""

    value: float  #: Value at the common moment.
    expanded: float  #: Expanded uncertainty at k = 2.
    bound: float  #: Largest error by the accuracy statement.
    moved: float  #: Change between the readings about that moment.
    by_hand: bool = False  #: Typed, not sent over a link.


@dataclass(slots=True)
class Drift:
    """CUSUM of the one-minute means of a difference, in units of the two meters' bounds."""

    base: float = 0.0
    blocks: int = 0
    up: float = 0.0
    down: float = 0.0
    level: float = 0.0
    began_ns: int = 0
    change: float = 0.0
    last_ns: int = 0
    _sum: float = 0.0
    _count: int = 0
    _block_start_ns: int = 0

    def take(self, difference: float, bound: float, level: float, now_ns: int) -> None:
        """Take one difference.

        Parameters
        ----------
        difference, bound, level : float
            Difference, root sum square of the bounds, and value of the node, in one unit.
        """
        moved_on = self.blocks and abs(level - self.level) > LEVEL_CHANGE * abs(self.level)
        if moved_on or (self.last_ns and now_ns - self.last_ns > GAP_NS):
            self.forget()  # at another level a gain error gives another difference: start again
        self.last_ns = now_ns
        if not self._count:
            self._block_start_ns = now_ns
        self._sum += difference / bound
        self._count += 1
        if now_ns - self._block_start_ns >= BLOCK_NS:
            mean, self._sum, self._count = self._sum / self._count, 0.0, 0
            self._block(mean, level, now_ns)

    def _block(self, mean: float, level: float, now_ns: int) -> None:
        self.blocks += 1
        if self.blocks == 1:
            self.level, self.began_ns = level, now_ns
        if self.blocks <= BASE_BLOCKS:
            self.base += (mean - self.base) / self.blocks
            return
        # Slack and limit are each half of the change to detect: a change of that size is detected within a few minutes,
        # one of half that size never.
        slack = PART_OF_BOUND / 2
        self.change = mean - self.base
        self.up = min(2 * PART_OF_BOUND, max(0.0, self.up + self.change - slack))
        self.down = min(2 * PART_OF_BOUND, max(0.0, self.down - self.change - slack))

    @property
    def strong(self) -> bool:
        """Whether the difference has drifted."""
        return max(self.up, self.down) > PART_OF_BOUND / 2

    @property
    def weak(self) -> bool:
        """Whether it may be drifting."""
        return self.blocks > BASE_BLOCKS and abs(self.change) > PART_OF_BOUND / 4

    def forget(self) -> None:
        """Start again."""
        self.blocks = self._count = 0
        self.base = self.up = self.down = self.change = self._sum = 0.0


@dataclass(slots=True)
class Pair:
    """Two meters compared."""

    e_n: float = 0.0  #: First meter minus second; smoothed, but for typed readings that of the latest two.
    difference: float = 0.0  #: Of the same readings as `e_n`.
    pairs: int = 0
    walk: int = 0
    disagree: bool = False
    since_ns: int = 0  #: Monotonic time of the first pair of the present disagreement.
    ended_ns: int | None = None  #: When the last disagreement ended.
    last_ns: int = 0
    worst: float = 0.0  #: Largest absolute `e_n` of the present disagreement.
    readings: tuple[Reading, ...] = ()  #: The latest two compared.
    typed_ns: int = -1  #: Time of the typed reading that was compared last.
    drift: Drift = field(default_factory=Drift)

    def update_values(self, first: Side, second: Side, now_ns: int) -> float:
        """Set `e_n` and `difference` from two readings, without a conclusion; returns their E_n."""
        by_hand = first.by_hand or second.by_hand
        moving = math.hypot(first.moved, second.moved) * 2 / math.sqrt(3)
        number = e_n(
            first.value,
            math.hypot(first.expanded, moving),
            second.value,
            second.expanded,
        )
        # A typed reading was seen by a person and needs no second one.
        gain = SMOOTH if self.pairs and not by_hand and abs(number - self.e_n) < 1 else 1.0
        self.e_n += gain * (number - self.e_n)
        self.difference += gain * (first.value - second.value - self.difference)
        self.pairs += 1
        self.last_ns = now_ns
        return number

    def take(self, first: Side, second: Side, now_ns: int) -> None:
        """Compare once."""
        number = self.update_values(first, second, now_ns)
        by_hand = first.by_hand or second.by_hand
        if abs(number) > 1:
            if not self.walk:
                self.since_ns, self.worst = now_ns, 0.0
            self.walk = min(CAP, self.walk + (HAND_WEIGHT if by_hand else 1))
            self.worst = max(self.worst, abs(self.e_n))
        else:
            # One typed reading that agrees ends it: a typing slip would not agree by chance.
            self.walk = 0 if by_hand else max(0, self.walk - 1)
        if self.walk == 0:
            if self.disagree:
                self.ended_ns = now_ns
            self.disagree = False
        elif self.walk >= FULL and (by_hand or now_ns - self.since_ns >= PERSIST_NS):
            self.disagree = True
        bound = math.hypot(first.bound, second.bound)
        if bound > 0:
            self.drift.take(first.value - second.value, bound, (first.value + second.value) / 2, now_ns)

    def forget(self) -> None:
        """Start again: one of them changed its function."""
        self.pairs = self.walk = 0
        self.e_n = self.difference = 0.0
        self.disagree = False
        self.ended_ns, self.readings = None, ()
        self.drift.forget()
