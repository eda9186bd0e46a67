"""A display that doesn't change: is the source steady, or is the display stuck?

Two kinds of evidence. The display's own: it used to wander over several counts, and now one number has been
standing far longer than any before. The neighbours': meters on the same node have moved by several counts of this
one. A steady source on a coarse display gives neither: its flicker is between two adjacent counts, and neighbours
stay still too.
"""

from __future__ import annotations

from dataclasses import dataclass, field

MIN_RUN = 5  # readings
MIN_RUN_NS = 3 * 10**9
LONE_RUN_NS = 60 * 10**9
LONE_FACTOR = (
    20  # times the longest run so far: exceeding the longest of n like runs at all has odds 1 in n + 1
)
LONE_CHANGES = 30
LONE_SPREAD = 3  # counts: flicker between two adjacent ones can end when the source moves by half a count
MOVE_COUNTS = 2
CONFIRM = 3  # readings of the neighbour in a row, so that a single wrong frame moves nothing


@dataclass(slots=True)
class Moved:
    """How far one neighbour has gone since this display stopped changing; a move is remembered when the value returns."""

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
    """Run of equal displays of one meter.

    Attributes
    ----------
    counts : int or None
        Number standing now.
    run, run_start_ns
        Readings and start of the present run.
    longest, changes : int
        Longest run so far, and how often the number changed, on this level of the source.
    neighbours : dict of str to Moved
        Since the run began.
    """

    counts: int | None = None
    run: int = 0
    run_start_ns: int = 0
    last_ns: int = 0
    longest: int = 0
    changes: int = 0
    low: int = 0
    high: int = 0
    neighbours: dict[str, Moved] = field(default_factory=dict)

    def take(self, counts: int, now_ns: int, jump_counts: float) -> None:
        """Take one display; a step of more than `jump_counts` starts a new level with no history."""
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
        """Follow a neighbour's value; it has moved when it is further than both displays' counts can hide.

        Parameters
        ----------
        tag : str
        value : float
            What the neighbour shows.
        own_step, their_step : float
            One count of this display; one count with the usual noise of the neighbour's.
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
        """Whether the run is long enough to be compared with neighbours."""
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
