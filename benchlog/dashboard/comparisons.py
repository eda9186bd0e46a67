"""Comparisons between meters on one node, for each reading, and which of them still count."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.pairing import Pair, Side
from benchlog.dashboard.track import HAND_FRESH_NS, LASTING, LASTING_NS, Track
from benchlog.reading import Reading

PAIR_FRESH_NS = 60 * 10**9
HAND_PAIR_FRESH_NS = 900 * 10**9
NEAR_ZERO_PART = 0.1


class Comparisons:
    """All pairs of meters that share a node.

    Parameters
    ----------
    tracks : mapping of str to Track
        Meters read so far, by tag; updated by the caller.
    """

    def __init__(self, groups: Sequence[NodeGroup], tracks: Mapping[str, Track]) -> None:
        self._tracks = tracks
        self._pairs: dict[tuple[str, str], Pair] = {}
        self._peers: dict[str, list[str]] = {}
        for group in groups:
            for a, b in combinations(group.tags, 2):
                if (b, a) not in self._pairs:
                    self._pairs[a, b] = Pair()
                self._peers.setdefault(a, []).append(b)
                self._peers.setdefault(b, []).append(a)

    def alone(self, tag: str) -> bool:
        """Whether no other meter shares a node with this one."""
        return not self._peers.get(tag)

    def pair(self, a: str, b: str) -> Pair:
        """Comparison of two meters that share a node."""
        return self._pair(a, b)[0]

    def take(self, track: Track, *, new_function: bool, new_size: bool) -> None:
        """Compare the meter of a new reading with all others on its node.

        Parameters
        ----------
        new_function, new_size : bool
            Whether this reading changed its function or count size: earlier comparisons are then dropped.
        """
        peers = [self._tracks[p] for p in self._peers.get(track.tag, ()) if p in self._tracks]
        if new_function or new_size:
            for peer in peers:
                pair = self._pair(track.tag, peer.tag)[0]
                if new_function:
                    pair.forget()
                else:
                    pair.drift.forget()
        if track.comparable:
            _near_zero(track, peers)
            for peer in peers:
                self._compare(track, peer)

    def live(self, group: NodeGroup, now_ns: int) -> Iterator[tuple[tuple[str, str], Pair]]:
        """Recently compared pairs of a group, each with its two tags in the order of the comparison."""
        for a, b in combinations(group.tags, 2):
            pair, in_order = self._pair(a, b)
            if not (pair.pairs and pair.readings):
                continue
            by_hand = self._tracks[a].by_hand or self._tracks[b].by_hand
            if now_ns - pair.last_ns <= (HAND_PAIR_FRESH_NS if by_hand else PAIR_FRESH_NS):
                yield (a, b) if in_order else (b, a), pair

    def _pair(self, a: str, b: str) -> tuple[Pair, bool]:
        """The pair of two meters, and whether `a` is its first."""
        return (self._pairs[a, b], True) if (a, b) in self._pairs else (self._pairs[b, a], False)

    def _compare(self, track: Track, peer: Track) -> None:
        mine, theirs = track.last, peer.last
        if mine is None or theirs is None or theirs.value is None or mine.value is None:
            return
        if mine.function is not theirs.function:
            return
        if not track.by_hand:
            peer.still.neighbour(
                track.tag,
                mine.value,
                peer.resolution,
                track.resolution * (1 + max(track.noise.usual, track.noise.now)),
            )
        if not peer.comparable:
            return
        pair, in_order = self._pair(track.tag, peer.tag)
        here, there = _side_beside(pair, track, peer, theirs.mono_ns), peer.side
        if here is None or there is None:
            return
        # A meter near zero among others has its own rule and does not count as disagreeing.
        compare = pair.update_values if track.near_zero.count or peer.near_zero.count else pair.take
        if in_order:
            compare(here, there, mine.mono_ns)
            pair.readings = (mine, theirs)
        else:
            compare(there, here, mine.mono_ns)
            pair.readings = (theirs, mine)


def _side_beside(pair: Pair, track: Track, peer: Track, moment_ns: int) -> Side | None:
    """The meter's side of a comparison, at the time of its peer's latest reading."""
    if track.by_hand or peer.by_hand:
        return track.side if _may_compare_typed(pair, track, peer) else None
    return track.side_at(moment_ns)


def _near_zero(track: Track, peers: Sequence[Track]) -> None:
    """Note whether the meter is near zero while most of the others are not."""
    reading = track.last
    if reading is None or reading.value is None or track.accuracy is None:
        return
    near = False
    mine = abs(reading.value)
    # Most readings are not near zero, so sort the others only if this one may be.
    if any(p.side is not None and mine < NEAR_ZERO_PART * abs(p.side.value) for p in peers):
        theirs = _median_beside(reading, peers)
        near = (
            mine < NEAR_ZERO_PART * theirs
            and theirs > 3 * track.accuracy.bound(theirs, reading.resolution)
            and theirs > 30 * reading.resolution
        )
    track.near_zero.take(
        near,
        reading.mono_ns,
        weight=LASTING if track.by_hand else 1,
        at_least_ns=0 if track.by_hand else LASTING_NS,
    )


def _median_beside(reading: Reading, peers: Sequence[Track]) -> float:
    """Median magnitude of the others' present readings on the same function (the lower of two), 0 without any."""
    values = sorted(
        abs(p.side.value)
        for p in peers
        if p.side is not None
        and p.last is not None
        and p.last.function is reading.function
        and p.comparable
        and p.fresh(reading.mono_ns)
    )
    return values[(len(values) - 1) // 2] if values else 0.0


def _may_compare_typed(pair: Pair, track: Track, peer: Track) -> bool:
    """Whether to compare with a typed reading: once, with a steady display, within a minute.

    `track` is the meter of the new reading.
    """
    if track.last is None or peer.last is None or track.last.mono_ns - peer.last.mono_ns > HAND_FRESH_NS:
        return False
    if track.by_hand and peer.by_hand:
        return True
    hand, linked = (track, peer) if track.by_hand else (peer, track)
    typed_ns = hand.last.mono_ns if hand.last is not None else 0
    if pair.typed_ns == typed_ns or not linked.at_rest or not linked.fresh(track.last.mono_ns):
        return False
    pair.typed_ns = typed_ns
    return True
