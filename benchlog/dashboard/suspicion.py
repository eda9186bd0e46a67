"""Whom to doubt, from live readings: meters on one node against each other, each display against its own past.

Readings go in one by one, doubts come out; no clock, no input or output. Every test is sequential and needs
evidence that lasts, so that neither a damaged frame nor a change of the source raises a doubt.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from benchlog.dashboard.blame import odd_ones
from benchlog.dashboard.on_node import frozen, functions, overloads, unsteady, zeros
from benchlog.dashboard.pairing import Pair
from benchlog.dashboard.reasons import display, doubt, drifted, jitter, show, shown, stood
from benchlog.dashboard.suspect import MISLEADING, Kind, NodeGroup, Suspect
from benchlog.dashboard.track import HAND_FRESH_NS, LASTING, LASTING_NS, Track
from benchlog.metrology.accuracy import Accuracy
from benchlog.reading import Flag, Function, Reading

__all__ = ["Agreement", "Watchdog"]

SILENT_NS = 5 * 10**9
SILENT_INTERVALS = 8
PAIR_FRESH_NS = 60 * 10**9
HAND_PAIR_FRESH_NS = 900 * 10**9
ENDED_NS = 60 * 10**9  # so long it is said that a disagreement has ended
RANGING_NS = 2 * 10**9
NEAR_ZERO_PART = 0.1
_SYMBOLS = MISLEADING - {Flag.UNSTABLE}
# A doubt of the left kind explains what the others would say of the same meter.
_EXPLAINS = frozenset({Kind.SILENT, Kind.FUNCTION, Kind.SYMBOL, Kind.OVERLOAD, Kind.NEAR_ZERO, Kind.FROZEN})
_EXPLAINED = frozenset({Kind.DISAGREES, Kind.DRIFTS, Kind.UNSTEADY, Kind.FROZEN})
_TIPS_THE_SCALES = frozenset({Kind.LOW_BATTERY, Kind.STANDARD})


@dataclass(frozen=True, slots=True)
class Agreement:
    """How the meters on one node stand to each other.

    Attributes
    ----------
    group : NodeGroup
    word : {"agree", "disagree", "unsettled", "set differently", "no comparison"}
        "unsettled": apart, or together again, but not for long enough to mean it.
    e_n : float or None
        Largest of the pairs that `word` speaks of; agreement up to 1.
    pair : tuple of str
        The two it belongs to.
    difference : float or None
        Of these two, in `unit`.
    unit : str
    typed : tuple of str
        Which of the two were read by eye.
    age_ns : int
        How long ago the two were compared.
    ended : bool
        A disagreement has just ended, or (when "unsettled") is about to.
    missing : tuple of str
        Meters whose latest reading is not compared with any other's.
    unread : tuple of str
        Those of them that were never read.
    ever : bool
        Whether any two were compared at all.
    """

    group: NodeGroup
    word: str
    e_n: float | None = None
    pair: tuple[str, str] | None = None
    difference: float | None = None
    unit: str = ""
    typed: tuple[str, ...] = ()
    age_ns: int = 0
    ended: bool = False
    missing: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    ever: bool = False


class Watchdog:
    """Follows meters and tells which to doubt.

    Parameters
    ----------
    accuracy : callable
        Accuracy statement that holds for a reading.
    groups : sequence of NodeGroup
        Meters on one node.
    known : mapping of str to str, optional
        Meters already in doubt by their check standards, with the reason.
    """

    def __init__(
        self,
        accuracy: Callable[[Reading], Accuracy],
        groups: Sequence[NodeGroup] = (),
        known: Mapping[str, str] | None = None,
    ) -> None:
        self._accuracy = accuracy
        self.groups = tuple(groups)
        self._known = dict(known or {})
        self._tracks: dict[str, Track] = {}
        self._links: dict[str, str] = {}
        self._pairs: dict[tuple[str, str], Pair] = {}
        self._peers: dict[str, list[str]] = {}
        for group in self.groups:
            for a, b in combinations(group.tags, 2):
                if (b, a) not in self._pairs:
                    self._pairs[a, b] = Pair()
                self._peers.setdefault(a, []).append(b)
                self._peers.setdefault(b, []).append(a)
        self._since: dict[tuple[str, ...], int] = {}

    # ---- in ----

    def expect(self, tag: str, now_ns: int) -> None:
        """Say that a linked meter is being read from now on, so that its silence is noticed."""
        self._links[tag] = ""
        self._track(tag).started_ns = now_ns

    def link_trouble(self, tag: str, error: str) -> None:
        """Say what the link to a meter complains of; an empty text ends it."""
        self._links[tag] = error

    def take(self, reading: Reading) -> None:
        """Take one reading, stamped with tag and times."""
        track = self._track(reading.instrument)
        new_function, new_size = track.take(reading, self._accuracy(reading))
        peers = [self._tracks[p] for p in self._peers.get(track.tag, ()) if p in self._tracks]
        if new_function or new_size:
            for peer in peers:
                pair = self._pair(track.tag, peer.tag)[0]
                if new_function:
                    pair.forget()
                else:
                    pair.drift.forget()
        if track.comparable:
            self._near_zero(track, peers)
            for peer in peers:
                self._compare(track, peer)

    def _track(self, tag: str) -> Track:
        return self._tracks.setdefault(tag, Track(tag))

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
        if track.by_hand or peer.by_hand:
            here = track.side if _may_compare_typed(pair, track, peer) else None
        else:
            here = track.side_at(theirs.mono_ns)
        there = peer.side
        if here is None or there is None:
            return
        # What is near zero beside others has a rule of its own, and no part in the disagreement.
        compare = pair.glance if track.near_zero.count or peer.near_zero.count else pair.take
        if in_order:
            compare(here, there, mine.mono_ns)
            pair.readings = (mine, theirs)
        else:
            compare(there, here, mine.mono_ns)
            pair.readings = (theirs, mine)

    def _near_zero(self, track: Track, peers: Sequence[Track]) -> None:
        reading = track.last
        if reading is None or reading.value is None or track.accuracy is None:
            return
        near = False
        mine = abs(reading.value)
        if any(p.side is not None and mine < NEAR_ZERO_PART * abs(p.side.value) for p in peers):
            values = sorted(
                abs(p.side.value)
                for p in peers
                if p.side is not None
                and p.comparable
                and p.fresh(reading.mono_ns)
                and p.last is not None
                and p.last.function is reading.function
            )
            theirs = values[(len(values) - 1) // 2] if values else 0.0
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

    # ---- out ----

    def suspects(self, now_ns: int, now_utc_ns: int) -> tuple[Suspect, ...]:
        """Doubts there are now, the gravest kind first.

        Parameters
        ----------
        now_ns, now_utc_ns : int
            Monotonic time, on which readings are ordered, and wall time, for `Suspect.since_utc_ns`.
        """
        found = [*self._by_themselves(now_ns)]
        explained = {s.tag for s in found if s.kind in _EXPLAINS}
        for group in self.groups:
            found += self._in_group(group, now_ns, explained)
        found = _without_explained(found)
        order = list(Kind)
        found.sort(key=lambda s: (order.index(s.kind), s.tag))
        keys = {(s.kind, s.group, *s.tags) for s in found}
        self._since = {key: self._since.get(key, now_utc_ns) for key in keys}
        return tuple(replace(s, since_utc_ns=self._since[s.kind, s.group, *s.tags]) for s in found)

    def agreement(self, group: NodeGroup, now_ns: int) -> Agreement:
        """How the meters of a group stand to each other now."""
        tracks = self._of(group)
        functions = {t.settled_function for t in tracks if t.fresh(now_ns) and t.settled_function}
        live = [(e, p) for e, p in self._live_pairs(group, now_ns) if self._is_latest(e, p, now_ns)]
        compared = {tag for edge, _ in live for tag in edge}
        missing = tuple(t for t in group.tags if t not in compared)
        unread = tuple(t for t in missing if self._track(t).last is None)
        ever = any(self._pair(a, b)[0].last_ns for a, b in combinations(group.tags, 2))
        zeros = {t.tag for t in tracks if t.near_zero.on}
        apart = [(e, p) for e, p in live if (p.disagree and abs(p.e_n) > 1) or (zeros & set(e))]
        word = "disagree" if apart or zeros else "set differently" if len(functions) > 1 else ""
        if not live or (zeros and not apart):
            return Agreement(group, word or "no comparison", missing=missing, unread=unread, ever=ever)
        edge, pair = max(apart or live, key=lambda found: abs(found[1].e_n))
        ending = any(p.disagree for _, p in live)
        ended = any(p.ended_ns is not None and now_ns - p.ended_ns <= ENDED_NS for _, p in live)
        if not word:
            word = "unsettled" if abs(pair.e_n) > 1 or ending else "agree"
        last = self._tracks[edge[0]].last
        return Agreement(
            group,
            word,
            abs(pair.e_n),
            edge,
            pair.difference,
            last.unit if last is not None else "",
            tuple(tag for tag in edge if self._tracks[tag].by_hand),
            now_ns - pair.last_ns,
            abs(pair.e_n) <= 1 and (ending or ended),
            missing,
            unread,
            ever,
        )

    def _is_latest(self, edge: tuple[str, str], pair: Pair, now_ns: int) -> bool:
        """Whether what was compared is what the two meters show now."""
        for tag, compared in zip(edge, pair.readings, strict=True):
            track = self._track(tag)
            if track.by_hand:
                if track.last is not compared:
                    return False
            elif not track.fresh(now_ns) or (not track.comparable and now_ns - pair.last_ns > RANGING_NS):
                return False
        return True

    def _of(self, group: NodeGroup) -> list[Track]:
        return [self._tracks[tag] for tag in group.tags if tag in self._tracks]

    def _live_pairs(self, group: NodeGroup, now_ns: int) -> Iterator[tuple[tuple[str, str], Pair]]:
        for a, b in combinations(group.tags, 2):
            pair, in_order = self._pair(a, b)
            by_hand = any(self._track(t).by_hand for t in (a, b))
            if (
                pair.pairs
                and pair.readings
                and now_ns - pair.last_ns <= (HAND_PAIR_FRESH_NS if by_hand else PAIR_FRESH_NS)
            ):
                yield (a, b) if in_order else (b, a), pair

    # ---- each meter by itself ----

    def _by_themselves(self, now_ns: int) -> Iterator[Suspect]:
        for tag, reason in self._known.items():
            yield doubt(self._track(tag), Kind.STANDARD, reason)
        for track in self._tracks.values():
            if silent := self._silence(track, now_ns):
                yield doubt(track, Kind.SILENT, silent)
                continue
            if symbols := track.showing(_SYMBOLS):
                words = " and ".join(f"'{flag.value}'" for flag in symbols)
                yield doubt(track, Kind.SYMBOL, f"shows {words}: the number is not what is there now")
            if track.showing(frozenset({Flag.LOW_BATTERY})):
                yield doubt(
                    track, Kind.LOW_BATTERY, "battery symbol: a sagging battery makes volts read high"
                )
            if not self._peers.get(track.tag):
                yield from self._alone(track)

    def _silence(self, track: Track, now_ns: int) -> str:
        if track.tag not in self._links:
            return ""
        since = track.last.mono_ns if track.last is not None else track.started_ns
        if track.by_hand or now_ns - since <= max(SILENT_NS, SILENT_INTERVALS * track.interval_ns):
            return ""
        error = self._links[track.tag]
        words = "no reading yet" if track.last is None else f"nothing since {display(track.last)}"
        return f"{words}: {error}" if error else f"{words}: is it on, awake, and its link switched on?"

    def _alone(self, track: Track) -> Iterator[Suspect]:
        still = track.still
        if still.out_of_character and track.last is not None:
            yield doubt(track, Kind.FROZEN, stood(track) + "; it used to change all the time")
        if track.noise.grown:
            yield doubt(track, Kind.UNSTEADY, jitter(track) + ": source, lead or meter")

    # ---- meters on one node ----

    def _in_group(self, group: NodeGroup, now_ns: int, explained: set[str]) -> Iterator[Suspect]:
        tracks = [t for t in self._of(group) if t.fresh(now_ns) and t.tag not in explained]
        yield from functions(group, tracks)
        counts: dict[Function | None, int] = {}
        for track in tracks:
            counts[track.settled_function] = counts.get(track.settled_function, 0) + 1
        for function in counts:
            same = [t for t in tracks if t.settled_function is function]
            if len(same) > 1:
                yield from overloads(group, same)
                yield from zeros(group, same)
                yield from frozen(group, same)
                yield from unsteady(group, same)
        yield from self._disagreements(group, now_ns, explained)

    def _disagreements(self, group: NodeGroup, now_ns: int, explained: set[str]) -> Iterator[Suspect]:
        live = [(e, p) for e, p in self._live_pairs(group, now_ns) if not explained & set(e)]
        tags = [t for t in group.tags if any(t in edge for edge, _ in live)]
        pairs = dict(live)
        strong = [e for e, p in live if p.disagree]
        odd = odd_ones(tags, strong, [e for e, p in live if abs(p.e_n) > 0.5])
        if odd:
            text = self._disagreement(odd, strong, pairs)
            yield doubt(self._tracks[odd[0]], Kind.DISAGREES, text, odd[1:], group.name)
        leaning = [e for e, p in live if p.drift.weak]
        strong = [e for e, p in live if p.drift.strong]
        odd = odd_ones(tags, strong, leaning)
        if odd:
            edge = max(strong, key=lambda e: abs(pairs[e].drift.change))
            a, b = (self._tracks[t] for t in edge)
            if a.side is not None and b.side is not None and a.last is not None:
                scale = math.hypot(a.side.bound, b.side.bound)
                text = drifted(odd, edge, pairs[edge].drift, scale, a.last.unit, now_ns)
                yield doubt(self._tracks[odd[0]], Kind.DRIFTS, text, odd[1:], group.name)

    def _disagreement(
        self,
        odd: tuple[str, ...],
        strong: Sequence[tuple[str, str]],
        pairs: Mapping[tuple[str, str], Pair],
    ) -> str:
        edge = max(strong, key=lambda e: abs(pairs[e].e_n))
        number = abs(pairs[edge].e_n)
        if len(odd) == 1:
            mine = self._tracks[odd[0]]
            others = [self._tracks[t] for e in strong if odd[0] in e for t in e if t != odd[0]]
            return f"{shown(mine)} while {show(others)}: {_e_n_words(pairs[edge])}"
        if len(odd) == 2:
            a, b = edge
            first, second = pairs[edge].readings
            wrong = ", one of them is wrong" if number > 1 else ""
            return (
                f"{a} shows {display(first)} against {b} shows {display(second)}: "
                f"{_e_n_words(pairs[edge])}{wrong}"
            )
        all_shown = ", ".join(shown(self._tracks[t]) for t in odd)
        return f"{all_shown}: E_n up to {number:.1f}, no single one explains it"


def _e_n_words(pair: Pair) -> str:
    if abs(pair.e_n) > 1:
        return f"E_n {abs(pair.e_n):.1f} (limit 1)"
    return f"E_n {abs(pair.e_n):.1f} now, was {pair.worst:.1f}: agreeing again, but not for long enough (limit 1)"


def _may_compare_typed(pair: Pair, track: Track, peer: Track) -> bool:
    """Whether a comparison with a typed reading is due: once, with a display at rest, within a minute.

    `track` is the one whose reading just came.
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


def _without_explained(found: Sequence[Suspect]) -> list[Suspect]:
    """Leave out what a more telling doubt about the same meter explains already."""
    explained: dict[str, set[Kind]] = {}
    tipped: set[str] = set()
    for s in found:
        if s.kind in _EXPLAINS and not s.others:
            explained.setdefault(s.tag, set()).add(s.kind)
        if s.kind in _TIPS_THE_SCALES:
            tipped.add(s.tag)
    kept = []
    for s in found:
        if s.kind in _EXPLAINED and any(explained.get(tag, set()) - {s.kind} for tag in s.tags):
            continue
        guilty = [tag for tag in s.tags if tag in tipped]
        if s.others and s.kind in (Kind.DISAGREES, Kind.DRIFTS) and len(guilty) == 1:
            s = replace(s, tag=guilty[0], others=())
        kept.append(s)
    return kept
