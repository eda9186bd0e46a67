"""Doubts in words: what a meter shows, for how long, and what the others did meanwhile."""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchlog.dashboard.pairing import Drift
from benchlog.dashboard.track import Track
from benchlog.number_format import format_quantity
from benchlog.project.suspect import Kind, Suspect, next_check
from benchlog.reading import Origin, Reading


def doubt(track: Track, kind: Kind, reason: str, others: tuple[str, ...] = (), group: str = "") -> Suspect:
    """A doubt about a meter, with the check that fits its function."""
    function = track.last.function if track.last is not None else None
    return Suspect(
        track.tag, kind, reason, next_check(kind, function), 0, others, group, track.settled_function
    )


def age(seconds: int) -> str:
    """An age in a suitable unit: ``80 s``, ``4 min``, ``3 h``."""
    if seconds < 120:
        return f"{seconds} s"
    return f"{seconds // 60} min" if seconds < 7200 else f"{seconds // 3600} h"


_TYPED = re.compile(r"([+-]?[\d.,]+)\s*(.*?)\s*(?:ac|dc|~|=)?", re.IGNORECASE)


def display(reading: Reading) -> str:
    """A display with its unit: a typed ``27,2`` on volts is ``27.2 V``."""
    match = _TYPED.fullmatch(reading.displayed.strip().replace("\u2212", "-"))
    if reading.origin is not Origin.HAND or reading.value is None or match is None:
        return reading.displayed
    number, rest = match.groups()
    unit = "Ω" if reading.unit == "ohm" else "°C" if reading.unit == "degC" else reading.unit
    if len(rest) < 2 and rest not in ("V", "A", "F", "Ω"):  # empty, or only a prefix
        rest += unit
    return f"{number.replace(',', '.')} {rest}"


def describe(track: Track) -> str:
    """A meter and its display: ``MA-01 shows 27.75 V``."""
    return f"{track.tag} shows {display(track.last)}" if track.last is not None else track.tag


def describe_all(tracks: Sequence[Track]) -> str:
    """Several meters and their displays."""
    return ", ".join(dict.fromkeys(describe(t) for t in tracks))


def names(tracks: Sequence[Track]) -> str:
    """Several meters."""
    return ", ".join(t.tag for t in tracks)


def describe_stillness(track: Track) -> str:
    """How long a display has been unchanged."""
    shown = display(track.last) if track.last is not None else ""
    return f"{shown} unchanged for {track.still.run_ns / 1e9:.0f} s"


def describe_jitter(track: Track) -> str:
    """How much a display jumps."""
    noise = track.noise
    return f"jumps by about {noise.now:.0f} counts from reading to reading, was {noise.usual:.1f}"


def drifted(
    odd: tuple[str, ...], edge: tuple[str, str], drift: Drift, scale: float, unit: str, now_ns: int
) -> str:
    """How far a difference drifted in how long; `scale` is the bound of the pair's difference in `unit`."""
    change = drift.change * scale * (-1 if odd[0] == edge[1] else 1)
    other = edge[0] if odd[0] == edge[1] else edge[1]
    minutes = max(1, round((now_ns - drift.began_ns) / 60e9))
    way = "up" if change > 0 else "down"
    text = f"gone {way} by {format_quantity(abs(change), unit, 2)} against {other} in {minutes} min"
    return text if len(odd) == 1 else f"{odd[0]} has {text}: one of them drifts"
