"""Stuck and noisy displays.

Is the source steady, or is the display stuck? There are two kinds of evidence. The display itself: it used to change by
several counts, and now one number has stayed far longer than any before. The neighbours: meters on the same node have
changed by several counts of this one. A steady source on a coarse display shows neither: it flickers between two
adjacent counts, and the neighbours don't change either.

Noise has grown if second differences are larger than before. They ignore ramps (somebody turns a knob), and a step gives
only two of them. The test is a random walk: up by two for a second difference far beyond the earlier ones, down by one
for any other, so that it rises only if more than a third are beyond.
"""

from __future__ import annotations

from dataclasses import dataclass, field

LEARN = 60  # readings before the first judgement
FAR = 6.0  # times the mean absolute second difference; of a normal one 0.8 sigma, so about 5 sigma
FULL = 20
CAP = 30


@dataclass(slots=True)
class Steadiness:
    """Noise of one display, in counts."""

    seen: int = 0
    usual: float = 0.0
    now: float = 0.0
    walk: int = 0
    _last: float = 0.0
    _before: float = 0.0

    def take(self, counts: float) -> None:
        """Take one display, in counts."""
        self.seen += 1
        second = abs(counts - 2.0 * self._last + self._before)
        self._before, self._last = self._last, counts
        if self.seen <= 2:
            return
        if self.seen <= LEARN:
            self.usual += (second - self.usual) / (self.seen - 2)
            return
        self.now += (second - self.now) / 20.0
        if second > self.far:
            self.walk = min(CAP, self.walk + 2)
        else:
            self.walk = max(0, self.walk - 1)
            self.usual += (second - self.usual) / 500.0

    @property
    def far(self) -> float:
        """Second difference, in counts, that is far beyond the usual; at least three."""
        return FAR * max(self.usual, 0.5)

    @property
    def grown(self) -> bool:
        """Whether the display has become unsteady."""
        return self.walk >= FULL

    @property
    def growing(self) -> bool:
        """Whether it may be becoming unsteady: then a neighbour's noise may come from the source."""
        return self.walk >= FULL // 2

    def forget(self) -> None:
        """Start again: other function, range or level."""
        self.seen = self.walk = 0
        self.usual = self.now = 0.0


MIN_RUN = 5  # readings
MIN_RUN_NS = 3 * 10**9
LONE_RUN_NS = 60 * 10**9
LONE_FACTOR = 20  # times the longest run so far; to exceed the longest of n equal runs at all has a chance of 1 in n + 1
LONE_CHANGES = 30
LONE_SPREAD = 3  # counts: flicker between two adjacent counts may end if the source changes by half a count
MOVE_COUNTS = 2
CONFIRM = 3  # readings of the neighbour in a row, so that a single bad frame has no effect


@dataclass(slots=True)
class Moved:
    """How far one neighbour has moved since this display stopped changing, even if it returned."""

    start: float
    beyond: int = 0
    distance: float = 0.0
    threshold: float = 0.0
    sure: bool = False

    def take(self, value: float, threshold: float) -> None:
        """Follow the neighbour."""
        gone, self.threshold = abs(value - self.start), threshold
        self.beyond = self.beyond + 1 if gone > threshold else 0
        self.sure = self.sure or self.beyond >= CONFIRM
        if self.beyond >= CONFIRM:
            self.distance = max(self.distance, gone)


@dataclass(slots=True)
class Stillness:
    """Run of equal displays of one meter."""

    counts: int | None = None  #: Present number.
    #: run, run_start_ns: Readings and start of the present run.
    run: int = 0
    run_start_ns: int = 0
    last_ns: int = 0
    #: longest, changes: Longest run so far, and how often the number changed, on this level of the source.
    longest: int = 0
    changes: int = 0
    low: int = 0
    high: int = 0
    neighbours: dict[str, Moved] = field(default_factory=dict)  #: Since the run began.

    def take(self, counts: int, now_ns: int, jump_counts: float) -> None:
        """Take one display; a step of more than `jump_counts` starts a new level without history."""
        if counts == self.counts:
            self.run += 1
            self.last_ns = now_ns
            return
        if self.counts is None or abs(counts - self.counts) > jump_counts:
            self.longest = self.changes = 0
            self.low = self.high = counts
        else:
            self.longest = max(self.longest, self.run)
            self.changes += 1
            self.low, self.high = min(self.low, counts), max(self.high, counts)
        self.counts, self.run, self.run_start_ns, self.last_ns = counts, 1, now_ns, now_ns
        self.neighbours.clear()

    def neighbour(self, tag: str, value: float, own_step: float, their_step: float) -> None:
        """Follow a neighbour's value; it has moved if the change exceeds what both displays' counts can hide.

        Parameters
        ----------
        value : float
            Display of the neighbour.
        own_step, their_step : float
            One count of this display; one count plus usual noise of the neighbour.
        """
        if not self.run:
            return
        moved = self.neighbours.get(tag)
        if moved is None:
            self.neighbours[tag] = Moved(value)
        else:
            moved.take(value, MOVE_COUNTS * own_step + 2 * their_step)

    def forget(self) -> None:
        """Start again: other function or range."""
        self.counts, self.run, self.longest, self.changes = None, 0, 0, 0
        self.neighbours.clear()

    @property
    def run_ns(self) -> int:
        """How long the number has not changed."""
        return self.last_ns - self.run_start_ns

    @property
    def long_enough(self) -> bool:
        """Whether the run is long enough for a comparison with neighbours."""
        return self.run >= MIN_RUN and self.run_ns >= MIN_RUN_NS

    @property
    def was_lively(self) -> bool:
        """Whether the number used to change much more often."""
        return self.changes >= MIN_RUN and self.run >= 5 * self.longest

    @property
    def out_of_character(self) -> bool:
        """Whether the run is longer than anything in this display's history."""
        return (
            self.counts != 0
            and self.changes >= LONE_CHANGES
            and self.high - self.low >= LONE_SPREAD
            and self.run_ns >= LONE_RUN_NS
            and self.run >= LONE_FACTOR * max(1, self.longest)
        )
