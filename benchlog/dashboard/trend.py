"""The last minutes of one meter: values on a grid of seconds, and a line graph of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from benchlog.units import format_quantity

__all__ = ["TRACE_S", "Trace", "graph", "strip", "trace"]

TRACE_S = 180
_SECOND_NS = 10**9
_LEAST_COUNTS = 4  # of the scale, so that noise of a count stays small
_BARS = "▁▂▃▄▅▆▇█"


@dataclass(frozen=True, slots=True)
class Trace:
    """Last values.

    Attributes
    ----------
    points : tuple of float or None
        One a second, scaled to 0...1; None where nothing was read. All 0.5 where the display doesn't change.
    top, bottom : str
        Values at 1 and 0.
    words : str
        The span in words.
    """

    points: tuple[float | None, ...] = ()
    top: str = ""
    bottom: str = ""
    words: str = ""

    @property
    def flat(self) -> bool:
        """Whether the display doesn't change."""
        return len({p for p in self.points if p is not None}) < 2


def trace(history: Sequence[tuple[int, float]], now_ns: int, resolution: float, unit: str) -> Trace:
    """Lay values on a grid of seconds that ends now.

    Parameters
    ----------
    history : sequence of (int, float)
        Monotonic times, at least a second apart, and values in `unit`.
    now_ns : int
    resolution : float
        One count, in `unit`.
    unit : str
    """
    recent = [(t, v) for t, v in history if now_ns - t < TRACE_S * _SECOND_NS]
    if len(recent) < 2:
        return Trace()
    values = _by_second(recent, now_ns)
    seconds = len(values)
    low, high = min(v for _, v in recent), max(v for _, v in recent)
    span = max(high - low, _LEAST_COUNTS * resolution, 1e-12)
    bottom = (low + high - span) / 2
    size = max(abs(bottom), abs(bottom + span))
    count = resolution or span / 100
    digits = min(7, max(2, 1 + math.floor(math.log10(size) + 1e-9) - math.floor(math.log10(count) + 1e-9)))
    flat = high - low < 1.5 * resolution

    def show(value: float) -> str:
        return format_quantity(value, unit, digits)

    if high - low < 0.5 * resolution or high == low:
        words = f"{show(high)}, unchanged for {seconds} s"
    else:
        words = f"{show(low)} to {show(high)} in {seconds} s" + (", one count" if flat else "")
    points = tuple(None if v is None else 0.5 if flat else (v - bottom) / span for v in values)
    return Trace(points, show(bottom + span), show(bottom), words)


def _by_second(recent: Sequence[tuple[int, float]], now_ns: int) -> list[float | None]:
    """One value a second from the first to now: each lasts until the next, but not across a gap."""
    gaps = [b[0] - a[0] for a, b in pairwise(recent)]
    hold = max(3.0, 3 * median(gaps) / _SECOND_NS)
    start_ns = recent[0][0]
    seconds = (now_ns - start_ns) // _SECOND_NS + 1
    values: list[float | None] = [None] * seconds
    ends = [t for t, _ in recent[1:]] + [now_ns + 1]
    for (t, value), end in zip(recent, ends, strict=True):
        first = (t - start_ns) // _SECOND_NS
        last = min((end - 1 - start_ns) // _SECOND_NS, first + math.floor(hold))
        for k in range(first, min(last, seconds - 1) + 1):
            values[k] = value
    return values


def strip(found: Trace, width: int) -> str:
    """The latest points in one line; an unchanging display is a line in the middle."""
    if found.flat:
        return "".join(" " if p is None else "─" for p in found.points[-width:])
    top = len(_BARS) - 1
    return "".join(
        " " if p is None else _BARS[max(0, min(top, round(p * top)))] for p in found.points[-width:]
    )


def graph(found: Trace, width: int, height: int) -> list[str]:
    """A line graph of `height` rows, an odd number, with the scale at its left; no row is wider than `width`."""
    margin = max(len(found.top), len(found.bottom))
    columns = min(width - margin - 2, len(found.points))
    cells = [[" "] * columns for _ in range(height)]
    before: int | None = None
    for x in range(columns):
        first = x * len(found.points) // columns
        last = max(first + 1, (x + 1) * len(found.points) // columns)
        here = [p for p in found.points[first:last] if p is not None]
        if not here:
            before = None
            continue
        row = round((1 - sum(here) / len(here)) * (height - 1))
        if before is None or before == row:
            cells[row][x] = "─"
        else:
            up = row < before
            for y in range(min(row, before) + 1, max(row, before)):
                cells[y][x] = "│"
            cells[before][x], cells[row][x] = ("╯", "╭") if up else ("╮", "╰")
        before = row
    ends = {0: found.top, height - 1: found.bottom}
    return [
        f"{ends.get(y, ''):>{margin}} {'┤' if y in ends else '│'}{''.join(row)}"
        for y, row in enumerate(cells)
    ]
