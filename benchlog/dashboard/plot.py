"""The meters of a group in one plot over time: common scale, time axis, a letter for each curve."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from benchlog.dashboard.history import KEPT_S
from benchlog.number_format import format_quantity

SHORT_S = 60  # length of the time axis at first
_LEAST_COUNTS = 4  # smallest span of the scale, so that noise of a count stays small
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_EVERY = 12  # columns between the letters on a curve
LINE = "─"


@dataclass(frozen=True, slots=True)
class Series:
    """Values of one meter for a plot."""

    tag: str
    values: Sequence[tuple[int, float]]  #: Monotonic times, nanosecond, and values.
    count: float  #: One count of the display.
    typed: bool = False  #: Typed: drawn as single points.
    #: Whether the scale must include them: a meter near zero would compress the others.
    fits: bool = True


@dataclass(frozen=True, slots=True)
class Curve:
    """One meter's settled values."""

    #: letter, tag, words: `words` is the span of the values.
    letter: str
    tag: str
    words: str
    #: Seconds before now, negative, and place on the plot's scale: 0 bottom, 1 top.
    points: tuple[tuple[float, float], ...]
    #: How long a value is drawn without a new one; 0 for typed readings, which are single points.
    hold_s: float = 0.0


@dataclass(frozen=True, eq=False, slots=True)
class Plot:
    """Curves on one scale."""

    name: str  #: Of the group.
    span_s: int  #: Length of the time axis, which ends now.
    end_s: float  #: Monotonic time of its end, so that columns keep their times from one picture to the next.
    #: top, bottom: Values at 1 and 0.
    top: str
    bottom: str
    curves: tuple[Curve, ...]


def plot_of(name: str, series: Sequence[Series], unit: str, now_ns: int) -> Plot | None:
    """Put the values of several meters on one scale; None if there is nothing to draw.

    Parameters
    ----------
    series : sequence of Series
        Times on the clock of `now_ns`.
    """
    series = [one for one in series if one.values]
    if sum(len(one.values) for one in series) < 2:
        return None
    on_scale = [one for one in series if one.fits] or series
    bottom, span = _scale(on_scale)
    finest = min(one.count for one in on_scale) or span / 100
    oldest_s = (now_ns - min(one.values[0][0] for one in series)) / 1e9
    return Plot(
        name,
        SHORT_S if oldest_s <= SHORT_S else KEPT_S,
        now_ns / 1e9,
        _number(bottom + span, finest, unit),
        _number(bottom, finest, unit),
        tuple(
            Curve(
                letter,
                one.tag,
                _words(one, unit),
                tuple(((t - now_ns) / 1e9, (v - bottom) / span) for t, v in one.values),
                0.0 if one.typed else _hold_s(one.values),
            )
            for letter, one in zip(_LETTERS, series, strict=False)
        ),
    )


def _scale(series: Sequence[Series]) -> tuple[float, float]:
    """Bottom and span of a scale that holds these series."""
    values = [v for one in series for _, v in one.values]
    low, high = min(values), max(values)
    span = max(high - low, _LEAST_COUNTS * min(one.count for one in series), 1e-12)
    return (low + high - span) / 2, span


def _hold_s(values: Sequence[tuple[int, float]]) -> float:
    gaps = [b[0] - a[0] for a, b in pairwise(values)]
    return max(3.0, 3 * median(gaps) / 1e9) if gaps else 3.0


def _words(one: Series, unit: str) -> str:
    low, high = min(v for _, v in one.values), max(v for _, v in one.values)
    how = " typed" if one.typed else ""
    if high - low < 0.5 * one.count or high == low:
        return f"{_number(high, one.count, unit)}{how}"
    return f"{_number(low, one.count, unit)} to {_number(high, one.count, unit)}{how}"


def _number(value: float, count: float, unit: str) -> str:
    """A value with the digits of a display with this count."""
    size = abs(value) or 1.0
    step = count or size / 1000
    digits = 1 + math.floor(math.log10(size) + 1e-9) - math.floor(math.log10(step) + 1e-9)
    return format_quantity(value, unit, min(7, max(2, digits)))


