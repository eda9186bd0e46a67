"""Present agreement of the meters on one node: agree, disagree, not decided yet, or not compared."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from itertools import combinations

from benchlog.dashboard.comparisons import Comparisons
from benchlog.dashboard.model import NodeGroup
from benchlog.dashboard.pairing import Pair
from benchlog.dashboard.track import Track
from benchlog.number_format import format_quantity

ENDED_NS = 60 * 10**9  # the end of a disagreement is shown for this long
RANGING_NS = 2 * 10**9

Edge = tuple[tuple[str, str], Pair]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Agreement of the meters on one node."""

    group: NodeGroup
    #: One of "agree", "disagree", "unsettled", "set differently", "no comparison". "unsettled": disagreeing or agreeing
    #: again, but not yet for long enough.
    word: str
    e_n: float | None = None  #: Largest E_n of the pairs that `word` is about; up to 1 they agree.
    pair: tuple[str, str] | None = None  #: The two meters with it.
    difference: float | None = None  #: Difference of these two, in `unit`.
    unit: str = ""
    typed: tuple[str, ...] = ()  #: Which of the two were typed.
    age_ns: int = 0  #: Time since the two were compared.
    ended: bool = False  #: A disagreement has just ended, or (when "unsettled") is about to.
    missing: tuple[str, ...] = ()  #: Meters whose latest reading is not compared with any other.
    unread: tuple[str, ...] = ()  #: Those of them without any reading.
    ever: bool = False  #: Whether any two were ever compared.


def agreement_of(
    group: NodeGroup, comparisons: Comparisons, tracks: Mapping[str, Track], now_ns: int
) -> Agreement:
    """Decide whether the meters of a group agree now.

    Parameters
    ----------
    comparisons : Comparisons
        Of its meters.
    tracks : mapping of str to Track
        Meters read so far, by tag.
    now_ns : int
        Monotonic time.
    """
    read = [tracks[tag] for tag in group.tags if tag in tracks]
    live = _live(group, comparisons, tracks, now_ns)
    zeros = {t.tag for t in read if t.near_zero.on}
    apart = [(ends, pair) for ends, pair in live if _apart(pair) or zeros & set(ends)]
    whole = _coverage(group, comparisons, tracks, live)
    if live and (apart or not zeros):
        whole = _largest(whole, apart or live, live, tracks, now_ns)
    if apart or zeros:
        return replace(whole, word="disagree")
    return replace(whole, word="set differently") if _set_differently(read, now_ns) else whole


def _apart(pair: Pair) -> bool:
    return pair.disagree and abs(pair.e_n) > 1


def _live(group: NodeGroup, comparisons: Comparisons, tracks: Mapping[str, Track], now_ns: int) -> list[Edge]:
    return [(e, p) for e, p in comparisons.live(group, now_ns) if _is_latest(e, p, tracks, now_ns)]


def _set_differently(tracks: Sequence[Track], now_ns: int) -> bool:
    return len({t.settled_function for t in tracks if t.fresh(now_ns) and t.settled_function}) > 1


def _largest(
    whole: Agreement,
    weighed: Sequence[Edge],
    live: Sequence[Edge],
    tracks: Mapping[str, Track],
    now_ns: int,
) -> Agreement:
    """Add the largest difference of the pairs and the group's state."""
    edge, pair = max(weighed, key=lambda found: abs(found[1].e_n))
    ending = any(p.disagree for _, p in live)
    within = abs(pair.e_n) <= 1
    last = tracks[edge[0]].last
    return replace(
        whole,
        word="agree" if within and not ending else "unsettled",
        e_n=abs(pair.e_n),
        pair=edge,
        difference=pair.difference,
        unit=last.unit if last is not None else "",
        typed=tuple(tag for tag in edge if tracks[tag].by_hand),
        age_ns=now_ns - pair.last_ns,
        ended=within and (ending or _just_ended(live, now_ns)),
    )


def _just_ended(live: Sequence[Edge], now_ns: int) -> bool:
    return any(pair.ended_ns is not None and now_ns - pair.ended_ns <= ENDED_NS for _, pair in live)


def _coverage(
    group: NodeGroup, comparisons: Comparisons, tracks: Mapping[str, Track], live: Sequence[Edge]
) -> Agreement:
    """Which meters are compared, without their agreement."""
    compared = {tag for edge, _ in live for tag in edge}
    missing = tuple(tag for tag in group.tags if tag not in compared)
    return Agreement(
        group,
        "no comparison",
        missing=missing,
        unread=tuple(tag for tag in missing if tag not in tracks or tracks[tag].last is None),
        ever=any(comparisons.pair(a, b).last_ns for a, b in combinations(group.tags, 2)),
    )


def _is_latest(edge: tuple[str, str], pair: Pair, tracks: Mapping[str, Track], now_ns: int) -> bool:
    """Whether the values compared are those that the two meters show now."""
    for tag, compared in zip(edge, pair.readings, strict=True):
        track = tracks[tag]
        if track.by_hand:
            if track.last is not compared:
                return False
        elif not track.fresh(now_ns) or (not track.comparable and now_ns - pair.last_ns > RANGING_NS):
            return False
    return True


_LATELY_NS = 10 * 10**9


def agreement_words(agreement: Agreement) -> str:
    """Write the largest difference, with its E_n."""
    if agreement.e_n is None or agreement.pair is None or agreement.difference is None:
        return "one is near zero, another is not" if agreement.word == "disagree" else ""
    a, b = agreement.pair
    apart = format_quantity(abs(agreement.difference), agreement.unit, _digits(agreement.difference))
    words = f"E_n {agreement.e_n:.2f} (limit 1): {a} and {b} "
    if len(agreement.typed) == 1 and agreement.age_ns > _LATELY_NS:
        words += f"were {apart} apart when {agreement.typed[0]} was typed"
    else:
        words += f"are {apart} apart"
    return f"{words}; the disagreement has ended" if agreement.word == "agree" and agreement.ended else words


def _digits(difference: float) -> int:
    """Write a difference with two digits, a large one (a meter at zero) with three."""
    return 3 if abs(difference) >= 10 else 2


def typed_once(agreement: Agreement) -> bool:
    """Whether it waits for a second typed reading."""
    return agreement.word == "unsettled" and not agreement.ended and bool(agreement.typed)


def pending(agreement: Agreement, by_hand: AbstractSet[str]) -> str:
    """Say what a comparison still needs."""
    if agreement.word == "set differently":
        return "not on the same function"
    lacks = []
    if agreement.word == "unsettled" and agreement.ended:
        lacks.append("agree again, but not for long enough")
    elif agreement.word == "unsettled":
        lacks.append("type it once more to decide" if typed_once(agreement) else "not for long enough")
    if agreement.unread:
        how = " typed" if by_hand >= set(agreement.unread) else ""
        lacks.append(f"no reading of {', '.join(agreement.unread)}{how} yet")
    if late := [tag for tag in agreement.missing if tag not in agreement.unread]:
        if agreement.word != "no comparison":
            lacks.append(f"{', '.join(late)} not compared now")
        elif not agreement.unread:
            lacks.append(
                "type the readings within a minute of each other"
                if by_hand >= set(late)
                else "needs steady readings of two meters"
            )
    return "; ".join(lacks)
