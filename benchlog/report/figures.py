"""The most informative figure of a result, for notebooks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchlog.capture import Capture
from benchlog.errors import BenchlogError, UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.view import LogbookView
from benchlog.plan import kind_of_result
from benchlog.report.pictures import LETTERS_PT, bode_figure, load_line_figure, waveforms_figure
from benchlog.result import Limits, Result, Uncertain
from benchlog.wording import limits_words, quantity_words, result_title, value_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK, _BAND, _POINT = "#222222", "#dfe8f2", "#b3541e"
_MOST_STRIPS = 6


def figure_of(result: Result | Capture | int, view: LogbookView | None = None) -> Figure:
    """Draw a result (sweep, load line, first cycles of its record, or its values against their limits) or a capture.

    Parameters
    ----------
    result : Result, Capture or int
        A result, a record of samples, or the number of a result's entry in `view`.
    view : LogbookView, optional
        Has the captures; without it the logbook named in the result is opened where it is still there.

    Returns
    -------
    matplotlib Figure

    Raises
    ------
    UsageError
        If there is no such result, or nothing in it can be drawn.
    """
    if isinstance(result, Capture):
        return waveforms_figure(
            result, result.instrument or result.source, frequency_hz=_frequency_hz(result)
        )
    entry = None
    if isinstance(result, int):
        entry, result = result, _recorded(result, view)
    elif result.record is not None:
        entry = result.record.entry
    title = f"{result_title(result, entry)}: {result.verdict}"
    drawn = bode_figure(result, title) or load_line_figure(result, title)
    if drawn is not None:
        return drawn
    kind = kind_of_result(result.check)
    if kind is not None and kind.waveforms:
        capture = _capture(result, view)
        if capture is not None:
            frequency = result.quantities.get("frequency")
            return waveforms_figure(capture, title, frequency_hz=frequency.value if frequency else None)
    return _against_limits(result, title)


def _frequency_hz(capture: Capture) -> float | None:
    """Frequency of the first channel, None where no sine fits it: then the whole record is drawn."""
    from benchlog.signal.waveform import measure_channel

    try:
        frequency = measure_channel(capture, capture.names[0]).frequency
    except BenchlogError:
        return None
    return None if frequency is None else frequency.value


def _recorded(seq: int, view: LogbookView | None) -> Result:
    if view is None:
        raise UsageError(f"entry {seq} of which logbook?", hint="benchlog.figure(12, book)")
    entry = view.book.entry(seq)
    if entry.kind != "result":
        raise UsageError(
            f"entry {seq} is a {entry.kind!r} entry, not a result", hint="book.results() lists them"
        )
    return Result.from_json(entry.body)


def _capture(result: Result, view: LogbookView | None) -> Capture | None:
    """First capture among a result's evidence, None where there is none."""
    numbers = [int(n) for kind, _, n in (e.partition(":") for e in result.evidence) if kind == "capture"]
    if not numbers:
        return None
    try:
        if view is not None:
            return view.capture(numbers[0])
        if result.record is None or not Path(result.record.logbook).exists():
            return None
        with Logbook.open(result.record.logbook, mode="ro") as book:
            return book.capture(numbers[0])
    except BenchlogError:
        return None  # damaged samples: the numbers can still be drawn


def _against_limits(result: Result, title: str) -> Figure:
    """Values with their expanded uncertainties, each on a scale of its own with its limits as a band."""
    from matplotlib.figure import Figure

    shown = [n for n in result.quantities if n in result.limits]
    shown = (shown or [n for n, q in result.quantities.items() if q.standard_uncertainty > 0])[:_MOST_STRIPS]
    if not shown:
        raise UsageError(
            f"nothing measured in this result ({result.verdict}: {result.reason})",
            hint="there is nothing to draw",
        )
    figure = Figure(figsize=(4.6, 0.5 + 0.75 * len(shown)), layout="constrained")
    for name, axis in zip(shown, figure.subplots(len(shown), 1, squeeze=False)[:, 0], strict=True):
        _strip(axis, name, result.quantities[name], result.limits.get(name))
    figure.axes[0].set_title(title, fontsize=LETTERS_PT, color=_INK, loc="left")
    return figure


def _strip(axis: Axes, name: str, quantity: Uncertain, limits: Limits | None) -> None:
    value, half = quantity.value, quantity.expanded_uncertainty
    ends = [value - half, value + half]
    if limits is not None:
        ends += [end for end in (limits.low, limits.high) if end is not None]
    reach = 0.15 * (max(ends) - min(ends)) or abs(value) * 0.1 or 1.0
    low, high = min(ends) - reach, max(ends) + reach
    if limits is not None:
        left = low if limits.low is None else limits.low
        axis.axvspan(left, high if limits.high is None else limits.high, color=_BAND)
        for end in (limits.low, limits.high):
            if end is not None:
                axis.axvline(end, color=_INK, linewidth=1.0)
    axis.errorbar([value], [0], xerr=[half], fmt="o", color=_POINT, markersize=4, capsize=3)
    axis.set_xlim(low, high)
    axis.set_yticks([])
    unit = "" if quantity.unit == "1" else f" / {quantity.unit}"
    words = f"{quantity_words(name)} {value_words(quantity)}"
    within = limits_words(limits)
    axis.set_xlabel(
        f"{words}{f', limits {within}' if within else ''}{unit and f'  (scale{unit})'}", fontsize=LETTERS_PT
    )
    axis.tick_params(labelsize=LETTERS_PT)
