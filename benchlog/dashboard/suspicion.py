"""Whom to doubt, from live readings: meters on one node against each other, each display against its own past.

Readings go in one by one, doubts come out; no clock, no input or output. Every test is sequential and needs
evidence that lasts, so that neither a damaged frame nor a change of the source raises a doubt.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from benchlog.dashboard.blame import odd_ones
from benchlog.dashboard.pairing import Pair
from benchlog.dashboard.suspect import MISLEADING, Kind, NodeGroup, Suspect, next_check
from benchlog.dashboard.track import HAND_FRESH_NS, LASTING, LASTING_NS, Track
from benchlog.metrology.accuracy import Accuracy
from benchlog.reading import Flag, Function, Reading
from benchlog.units import format_quantity

__all__ = ["Agreement", "Watchdog"]

SILENT_NS = 5 * 10**9
SILENT_INTERVALS = 8
PAIR_FRESH_NS = 60 * 10**9
HAND_PAIR_FRESH_NS = 900 * 10**9
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
    word : {"agree", "disagree", "set differently", "no comparison"}
    e_n : float or None
        Largest of all pairs; agreement up to 1.
    pair : tuple of str
        The two it belongs to.
    difference : float or None
        Of these two, in `unit`.
    unit : str
    """

    group: NodeGroup
    word: str
    e_n: float | None = None
    pair: tuple[str, str] | None = None
    difference: float | None = None
    unit: str = ""


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
            for peer in peers:
                self._compare(track, peer)
            self._near_zero(track, peers)

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
            step = 3 * peer.resolution + (2 + 3 * track.noise.usual) * track.resolution
            if peer.still.run > 0:
                moved = peer.still.neighbours.get(track.tag)
                if moved is None:
                    peer.still.watch(track.tag, mine.value)
                else:
                    moved.take(mine.value, step)
        if not peer.comparable:
            return
        if track.by_hand or peer.by_hand:
            here = track.side() if mine.mono_ns - theirs.mono_ns <= HAND_FRESH_NS else None
            if not track.by_hand and track.before is not None and track.before.mono_ns >= theirs.mono_ns:
                return  # a typed reading is compared once with each neighbour
        else:
            here = track.side_at(theirs.mono_ns)
        there = peer.side()
        if here is None or there is None:
            return
        pair, in_order = self._pair(track.tag, peer.tag)
        pair.take(here, there, mine.mono_ns) if in_order else pair.take(there, here, mine.mono_ns)

    def _near_zero(self, track: Track, peers: Sequence[Track]) -> None:
        reading = track.last
        if reading is None or reading.value is None or track.accuracy is None:
            return
        shown = sorted(
            abs(p.value)
            for p in peers
            if p.value is not None
            and p.comparable
            and p.fresh(reading.mono_ns)
            and p.last is not None
            and p.last.function is reading.function
        )
        near = False
        if shown:
            theirs = shown[(len(shown) - 1) // 2]
            near = (
                abs(reading.value) < NEAR_ZERO_PART * theirs
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
        worst: tuple[float, tuple[str, str], Pair] | None = None
        disagree = False
        for edge, pair in self._live_pairs(group, now_ns):
            disagree = disagree or pair.disagree
            if worst is None or abs(pair.e_n) > worst[0]:
                worst = (abs(pair.e_n), edge, pair)
        if worst is None:
            word = "set differently" if len(functions) > 1 else "no comparison"
            return Agreement(group, word)
        last = self._tracks[worst[1][0]].last
        unit = last.unit if last is not None else ""
        word = "disagree" if disagree else "set differently" if len(functions) > 1 else "agree"
        return Agreement(group, word, worst[0], worst[1], worst[2].difference, unit)

    def _of(self, group: NodeGroup) -> list[Track]:
        return [self._tracks[tag] for tag in group.tags if tag in self._tracks]

    def _live_pairs(self, group: NodeGroup, now_ns: int) -> Iterator[tuple[tuple[str, str], Pair]]:
        for a, b in combinations(group.tags, 2):
            pair, in_order = self._pair(a, b)
            by_hand = any(self._track(t).by_hand for t in (a, b))
            if pair.pairs and now_ns - pair.last_ns <= (HAND_PAIR_FRESH_NS if by_hand else PAIR_FRESH_NS):
                yield (a, b) if in_order else (b, a), pair

    # ---- each meter by itself ----

    def _by_themselves(self, now_ns: int) -> Iterator[Suspect]:
        for tag, reason in self._known.items():
            yield self._doubt(self._track(tag), Kind.STANDARD, reason)
        for track in self._tracks.values():
            if silent := self._silence(track, now_ns):
                yield self._doubt(track, Kind.SILENT, silent)
                continue
            if shown := track.showing(_SYMBOLS):
                words = " and ".join(f"'{flag.value}'" for flag in shown)
                yield self._doubt(track, Kind.SYMBOL, f"shows {words}: the number is not what is there now")
            if track.showing(frozenset({Flag.LOW_BATTERY})):
                yield self._doubt(
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
        words = "no reading yet" if track.last is None else "no reading any more"
        return f"{words}: {error}" if error else f"{words}: is it on, awake, and its link switched on?"

    def _alone(self, track: Track) -> Iterator[Suspect]:
        still = track.still
        if still.out_of_character and track.last is not None:
            yield self._doubt(track, Kind.FROZEN, _stood(track) + "; it used to change all the time")
        if track.noise.grown:
            yield self._doubt(track, Kind.UNSTEADY, _jitter(track) + ": source, lead or meter")

    def _doubt(
        self, track: Track, kind: Kind, reason: str, others: tuple[str, ...] = (), group: str = ""
    ) -> Suspect:
        function = track.last.function if track.last is not None else None
        return Suspect(track.tag, kind, reason, next_check(kind, function), 0, others, group)

    # ---- meters on one node ----

    def _in_group(self, group: NodeGroup, now_ns: int, explained: set[str]) -> Iterator[Suspect]:
        tracks = [t for t in self._of(group) if t.fresh(now_ns) and t.tag not in explained]
        yield from self._functions(group, tracks)
        counts: dict[Function | None, int] = {}
        for track in tracks:
            counts[track.settled_function] = counts.get(track.settled_function, 0) + 1
        for function in counts:
            same = [t for t in tracks if t.settled_function is function]
            if len(same) > 1:
                yield from self._overloads(group, same)
                yield from self._zeros(group, same)
                yield from self._frozen(group, same)
                yield from self._unsteady(group, same)
        yield from self._disagreements(group, now_ns, explained)

    def _functions(self, group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
        set_to = {t.tag: t.settled_function for t in tracks if t.settled_function is not None}
        if len(set(set_to.values()) | ({group.function} - {None})) < 2:
            return
        right = group.function
        if right is None:
            for function in set(set_to.values()):
                if 2 * sum(f is function for f in set_to.values()) > len(set_to):
                    right = function
        odd = [t for t in tracks if t.tag in set_to and set_to[t.tag] is not right]
        if right is not None:
            meant = f"{right} is meant" if group.function else f"the others are on {right}"
            for track in odd:
                yield self._doubt(
                    track, Kind.FUNCTION, f"set to {set_to[track.tag]}, {meant}", group=group.name
                )
        elif odd:
            words = ", ".join(f"{tag} is on {function}" for tag, function in set_to.items())
            others = tuple(t.tag for t in odd[1:])
            yield self._doubt(
                odd[0], Kind.FUNCTION, f"{words}: not the same question", others, group=group.name
            )

    def _overloads(self, group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
        over = [t for t in tracks if t.overload.on]
        within = [t for t in tracks if t.value is not None and t.comparable and not t.overload.count]
        if over and 2 * len(within) >= len(tracks):
            for track in over:
                manual = track.last is not None and Flag.AUTO not in track.last.flags and not track.by_hand
                why = "; its range was set by hand" if manual else ""
                yield self._doubt(
                    track, Kind.OVERLOAD, f"overload while {_show(within)}{why}", group=group.name
                )

    def _zeros(self, group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
        low = [t for t in tracks if t.near_zero.on and t.comparable]
        others = [t for t in tracks if t not in low and t.comparable]
        for track in low if others else []:
            text = f"{_shown(track)} while {_show(others)}: near zero is no proof of a dead circuit"
            yield self._doubt(track, Kind.NEAR_ZERO, text, group=group.name)

    def _frozen(self, group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
        for track in tracks:
            still = track.still
            if track.by_hand or not still.long_enough or track.near_zero.count:
                continue
            peers = [t for t in tracks if t is not track and not t.by_hand]
            moved = [p for p in peers if p.tag in still.neighbours and still.neighbours[p.tag].sure]
            if moved and 2 * len(moved) > len(peers):
                far = max(abs(still.neighbours[p.tag].distance) for p in moved)
                unit = track.last.unit if track.last is not None else ""
                others: tuple[str, ...] = ()
                text = f"{_stood(track)} while {_names(moved)} moved by {format_quantity(far, unit, 2)}"
                if len(moved) == 1 and not still.was_lively:
                    others = (moved[0].tag,)
                    text += ": one stands still or the other drifts"
                yield self._doubt(track, Kind.FROZEN, text, others, group.name)
            elif still.out_of_character and not any(p.still.was_lively for p in peers):
                text = _stood(track) + "; it used to change all the time"
                yield self._doubt(track, Kind.FROZEN, text, group=group.name)

    def _unsteady(self, group: NodeGroup, tracks: Sequence[Track]) -> Iterator[Suspect]:
        grown = [t for t in tracks if t.noise.grown]
        if len(grown) == 1:
            others = [t for t in tracks if t is not grown[0] and not t.by_hand]
            if others and not any(t.noise.growing for t in others):
                text = f"{_jitter(grown[0])} while {_names(others)} stays steady: lead, contact or meter"
                yield self._doubt(grown[0], Kind.UNSTEADY, text, group=group.name)

    def _disagreements(self, group: NodeGroup, now_ns: int, explained: set[str]) -> Iterator[Suspect]:
        live = [(e, p) for e, p in self._live_pairs(group, now_ns) if not explained & set(e)]
        tags = [t for t in group.tags if any(t in edge for edge, _ in live)]
        pairs = dict(live)
        strong = [e for e, p in live if p.disagree]
        odd = odd_ones(tags, strong, [e for e, p in live if abs(p.e_n) > 0.5])
        if odd:
            yield self._at_odds(group, Kind.DISAGREES, odd, self._disagreement(odd, strong, pairs))
        leaning = [e for e, p in live if p.drift.weak]
        drifting = odd_ones(tags, [e for e, p in live if p.drift.strong], leaning)
        if drifting:
            text = self._drift(drifting, [e for e, p in live if p.drift.strong], pairs, now_ns)
            yield self._at_odds(group, Kind.DRIFTS, drifting, text)

    def _at_odds(self, group: NodeGroup, kind: Kind, odd: tuple[str, ...], text: str) -> Suspect:
        track = self._tracks[odd[0]]
        return self._doubt(track, kind, text, odd[1:], group.name)

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
            return f"{_shown(mine)} while {_show(others)}: E_n {number:.1f}, agreement ends at 1"
        if len(odd) == 2:
            a, b = (self._tracks[t] for t in odd)
            return f"{_shown(a)} against {_shown(b)}: E_n {number:.1f}, one of them is wrong"
        shown = ", ".join(_shown(self._tracks[t]) for t in odd)
        return f"{shown}: E_n up to {number:.1f}, no single one explains it"

    def _drift(
        self,
        odd: tuple[str, ...],
        strong: Sequence[tuple[str, str]],
        pairs: Mapping[tuple[str, str], Pair],
        now_ns: int,
    ) -> str:
        edge = max(strong, key=lambda e: abs(pairs[e].drift.change))
        drift = pairs[edge].drift
        a, b = (self._tracks[t] for t in edge)
        side_a, side_b = a.side(), b.side()
        if side_a is None or side_b is None or a.last is None:
            return "drifts"
        change = drift.change * (side_a.bound**2 + side_b.bound**2) ** 0.5
        if odd[0] == edge[1]:
            change = -change
        other = edge[0] if odd[0] == edge[1] else edge[1]
        minutes = max(1, round((now_ns - drift.began_ns) / 60e9))
        way = "up" if change > 0 else "down"
        text = (
            f"gone {way} by {format_quantity(abs(change), a.last.unit, 2)} against {other} in {minutes} min"
        )
        return text if len(odd) == 1 else f"{odd[0]} has {text}: one of them drifts"


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


def _shown(track: Track) -> str:
    return f"{track.tag} shows {track.last.displayed}" if track.last is not None else track.tag


def _show(tracks: Sequence[Track]) -> str:
    return ", ".join(dict.fromkeys(_shown(t) for t in tracks))


def _names(tracks: Sequence[Track]) -> str:
    return ", ".join(t.tag for t in tracks)


def _stood(track: Track) -> str:
    shown = track.last.displayed if track.last is not None else ""
    return f"{shown} unchanged for {track.still.run_ns / 1e9:.0f} s"


def _jitter(track: Track) -> str:
    noise = track.noise
    return f"jumps by about {noise.now:.0f} counts from reading to reading, was {noise.usual:.1f}"
