"""Doubts about meters on one node; each rule looks for one kind of difference from the others."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.reasons import (
    describe,
    describe_all,
    describe_jitter,
    describe_stillness,
    doubt,
    names,
)
from benchlog.dashboard.track import Track
from benchlog.number_format import format_quantity
from benchlog.project.suspect import Kind, Suspect
from benchlog.reading import Flag


def functions(group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
    """Meters on another function than intended, or than the majority."""
    set_to = {t.tag: t.settled_function for t in tracks if t.settled_function is not None}
    if len(set(set_to.values()) | ({group.function} - {None})) < 2:
        return
    right = group.function
    if right is None:
        usual, count = Counter(set_to.values()).most_common(1)[0]
        right = usual if 2 * count > len(set_to) else None
    odd = [t for t in tracks if t.tag in set_to and set_to[t.tag] is not right]
    if right is not None:
        meant = f"it should be on {right}" if group.function else f"the others are on {right}"
        for track in odd:
            yield doubt(track, Kind.FUNCTION, f"set to {set_to[track.tag]}, {meant}", group=group.name)
    elif odd:
        words = ", ".join(f"{tag} is on {function}" for tag, function in set_to.items())
        others = tuple(t.tag for t in odd[1:])
        yield doubt(odd[0], Kind.FUNCTION, f"{words}: they can't be compared", others, group=group.name)


def overloads(group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
    """Meters that show overload while others show numbers."""
    over = [t for t in tracks if t.overload.on]
    within = [t for t in tracks if t.value is not None and t.comparable and not t.overload.count]
    if over and 2 * len(within) >= len(tracks):
        for track in over:
            manual = track.last is not None and Flag.AUTO not in track.last.flags and not track.by_hand
            why = "; its range was set by hand" if manual else ""
            yield doubt(track, Kind.OVERLOAD, f"overload while {describe_all(within)}{why}", group=group.name)


def zeros(group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
    """Meters near zero while others are not."""
    low = [t for t in tracks if t.near_zero.on and t.comparable]
    others = [t for t in tracks if t not in low and t.comparable]
    for track in low if others else []:
        text = f"{describe(track)} while {describe_all(others)}: near zero does not prove a dead circuit"
        yield doubt(track, Kind.NEAR_ZERO, text, group=group.name)


def frozen(group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
    """Displays that don't change while others do."""
    for track in tracks:
        still = track.still
        if track.by_hand or not still.long_enough or track.near_zero.count:
            continue
        peers = [t for t in tracks if t is not track and not t.by_hand]
        moved, far = _moved_beside(track, peers)
        if moved:
            unit = track.last.unit if track.last is not None else ""
            others: tuple[str, ...] = ()
            text = (
                f"{describe_stillness(track)} while {names(moved)} moved by {format_quantity(far, unit, 2)}"
            )
            if len(moved) == 1 and not still.was_lively:
                others = (moved[0].tag,)
                text += ": one is stuck, or the other drifts"
            yield doubt(track, Kind.FROZEN, text, others, group.name)
        elif still.out_of_character and not any(p.still.was_lively for p in peers):
            text = describe_stillness(track) + ", but it used to change all the time"
            yield doubt(track, Kind.FROZEN, text, group=group.name)


def _moved_beside(track: Track, peers: Sequence[Track]) -> tuple[list[Track], float]:
    """Other displays that moved while this one did not, and how far; none if as many did not move either."""
    neighbours = track.still.neighbours
    seen = {p.tag: neighbours[p.tag] for p in peers if p.tag in neighbours}
    moved = [p for p in peers if p.tag in seen and seen[p.tag].sure and not p.noise.growing]
    far = min((seen[p.tag].distance for p in moved), default=0.0)
    # A display too coarse to show that change proves nothing.
    against = sum(not m.sure and 1.5 * m.threshold < far for m in seen.values())
    return (moved, far) if len(moved) > against else ([], 0.0)


def unsteady(group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
    """A single display that has become noisy."""
    grown = [t for t in tracks if t.noise.grown]
    if len(grown) == 1:
        others = [t for t in tracks if t is not grown[0] and not t.by_hand]
        if others and not any(t.noise.growing for t in others):
            text = f"{describe_jitter(grown[0])} while {names(others)} stays steady: lead, contact or meter"
            yield doubt(grown[0], Kind.UNSTEADY, text, group=group.name)
