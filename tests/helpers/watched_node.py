"""Meters on one node under watch: their readings with one meter's changed, and the doubts that come of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import msgspec
from helpers.meters_on_node import FOUR, accuracy

from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.suspicion import Watchdog
from benchlog.project.suspect import Suspect
from benchlog.reading import Function, Origin, Reading

#: All four meters of the node.
GROUP = NodeGroup("node", tuple(FOUR))

#: What becomes of a reading; None where it is left out.
Change = Callable[[Reading], Reading | None]


def changed(readings: Iterable[Reading], tag: str, from_s: float, change: Change) -> Iterator[Reading]:
    """The readings with those of one meter changed, or left out, from some time on."""
    for reading in readings:
        if reading.instrument == tag and reading.mono_ns >= from_s * 1e9:
            new = change(reading)
            if new is not None:
                yield new
        else:
            yield reading


def with_value(reading: Reading, value: float) -> Reading:
    """The same reading with another number, on the same range."""
    counts = round(value / reading.resolution)
    shown = counts * reading.resolution
    return msgspec.structs.replace(reading, value=shown, displayed=f"{shown:.2f} V")


def by_eye(t_s: float, volts: float) -> Reading:
    """A reading of M2 to a tenth of a volt, typed with a comma."""
    now = round(t_s * 1e9)
    shown = f"{volts:.1f}".replace(".", ",")
    return Reading(
        Function.AC_VOLTS, volts, 0.1, shown, instrument="M2", utc_ns=now, mono_ns=now, origin=Origin.HAND
    )


def raised(
    readings: Iterable[Reading], groups: Iterable[NodeGroup] = (GROUP,), **options: Any
) -> list[tuple[float, Suspect]]:
    """Doubts as they are raised, looked at every half second."""
    dog = Watchdog(accuracy, list(groups), **options)
    found, old, next_ns = [], set[tuple[object, ...]](), 0
    for reading in readings:
        dog.take(reading)
        if reading.mono_ns >= next_ns:
            next_ns = reading.mono_ns + 5 * 10**8
            now = {(s.kind, *s.tags): s for s in dog.suspects(reading.mono_ns, reading.utc_ns)}
            found += [(reading.mono_ns / 1e9, s) for key, s in now.items() if key not in old]
            old = set(now)
    return found
