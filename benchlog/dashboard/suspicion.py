"""Find meters to doubt, from live readings: compares meters on one node, and each display with its history.

Readings go in one by one, doubts come out; no clock, no input or output. Every test is sequential and needs lasting
evidence, so that neither a bad frame nor a change of the source raises a doubt.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import replace

from benchlog.checks.average_responding import unlike
from benchlog.checks.outliers import outliers
from benchlog.dashboard.agreement import Agreement, agreement_of
from benchlog.dashboard.comparisons import Comparisons
from benchlog.dashboard.group_rules import frozen, functions, overloads, unsteady, zeros
from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.pairing import Pair
from benchlog.dashboard.reasons import (
    describe,
    describe_all,
    describe_jitter,
    describe_stillness,
    display,
    doubt,
    drifted,
)
from benchlog.dashboard.track import Track
from benchlog.metrology.accuracy import Accuracy
from benchlog.project.suspect import Kind, Suspect
from benchlog.reading import Flag, Function, Reading

SILENT_NS = 5 * 10**9
SILENT_INTERVALS = 8
# A doubt of the first kind explains those of the other kinds about the same meter.
_EXPLAINS = frozenset({Kind.SILENT, Kind.FUNCTION, Kind.SYMBOL, Kind.OVERLOAD, Kind.NEAR_ZERO, Kind.FROZEN})
_EXPLAINED = frozenset({Kind.DISAGREES, Kind.DRIFTS, Kind.UNSTEADY, Kind.FROZEN})
# What only a comparison shows, so that only an agreeing one ends it: time and silence do not.
_COMPARED = frozenset({Kind.DISAGREES, Kind.NEAR_ZERO})
_TIPS_THE_SCALES = frozenset({Kind.LOW_BATTERY, Kind.STANDARD})


class Watchdog:
    """Follows meters and reports which to doubt.

    Parameters
    ----------
    accuracy : callable
        Gives the accuracy statement of a reading.
    groups : sequence of NodeGroup
        Meters on one node.
    known : mapping of str to str, optional
        Meters already in doubt by their check standards, with the reason.
    before : sequence of Suspect
        Doubts of an earlier watch that nothing has settled.
    averaging : set of str
        Meters that respond to the average: on AC, another one may differ and both be good.
    """

    def __init__(
        self,
        accuracy: Callable[[Reading], Accuracy],
        groups: Sequence[NodeGroup] = (),
        known: Mapping[str, str] | None = None,
        before: Sequence[Suspect] = (),
        averaging: AbstractSet[str] = frozenset(),
    ) -> None:
        self._accuracy = accuracy
        self._averaging = averaging
        self.groups = tuple(groups)
        self._known = dict(known or {})
        self._tracks: dict[str, Track] = {}
        self._links: dict[str, str] = {}
        self._comparisons = Comparisons(self.groups, self._tracks)
        self._since = {s.key: s.since_utc_ns for s in before}
        #: Disagreements seen, and what was open before, that nothing has settled.
        self._open = list(before)

    # ---- in ----

    def expect(self, tag: str, now_ns: int) -> None:
        """Expect readings of a linked meter from now on, to notice its silence."""
        self._links[tag] = ""
        self._track(tag).started_ns = now_ns

    def link_trouble(self, tag: str, error: str) -> None:
        """Set the error of the link to a meter; an empty text clears it."""
        self._links[tag] = error

    def take(self, reading: Reading) -> None:
        """Take one reading, stamped with tag and times."""
        track = self._track(reading.instrument)
        new_function, new_size = track.take(reading, self._accuracy(reading))
        self._comparisons.take(track, new_function=new_function, new_size=new_size)

    def _track(self, tag: str) -> Track:
        return self._tracks.setdefault(tag, Track(tag))

    # ---- out ----

    def suspects(self, now_ns: int, now_utc_ns: int) -> tuple[Suspect, ...]:
        """Present doubts, the most serious kind first.

        Parameters
        ----------
        now_ns, now_utc_ns : int
            Monotonic time, on which readings are ordered, and wall time, for `Suspect.since_utc_ns`.
        """
        found = [*self._by_themselves(now_ns)]
        found += self._unread()
        explained = {s.tag for s in found if s.kind in _EXPLAINS}
        for group in self.groups:
            seen = list(self._in_group(group, now_ns, explained))
            found += [*seen, *self._not_cleared(group, seen, now_ns, explained)]
        found = _without_explained(found)
        order = list(Kind)
        found.sort(key=lambda s: (order.index(s.kind), s.tag))
        self._since = {s.key: self._since.get(s.key, now_utc_ns) for s in (*found, *self._open)}
        return tuple(replace(s, since_utc_ns=self._since[s.key]) for s in found)

    @property
    def unsettled(self) -> tuple[Suspect, ...]:
        """Doubts that nothing has settled, also where a more serious one about the same meter hides them."""
        return tuple(self._open)

    def agreement(self, group: NodeGroup, now_ns: int) -> Agreement:
        """Agreement of the meters of a group at present."""
        return agreement_of(group, self._comparisons, self._tracks, now_ns)

    def _of(self, group: NodeGroup) -> list[Track]:
        return [self._tracks[tag] for tag in group.tags if tag in self._tracks]

    # ---- each meter by itself ----

    def _by_themselves(self, now_ns: int) -> Iterator[Suspect]:
        for tag, reason in self._known.items():
            yield doubt(self._track(tag), Kind.STANDARD, reason)
        for track in self._tracks.values():
            if silent := self._silence(track, now_ns):
                yield doubt(track, Kind.SILENT, silent)
                continue
            if symbols := [flag for flag in track.showing if flag.misleads]:
                words = " and ".join(f"'{flag.value}'" for flag in symbols)
                yield doubt(track, Kind.SYMBOL, f"shows {words}: its number is not the present value")
            if Flag.LOW_BATTERY in track.showing:
                yield doubt(track, Kind.LOW_BATTERY, "battery symbol: with a low battery volts can read high")
            if self._comparisons.alone(track.tag):
                yield from self._alone(track)

    def _unread(self) -> list[Suspect]:
        """What meters showed by themselves in an earlier watch, until they are read again."""
        read = {tag for tag, track in self._tracks.items() if track.last is not None}
        self._open = [s for s in self._open if s.group or s.tag not in read]
        return [s for s in self._open if not s.group]

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
            yield doubt(
                track, Kind.FROZEN, describe_stillness(track) + ", but it used to change all the time"
            )
        if track.noise.grown:
            yield doubt(track, Kind.UNSTEADY, describe_jitter(track) + ": source, lead or meter")

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
        live = [(e, p) for e, p in self._comparisons.live(group, now_ns) if not explained & set(e)]
        tags = [t for t in group.tags if any(t in edge for edge, _ in live)]
        pairs = dict(live)
        strong = [e for e, p in live if p.disagree]
        odd = outliers(tags, strong, [e for e, p in live if abs(p.e_n) > 0.5])
        if odd:
            text = self._disagreement(odd, strong, pairs)
            yield doubt(self._tracks[odd[0]], Kind.DISAGREES, text, odd[1:], group.name)
        yield from self._drifts(group, tags, pairs, now_ns)

    def _not_cleared(
        self, group: NodeGroup, seen: Sequence[Suspect], now_ns: int, explained: set[str]
    ) -> list[Suspect]:
        """Earlier doubts that nothing has settled: meters that are not compared have not agreed.

        One ends when its meters agree again (a difference, on the function it was seen on), or when the group names
        it again.
        """
        now = [s for s in seen if s.kind in _COMPARED]
        named = {(s.kind, tag) for s in seen for tag in s.tags}
        agreeing = [
            (set(edge), pair.readings[0].function)
            for edge, pair in self._comparisons.live(group, now_ns)
            if not pair.disagree and abs(pair.e_n) <= 1
        ]
        others = [s for s in self._open if s.group != group.name]
        mine = [s for s in self._open if s.group == group.name and not _settled(s, named, agreeing)]
        self._open = [*others, *mine, *now]
        return [s for s in mine if not explained & set(s.tags)]

    def _drifts(
        self, group: NodeGroup, tags: Sequence[str], pairs: Mapping[tuple[str, str], Pair], now_ns: int
    ) -> Iterator[Suspect]:
        strong = [e for e, p in pairs.items() if p.drift.strong]
        odd = outliers(tags, strong, [e for e, p in pairs.items() if p.drift.weak])
        if not odd:
            return
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
        first, second = pairs[edge].readings
        why = [unlike(first.function, *pair, self._averaging) for pair in (edge, *strong)]
        blind = f"; {why[0]}" if all(why) else ""
        if len(odd) == 1:
            mine = self._tracks[odd[0]]
            others = [self._tracks[t] for e in strong if odd[0] in e for t in e if t != odd[0]]
            return f"{describe(mine)} while {describe_all(others)}: {_e_n_words(pairs[edge])}{blind}"
        if len(odd) == 2:
            a, b = edge
            wrong = blind or ", one of them is wrong" if number > 1 else ""
            return (
                f"{a} shows {display(first)}, {b} shows {display(second)}: {_e_n_words(pairs[edge])}{wrong}"
            )
        all_shown = ", ".join(describe(self._tracks[t]) for t in odd)
        return f"{all_shown}: E_n up to {number:.1f}{blind or ', more than one may be wrong'}"


def _settled(
    suspect: Suspect, named: set[tuple[Kind, str]], agreeing: Sequence[tuple[set[str], Function]]
) -> bool:
    """Whether an earlier doubt is named again, or one of its meters agrees with another on the same function."""
    tags = set(suspect.tags)
    any_function = suspect.kind not in _COMPARED or suspect.function is None
    # A meter near zero that differs by less now is named as differing.
    return any({(suspect.kind, tag), (Kind.DISAGREES, tag)} & named for tag in tags) or any(
        (any_function or on is suspect.function) and tags & edge for edge, on in agreeing
    )


def _e_n_words(pair: Pair) -> str:
    if abs(pair.e_n) > 1:
        return f"E_n {abs(pair.e_n):.1f} (limit 1)"
    return f"E_n {abs(pair.e_n):.1f} now, was {pair.worst:.1f}: they agree again, but not for long enough (limit 1)"


def _without_explained(found: Sequence[Suspect]) -> list[Suspect]:
    """Leave out doubts that a more specific one about the same meter already explains."""
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
