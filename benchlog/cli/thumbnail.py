"""Waveforms of a capture in two terminal lines: braille dots, or letters if the terminal lacks them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchlog.capture import Capture, ChannelRecord
from benchlog.number_format import format_quantity
from benchlog.signal.clipping import cut_levels
from benchlog.signal.quantisation import code_step

_ROWS = 2
_PERIODS = 2.0
_GAP = "   "
# Bits of a braille sign's dots, left and right column, from the top (Unicode, Braille Patterns).
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_CUT = ("▔", "▁")
_PLAIN_LEVELS, _PLAIN_CUT = "'-_", ("^", "v")

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Waveforms:
    """What to draw of a capture."""

    capture: Capture
    channels: Sequence[str]
    frequency_hz: float | None = None  #: If None, the whole record is drawn.


def thumbnail(waveforms: Waveforms, width: int, *, clipped: bool = False, plain: bool = False) -> list[str]:
    """Draw two periods of each channel side by side, each scaled to its own peak-to-peak value.

    Parameters
    ----------
    width : int
        Columns available.
    clipped : bool
        Whether the record is clipped: clipped columns are drawn as a bar above or below all others, and the channel is
        marked as clipped.
    plain : bool
        Use ASCII signs only.

    Returns
    -------
    list of str
        Three lines: names, and the two rows of the pictures; empty if there is no room.
    """
    channels = waveforms.channels
    each = min(24, (width - len(_GAP) * (len(channels) - 1)) // max(1, len(channels)))
    if each < 10:
        return []
    panels = [
        _panel(waveforms, waveforms.capture.channel(name), each, clipped=clipped, plain=plain)
        for name in channels
    ]
    return [_GAP.join(line.ljust(each) for line in lines).rstrip() for lines in zip(*panels, strict=True)]


def _panel(
    waveforms: Waveforms, channel: ChannelRecord, width: int, *, clipped: bool, plain: bool
) -> list[str]:
    n = len(channel.codes)
    if waveforms.frequency_hz:
        n = max(8, min(n, round(_PERIODS / (waveforms.frequency_hz * waveforms.capture.interval_s))))
    values = channel.codes[:n].astype(np.float64) * channel.scale
    least, most = _cut(channel) if clipped else (-math.inf, math.inf)
    low, high = _columns(values, 2 * width)
    bottom, span = float(low.min()), float(high.max() - low.min())
    scale = (4 * _ROWS - 1) / (span or 1.0)
    middle = 0 if span else 2 * _ROWS
    tops, bottoms = (np.round((v - bottom) * scale).astype(int) + middle for v in (high, low))
    rows = (_plain_rows if plain else _braille_rows)(tops, bottoms)
    above, below = _PLAIN_CUT if plain else _CUT
    rows[0] = _marked(rows[0], high >= most, above)
    rows[-1] = _marked(rows[-1], low <= least, below)
    size = format_quantity(span * channel.probe, channel.unit, 3)
    called = channel.name if math.isinf(least) and math.isinf(most) else f"{channel.name} clipped"
    return [f"{called} {size} p-p"[:width], *rows]


def _cut(channel: ChannelRecord) -> tuple[float, float]:
    """Values at which a channel is clipped, before offset and probe factor; infinite if it is not."""
    low, high = cut_levels(channel.codes, channel.code_limits, step=code_step(channel.codes))
    if channel.scale < 0:
        low, high = high, low
    least = -math.inf if low is None else low * channel.scale
    return least, math.inf if high is None else high * channel.scale


def _marked(row: str, cut: npt.NDArray[np.bool_], sign: str) -> str:
    """Mark clipped columns with a sign; two columns of dots are one sign wide."""
    return "".join(sign if here else old for old, here in zip(row, cut[::2] | cut[1::2], strict=True))


def _columns(values: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest value of each column; neighbours share an edge, so that the line has no gaps."""
    edges = np.linspace(0, len(values) - 1, columns + 1)
    low, high = np.empty(columns), np.empty(columns)
    for k in range(columns):
        part = values[int(edges[k]) : max(int(edges[k]) + 1, int(np.ceil(edges[k + 1])) + 1)]
        low[k], high[k] = part.min(), part.max()
    return low, high


def _braille_rows(tops: npt.NDArray[np.int_], bottoms: npt.NDArray[np.int_]) -> list[str]:
    cells = np.zeros((_ROWS, len(tops) // 2), dtype=int)
    for x, (top, bottom) in enumerate(zip(tops, bottoms, strict=True)):
        for level in range(bottom, top + 1):
            y = 4 * _ROWS - 1 - level
            cells[y // 4, x // 2] |= _DOTS[x % 2][y % 4]
    return ["".join(chr(0x2800 + bits) if bits else " " for bits in row) for row in cells]


def _plain_rows(tops: npt.NDArray[np.int_], bottoms: npt.NDArray[np.int_]) -> list[str]:
    """One sign per column at the middle of its span, three levels per row."""
    levels = 3 * _ROWS
    middle = (tops[::2] + tops[1::2] + bottoms[::2] + bottoms[1::2]) / 4
    at = np.clip(np.floor(middle / (4 * _ROWS - 1) * levels), 0, levels - 1).astype(int)
    rows = [[" "] * len(at) for _ in range(_ROWS)]
    for x, level in enumerate(at):
        y = levels - 1 - level
        rows[y // 3][x] = _PLAIN_LEVELS[y % 3]
    return ["".join(row) for row in rows]
