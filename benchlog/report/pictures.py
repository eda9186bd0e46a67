"""Pictures for the certificate as SVG text: two-channel waveforms, load lines and sweeps of a turns ratio."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture
from benchlog.number_format import format_quantity, format_uncertain
from benchlog.report.sanitise import label
from benchlog.result import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Size of the letters; on paper nothing is smaller than 8 pt.
LETTERS_PT = 8.1
_INK, _FIRST, _SECOND = "#222222", "#1f4e8c", "#b3541e"


def thinned(
    values: npt.NDArray[np.float64], buckets: int
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """Keep the lowest and highest sample of each bucket, so that no spike is lost.

    Parameters
    ----------
    values : array of shape (n_samples,)

    Returns
    -------
    index, values : arrays of shape (at most 2 * buckets,)
    """
    n = len(values)
    if n <= 2 * buckets:
        return np.arange(n), values
    size = n // buckets
    blocks = values[: size * buckets].reshape(buckets, size)
    offsets = np.arange(buckets)[:, None] * size
    index = np.sort(
        np.concatenate([blocks.argmin(1)[:, None], blocks.argmax(1)[:, None]], 1) + offsets, axis=1
    ).ravel()
    return index, values[index]


def waveforms(capture: Capture, title: str, *, cycles: float = 3.0, frequency_hz: float | None = None) -> str:
    """Draw the channels of a capture over its first few cycles, each in its own strip; SVG text."""
    return _svg(waveforms_figure(capture, title, cycles=cycles, frequency_hz=frequency_hz), title)


def waveforms_figure(
    capture: Capture, title: str, *, cycles: float = 3.0, frequency_hz: float | None = None
) -> Figure:
    """Draw the channels of a capture over its first few cycles, each in its own strip."""
    from matplotlib.figure import Figure

    n = capture.n_samples
    if frequency_hz:
        n = min(n, max(16, round(cycles / frequency_hz / capture.interval_s)))
    figure = Figure(figsize=(3.2, 1.6), layout="constrained")
    axes = figure.subplots(len(capture.channels), 1, sharex=True, squeeze=False)[:, 0]
    for axis, channel, colour in zip(
        axes, capture.channels, [_FIRST, _SECOND] * len(capture.channels), strict=False
    ):
        index, values = thinned(channel.values()[:n], 400)
        axis.plot(index * capture.interval_s * 1e3, values, color=colour, linewidth=1.0)
        axis.set_ylabel(label(f"{channel.name} / {channel.unit}"), fontsize=LETTERS_PT)
        axis.tick_params(labelsize=LETTERS_PT)
        axis.grid(True, linewidth=0.3)
    axes[-1].set_xlabel("time / ms", fontsize=LETTERS_PT)
    axes[0].set_title(label(title), fontsize=LETTERS_PT, color=_INK, loc="left")
    return figure


def load_line(result: Result, title: str) -> str | None:
    """Draw open and loaded voltage over current with the source line; None without a load point; SVG text."""
    figure = load_line_figure(result, title)
    return None if figure is None else _svg(figure, title)


def load_line_figure(result: Result, title: str) -> Figure | None:
    """Draw open and loaded voltage over current with the source line; None without a load point."""
    from matplotlib.figure import Figure

    names = ("no_load_voltage", "loaded_voltage", "source_resistance")
    if any(name not in result.quantities for name in names):
        return None
    open_v, loaded_v, source = (result.quantities[name] for name in names)
    if source.value <= 0:
        return None
    current = (open_v.value - loaded_v.value) / source.value
    figure = Figure(figsize=(3.2, 1.6), layout="constrained")
    axis = figure.subplots()
    reach = 1.25 * current
    axis.plot([0, reach], [open_v.value, open_v.value - reach * source.value], color=_FIRST, linewidth=1.0)
    axis.errorbar(
        [0, current],
        [open_v.value, loaded_v.value],
        yerr=[open_v.expanded_uncertainty, loaded_v.expanded_uncertainty],
        fmt="o",
        color=_SECOND,
        markersize=3,
        capsize=3,
    )
    axis.annotate(
        f"source {format_quantity(source.value, 'ohm', 3)}",
        (0.5 * current, open_v.value - 0.5 * current * source.value),
        fontsize=LETTERS_PT,
        xytext=(6, 6),
        textcoords="offset points",
    )
    axis.set_xlabel("current / A", fontsize=LETTERS_PT)
    axis.set_ylabel("voltage / V", fontsize=LETTERS_PT)
    axis.tick_params(labelsize=LETTERS_PT)
    axis.grid(True, linewidth=0.3)
    axis.set_title(label(title), fontsize=LETTERS_PT, color=_INK, loc="left")
    return figure


def bode(result: Result, title: str) -> str | None:
    """Draw a sweep as `bode_figure` does; None without one; SVG text."""
    figure = bode_figure(result, title)
    return None if figure is None else _svg(figure, title)


def bode_figure(result: Result, title: str) -> Figure | None:
    """Draw a turns ratio and its phase over frequency with the fitted model; None without a sweep.

    Ratios are shown on one range: divided by the fitted gains of the ranges they were taken on, and by the gain of
    the whole set-up, so that the scale reads in turns.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter, NullFormatter

    sweep = result.details.get("sweep")
    if not sweep:
        return None
    points, curve, gain = sweep["points"], sweep["curve"], sweep["gain"]
    frequency = [p["frequency_hz"] for p in points]
    turns = np.array([p["ratio"] / p["range_gain"] / gain for p in points])
    k = result.quantities["turns_ratio"].coverage_factor
    figure = Figure(figsize=(3.2, 1.9), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True)
    upper.errorbar(
        frequency,
        turns,
        yerr=k * turns * [p["relative_uncertainty"] for p in points],
        fmt="o",
        color=_SECOND,
        markersize=3,
        capsize=2,
        linewidth=0.8,
    )
    upper.plot(
        curve["frequency_hz"], np.asarray(curve["ratio"]) / gain, color=_FIRST, linewidth=1.0, label="model"
    )
    upper.set_ylabel("turns ratio", fontsize=LETTERS_PT)
    upper.ticklabel_format(axis="y", useOffset=False)
    lower.errorbar(
        frequency,
        [p["phase_deg"] for p in points],
        yerr=[k * p["phase_uncertainty_deg"] for p in points],
        fmt="o",
        color=_SECOND,
        markersize=3,
        capsize=2,
        linewidth=0.8,
    )
    lower.plot(curve["frequency_hz"], curve["phase_deg"], color=_FIRST, linewidth=1.0)
    lower.set_ylabel("phase / °", fontsize=LETTERS_PT)
    lower.set_xlabel("frequency / Hz", fontsize=LETTERS_PT)
    drive = result.details.get("drive")
    for axis in (upper, lower):
        axis.set_xscale("log")
        axis.xaxis.set_major_formatter(EngFormatter(sep=""))  # 10 k: no small exponents
        axis.xaxis.set_minor_formatter(NullFormatter())
        axis.tick_params(labelsize=LETTERS_PT)
        axis.grid(True, linewidth=0.3)
        if drive:
            axis.axvline(drive["frequency_hz"], color=_INK, linewidth=0.6, linestyle=":")
    upper.set_title(label(title), fontsize=LETTERS_PT, color=_INK, loc="left")
    return figure


def model_words(result: Result) -> str:
    """Say what was fitted to a sweep, in one line; a quantity that is not resolved as a bound."""
    names = {"inductance": "L", "winding_resistance": "Rw", "leakage": "Lσ", "capacitance": "C"}
    words = []
    if not result.details["sweep"]["fits"]:
        return "the model does not fit"
    for name, short in names.items():
        q = result.details["sweep"]["model"][name]
        if q["resolved"]:
            words.append(f"{short} {format_uncertain(q['value'], q['expanded_uncertainty'], q['unit'])}")
        else:
            most = max(q["value"], 0.0) + q["expanded_uncertainty"]
            words.append(f"{short} below {format_quantity(most, q['unit'], 2)}")
    return ", ".join(words)


def _svg(figure: Figure, name: str) -> str:
    """SVG of a figure to embed in a page: no XML head, text as text, ids of its own (clip paths would collide)."""
    import matplotlib

    out = io.StringIO()
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": name, "font.family": "sans-serif"}):
        figure.savefig(out, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    text = out.getvalue()
    return re.sub(r"^.*?(?=<svg)", "", text, flags=re.DOTALL)