def draw(plot: Plot, width: int, height: int) -> list[list[tuple[str, int]]]:
    """Draw a plot of `height` rows, the last two with the time axis; no row is wider than `width`.

    Returns
    -------
    list of list of (str, int)
        Rows of pieces of text, each with the number of its curve; -1 for scale and axis.
    """
    margin = max(len(plot.top), len(plot.bottom))
    columns, rows = width - margin - 2, height - 2
    if columns < 8 or rows < 3:
        return []
    cells: list[list[tuple[str, int]]] = [[(" ", -1)] * columns for _ in range(rows)]
    for number, curve in enumerate(plot.curves):
        _curve(cells, plot, curve, number)
    ends = {0: plot.top, rows - 1: plot.bottom}
    drawn = [[(f"{ends.get(y, ''):>{margin}} │", -1), *_joined(row)] for y, row in enumerate(cells)]
    axis, labels = _axis(plot.span_s, columns)
    drawn.append([(" " * (margin + 1) + "└" + axis, -1)])
    drawn.append([(" " * (margin + 2) + labels, -1)])
    return drawn


def _curve(cells: list[list[tuple[str, int]]], plot: Plot, curve: Curve, number: int) -> None:
    """Draw one curve into the cells: a line with its letter at intervals, steps filled."""
    rows, columns = len(cells), len(cells[0])
    places = _columns(plot, curve, columns)
    # Letters of different curves are offset, so that both can be seen if two curves coincide.
    offset = number * _EVERY // max(2, len(plot.curves))
    shown = [x for x, place in enumerate(places) if place is not None]
    before: int | None = None
    for x, place in enumerate(places):
        if place is None:
            before = None
            continue
        y = round((1 - max(0.0, min(1.0, place))) * (rows - 1))
        _fill_step(cells, x, y if before is None else before, y, number)
        marked = not curve.hold_s or (columns - 1 - x) % _EVERY == offset or shown[-1] - offset == x
        arrow = _arrow(place)
        if marked or not cells[y][x][0].isalpha():
            cells[y][x] = (curve.letter if marked else arrow or LINE, number)
        if arrow and not curve.hold_s:
            _put_beside(cells[y], x, (arrow, number))
        before = y


def _arrow(place: float) -> str:
    """Which way a place beyond the scale lies; empty on the scale."""
    return "↓" if place < 0 else "↑" if place > 1 else ""


def _fill_step(cells: list[list[tuple[str, int]]], x: int, before: int, y: int, number: int) -> None:
    for between in range(min(before, y) + 1, max(before, y)):
        cells[between][x] = ("│", number)


def _put_beside(row: list[tuple[str, int]], x: int, arrow: tuple[str, int]) -> None:
    """Put an arrow beside a letter, unless a curve is there."""
    beside = x + 1 if x + 1 < len(row) else x - 1
    if row[beside][0] == " ":
        row[beside] = arrow


def _columns(plot: Plot, curve: Curve, columns: int) -> list[float | None]:
    """Mean position of a curve in each column; None without readings."""
    each_s = plot.span_s / columns
    # Columns begin at multiples of their duration, so that the plot moves by whole columns.
    last = math.floor(plot.end_s / each_s)
    sums = [0.0] * columns
    counts = [0] * columns
    held: list[float | None] = [None] * columns

    def column(seconds: float) -> int:
        return columns - 1 - last + math.floor((plot.end_s + seconds) / each_s)

    for k, (at, place) in enumerate(curve.points):
        x = column(at)
        if 0 <= x < columns:
            sums[x] += place
            counts[x] += 1
        until = curve.points[k + 1][0] if k + 1 < len(curve.points) else 0.0
        end = column(min(until, at + curve.hold_s)) if curve.hold_s else x
        for later in range(max(0, x), min(end, columns - 1) + 1):
            held[later] = place
    return [s / n if n else h for s, n, h in zip(sums, counts, held, strict=True)]


def _axis(span_s: int, columns: int) -> tuple[str, str]:
    """The time axis and the labels below its marks."""
    words = ("-60 s", "-40 s", "-20 s", "now") if span_s == SHORT_S else ("-3 min", "-2 min", "-1 min", "now")
    axis, labels = [LINE] * columns, [" "] * columns
    marks = range(4) if columns >= 36 else (0, 3)
    for k in marks:
        x = round(k * (columns - 1) / 3)
        axis[x] = "┬"
        start = max(0, min(x - len(words[k]) // 2, columns - len(words[k])))
        labels[start : start + len(words[k])] = words[k]
    return "".join(axis), "".join(labels).rstrip()


def _joined(row: Sequence[tuple[str, int]]) -> Iterator[tuple[str, int]]:
    """Join adjacent cells of one curve."""
    text, number = "", -1
    for sign, whose in row:
        if whose != number and sign != " ":
            if text:
                yield text, number
            text, number = "", whose
        text += sign
    if text.strip():
        yield text.rstrip(), number
