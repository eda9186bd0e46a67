"""What to measure next if a result is indeterminate, how likely it settles the result, and how long it takes.

Each line of an uncertainty budget names its input; each way reduces one such line. The chance is computed from what is
known now: the true value lies about the measured one, and a more accurate reading about the true value. Where no single way
is worth its time, two at once are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import TypeVar

import msgspec

from benchlog.finding import Finding, FindingKind
from benchlog.influence import Role
from benchlog.result import Limits, Result, Uncertain, Verdict

#: How to reduce an input: action, share that remains, minutes (common practice, no source).
_WAYS: Mapping[Role, tuple[str, float, float]] = {
    Role.READING: (
        "use a meter with a quarter of this uncertainty, or first check this one against a standard on this range",
        0.25,
        3.0,
    ),
    Role.GAIN: (
        "cancel the gain error: compare with a known value on the same range, or swap the channels",
        0.1,
        5.0,
    ),
    # Its reading may be on the finest range that can show it: a result does not say what ranges the meter has.
    Role.COUNTS: (
        "read it in finer steps: on a finer range if one can show it, else on a meter with more digits",
        0.2,
        3.0,
    ),
    Role.SCATTER: ("take four readings instead of one and average them", 0.5, 2.0),
    Role.NOISE: ("take a record four times as long", 0.5, 2.0),
    Role.MAINS: ("read the mains at the same moment as the reading", 0.3, 1.0),
    Role.LOAD_RESISTOR: ("measure the load resistor itself", 0.3, 2.0),
    Role.CURRENT_RESISTOR: ("measure the current resistor itself", 0.3, 2.0),
    Role.SERIES_RESISTOR: ("measure the series resistor itself", 0.3, 2.0),
}
_LIMITS_WAY = ("read the mains or temperature, which set the limits, with a better instrument", 0.25, 2.0)
#: What to do where an accuracy is assumed.
STATE_IT = "look up the meter's accuracy in its manual, and state it (--accuracy, or in the bench file)"
#: What is assumed of a meter that nobody described is wider than most data sheets (judgement).
_MANUAL_WAY = (STATE_IT, 0.4, 1.0)
#: How to settle a doubt other than uncertainty: action, how often it works, minutes (common practice, no source).
_WAYS_OUT: Mapping[FindingKind, tuple[str, float, float]] = {
    FindingKind.CLIPPING: ("capture again on the next larger range", 0.95, 1.0),
    FindingKind.HARMONICS: ("capture again on the next larger range", 0.9, 1.0),
    FindingKind.TOO_FEW_CYCLES: ("capture again with ten cycles or more in the record", 0.95, 1.0),
    FindingKind.AMPLITUDE_MOVES: ("capture some whole cycles of the steady signal", 0.85, 2.0),
    FindingKind.FREQUENCY_MOVES: ("capture again at one steady frequency, without a sweep", 0.9, 2.0),
    FindingKind.SEVERAL_TONES: (
        "capture again with one sine from the generator, away from mains hum",
        0.8,
        2.0,
    ),
    FindingKind.GAP: ("capture again in one piece, without a pause", 0.9, 1.0),
    FindingKind.TIME_BASE: ("save it again with every sample, or give --sample-interval", 0.8, 2.0),
    FindingKind.SPECTRUM: ("save the time record, not the spectrum", 0.95, 1.0),
    FindingKind.NO_SIGNAL: ("check the probes and the generator, then capture again", 0.8, 3.0),
    FindingKind.HOOKUP: (
        "look which channel is on what: name the channels right, or move the clips and capture again",
        0.8,
        3.0,
    ),
    FindingKind.PHASE: (
        "look which channel is on what: name the channels right, or move the clips and capture again",
        0.8,
        3.0,
    ),
    FindingKind.LEADS: ("press the test tips together and read that, too (the lead null)", 0.9, 0.5),
    FindingKind.ENTRY: (
        "check the load resistor's value and clips, then read open and loaded once more",
        0.9,
        2.0,
    ),
}
_RECORD_AGAIN = ("fix that, then capture again", 0.8, 2.0)
#: A way that works less often than this is not worth the time (judgement).
WORTH = 0.5


class Way(msgspec.Struct, frozen=True):
    """One way to settle a result."""

    action: str
    probability: float  #: Chance that it ends in a pass or a fail.
    minutes: float
    quantity: str = ""  #: The quantity it improves.

    @property
    def words(self) -> str:
        """One line for a person."""
        percent = max(10, 10 * round(10 * self.probability))  # minutes and chances are partly judgement
        chance = "over 95 %" if self.probability >= 0.95 else f"{percent} %"
        duration = f"{self.minutes:g} min" if self.minutes >= 1 else f"{60 * self.minutes:.0f} s"
        return f"({duration}): {self.action}; {chance} chance of a clear pass or fail"


T = TypeVar("T", bound=Way)


def by_chance_per_minute(ways: Iterable[T]) -> tuple[T, ...]:
    """Order ways by their chance per minute, best first; each takes a minute to set up."""
    return tuple(sorted(ways, key=lambda way: -way.probability / (way.minutes + 1.0)))


def chance_to_settle(value: float, u: float, u_new: float, limits: Limits) -> float:
    """Probability that another reading of uncertainty `u_new` ends in a pass or a fail.

    >>> round(chance_to_settle(10.0, 1.0, 0.0, Limits(None, 10.0)), 3)
    1.0
    >>> round(chance_to_settle(10.0, 1.0, 1.0, Limits(None, 10.0)), 2)
    0.16
    """
    spread = math.hypot(u, u_new)
    if not spread > 0:
        return 1.0

    def below(limit: float) -> float:
        return 0.5 * math.erfc(-(limit - value) / (spread * math.sqrt(2)))

    guard = 2 * u_new
    failed = (below(limits.low - guard) if limits.low is not None else 0.0) + (
        1 - below(limits.high + guard) if limits.high is not None else 0.0
    )
    top = below(limits.high - guard) if limits.high is not None else 1.0
    bottom = below(limits.low + guard) if limits.low is not None else 0.0
    return min(1.0, failed + max(0.0, top - bottom))


def ways_to_settle(result: Result) -> tuple[Way, ...]:
    """Ways to settle an indeterminate result, best first; empty where none is known or it is decided.

    Quantities count that lie within a guard band of one of their limits.
    """
    if result.verdict is not Verdict.INDETERMINATE:
        return ()
    found: dict[str, Way] = {}
    assumed = any(finding.kind is FindingKind.ACCURACY for finding in result.findings)
    for name, limits in result.limits.items():
        quantity = result.quantities.get(name)
        if quantity is None or not _near(quantity, limits):
            continue
        for way in _ways(name, quantity, limits, assumed=assumed):
            found.setdefault(way.action, way)
    return by_chance_per_minute(found.values())


def with_next_best(result: Result) -> Result:
    """Add to an indeterminate result what would settle it, unless the check has done so itself."""
    return result if "would_settle" in result.details else with_ways(result, ways_to_settle(result))


def way_out(doubt: Finding) -> Way:
    """Ways to settle a doubt that prevents any verdict."""
    return Way(*_WAYS_OUT.get(doubt.kind, _RECORD_AGAIN))


def ways_of(result: Result) -> tuple[Way, ...]:
    """Ways to settle an indeterminate result, best first; none of a result recorded when they had another form."""
    try:
        return msgspec.convert(result.details.get("would_settle", ()), tuple[Way, ...])
    except msgspec.ValidationError:
        return ()


def next_step(result: Result) -> Finding | None:
    """The best way to settle an indeterminate result, as in its findings; None if none is known."""
    ways = ways_of(result)
    return _as_advice(ways[0]) if ways else None


def with_ways(result: Result, ways: Sequence[Way]) -> Result:
    """Set the ways to settle an indeterminate result, best first; other results stay as they are."""
    if not ways or result.verdict is not Verdict.INDETERMINATE:
        return result
    before = next_step(result)
    return msgspec.structs.replace(
        result,
        findings=(*(f for f in result.findings if f != before), _as_advice(ways[0])),
        details={**result.details, "would_settle": [msgspec.to_builtins(way) for way in ways]},
    )


def _as_advice(way: Way) -> Finding:
    return Finding(FindingKind.ADVICE, f"next {way.words}")


def _near(quantity: Uncertain, limits: Limits) -> bool:
    guard = math.hypot(quantity.expanded_uncertainty, 2 * limits.standard_uncertainty)
    return any(
        abs(quantity.value - limit) < guard for limit in (limits.low, limits.high) if limit is not None
    )


def _ways(name: str, quantity: Uncertain, limits: Limits, *, assumed: bool) -> Sequence[Way]:
    """Ways that are worth their time; where none is by itself, two that are together."""
    u = math.hypot(quantity.standard_uncertainty, limits.standard_uncertainty)
    lines: dict[Role, float] = {}
    for line in quantity.budget:
        if line.influence is not None:
            lines[line.influence.role] = math.hypot(lines.get(line.influence.role, 0.0), line.contribution)
    parts = [(_WAYS[role], part) for role, part in lines.items() if role in _WAYS]
    if limits.standard_uncertainty > 0:
        parts.append((_LIMITS_WAY, limits.standard_uncertainty))
    manual = [(_MANUAL_WAY, quantity.standard_uncertainty)] if assumed else []

    def way(*reduced: tuple[tuple[str, float, float], float]) -> Way:
        less = sum(part * part * (1 - factor * factor) for (_, factor, _), part in reduced)
        chance = chance_to_settle(quantity.value, u, math.sqrt(max(u * u - less, 0.0)), limits)
        actions, _, minutes = zip(*(how for how, _ in reduced), strict=True)
        return Way("; and ".join(actions), chance, sum(minutes), name)

    worth = [single for part in [*manual, *parts] if (single := way(part)).probability >= WORTH]
    return worth or [both for pair in combinations(parts, 2) if (both := way(*pair)).probability >= WORTH]
