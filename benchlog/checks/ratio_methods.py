"""Better ways to count turns if a measurement was not good enough, and questions about swapped channels and forgotten factors."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchlog.checks.ratio_model import UNKNOWN_WINDING, RatioSetup, on_one_range
from benchlog.checks.scope_channels import GAIN_ACCURACY, ChannelPair
from benchlog.finding import Finding, FindingKind
from benchlog.magnetics.turns_posterior import rounding_right
from benchlog.metrology.next_best import WORTH, Way, by_chance_per_minute
from benchlog.result import Limits

_FACTORS = (10, 100)  # of usual probes and dividers (common practice, no source)
_WITHIN = 0.1  # relative; a miscount is within this, also of a ratio taken with swapped channels (judgement)


def _other_way(turns: float, setup: RatioSetup) -> float:
    """The turns if the channels were on each other's place."""
    return _ratio_of_one(setup) ** 2 / turns


def _ratio_of_one(setup: RatioSetup) -> float:
    """The turns that equal voltages of both channels show."""
    if setup.injection:
        return setup.loop_turns * setup.injection.burden_ohm / setup.injection.shunt_ohm
    return setup.loop_turns * (setup.divider or 1.0)


def exchanged(turns: float, expected: float, setup: RatioSetup) -> list[Finding]:
    """Ask whether primary and secondary are swapped, if the ratio would be as expected then, and only then."""
    if turns <= 0 or abs(turns / expected - 1) <= 2 * _WITHIN:
        return []
    other = _other_way(turns, setup)
    if abs(other / expected - 1) > _WITHIN:
        return []
    inverse = _ratio_of_one(setup) == 1
    words = f"1/{turns:.3g} = {other:.3g}" if inverse else f"the other way round it is {other:.3g}"
    return [Finding(FindingKind.HOOKUP, f"{words}: are primary and secondary swapped?")]


def taken_for_loop(turns: float, expected: float, setup: RatioSetup, limits: Limits | None) -> list[Finding]:
    """Say which channel a pass takes to be on the loop, if swapped channels would fail but look as plausible."""
    if setup.opposed_turns is not None or limits is None or turns <= 0:
        return []
    other = _other_way(turns, setup)
    passes_too = (limits.low is None or limits.low <= other) and (limits.high is None or other <= limits.high)
    if abs(other / expected - 1) > _WITHIN or passes_too:
        return []
    words = f"{setup.primary} is taken to be on the loop; the ratio can't show that: the other way round it is {other:.4g} turns"
    return [Finding(FindingKind.HOOKUP, words)]


def wrong_factor(ratio: float, expected: float, setup: RatioSetup) -> list[Finding]:
    """Ask about a divider, the turns of the loop or a probe's setting, if one of them would explain a ratio.

    Parameters
    ----------
    ratio : float
        As measured, with the divider and the loop that were stated.
    """
    divider, loop = setup.divider, setup.loop_turns
    stated: list[tuple[float, str]] = [(loop, f"does the loop have one turn, not {loop}?")]
    if divider is not None:
        stated.insert(0, (divider, f"is the {divider:g}:1 divider missing?"))
        stated.append(
            (
                divider * loop,
                f"is the {divider:g}:1 divider missing, and does the loop have one turn, not {loop}?",
            )
        )
    if (factor := setup.probes.get(setup.secondary, 1.0)) != 1:
        stated.append((factor, f"is the winding's probe not at x{factor:g}?"))
    for factor, question in stated:
        if factor > 1 and abs(ratio / factor / expected - 1) <= _WITHIN:
            return [
                Finding(FindingKind.HOOKUP, f"the ratio is {factor:g} times the expected value: {question}")
            ]
    if divider is None and expected > 1 + _WITHIN and abs(ratio - 1) <= _WITHIN:
        # The usual divider equals the number of turns, which puts both channels onto one range.
        forgotten = (
            f"is there a {expected:g}:1 divider before the winding's channel (--divider {expected:g}:1)"
        )
        return [
            Finding(FindingKind.HOOKUP, f"the ratio is 1: {forgotten}, or are both probes on one winding?")
        ]
    for factor in _FACTORS:
        if abs(ratio * factor / expected - 1) <= _WITHIN:
            if divider is None:
                divided = f"is there a {factor}:1 divider before the winding's channel (--divider {factor}:1)"
            else:
                divided = f"is the divider really {divider * factor:g}:1"
            words = f"the ratio is 1/{factor} of the expected value: {divided}, or a probe at x{factor} (--probe CH={factor})?"
            return [Finding(FindingKind.HOOKUP, words)]
        if abs(ratio / factor / expected - 1) <= _WITHIN:
            absent = "" if divider is None else f"is the {divider:g}:1 divider missing, or "
            words = f"the ratio is {factor} times the expected value: {absent}is the sense loop's probe at x{factor} (--probe CH={factor})?"
            return [Finding(FindingKind.HOOKUP, words)]
    return []


#: Minutes for each way with the parts at hand (judgement).
_MINUTES = {
    "swap": 2.0,
    "longer record": 3.0,
    "series opposition": 15.0,
    "more sense turns": 15.0,
    "divider": 20.0,
}

_THIRD = 1 / math.sqrt(3)

_EXACT_DIVIDER = 0.002  #: Error of a divider of two 0.1 % resistors, ±.

#: With at most this many turns left of two opposing windings, no gain error can hide a turn (common practice, no source).
FEW_TURNS = 40


class Method(Way, frozen=True, kw_only=True):
    """A way to count turns better."""

    method: str  #: Its name.
    relative_uncertainty: float  #: Standard one, of the ratio it would give.


@dataclass(frozen=True, slots=True)
class _Done:
    """The measurement made and its uncertainties (standard, relative to the ratio), from which better ways are computed."""

    setup: RatioSetup
    expected: float
    swapped: bool
    one_range: bool
    noise: float  #: Of a record, whatever the way.
    circuit: float  #: Of the winding's unknown resistance and leakage.
    ranges: float  #: Of the gain between two ranges.

    @property
    def divider(self) -> float:
        return 0.0 if self.setup.divider is None else self.setup.divider_error * _THIRD

    @property
    def plain(self) -> bool:
        """Whether the winding itself is driven and no winding opposes it."""
        return self.setup.opposed_turns is None and not self.setup.injection

    @property
    def loop(self) -> int:
        """Turns of a sense loop that puts both channels on one range, with the smaller signal a quarter of the larger."""
        return max(2, round(self.expected / 4))


def _done(pairs: list[ChannelPair], setup: RatioSetup, expected: float) -> _Done:
    noise = min(pair.fit.ratio(0, 1).u_ratio / pair.fit.ratio(0, 1).ratio for pair in pairs) * math.sqrt(0.5)
    if setup.opposed_turns is not None:  # noise of the few turns left
        noise *= abs(expected - setup.opposed_turns) / expected
    return _Done(
        setup,
        expected,
        swapped=len(pairs) == 2,
        one_range=on_one_range(pairs, setup),
        noise=noise,
        circuit=UNKNOWN_WINDING * _THIRD,
        ranges=setup.range_gain * _THIRD,
    )


# Each way: what to do, and the uncertainty it would give; None if it does not help.


def _series_opposition(done: _Done) -> tuple[str, float] | None:
    if done.expected > FEW_TURNS or not done.plain:
        return None
    left = 2 if done.expected > 3 else 1
    wound = f"{done.expected - left:g}"
    gain = GAIN_ACCURACY * math.sqrt(2) * _THIRD * left / done.expected
    how = f"wind {wound} temporary turns in series opposition to the winding: {left:g} turns must remain"
    return f"{how} (--opposed-turns {wound})", math.hypot(gain, done.circuit)


def _swap(done: _Done) -> tuple[str, float] | None:
    how = "swap probes and channels, capture again (--swapped)"
    if done.setup.opposed_turns is not None:
        left = abs(done.expected - done.setup.opposed_turns) / done.expected
        return how, math.hypot(done.noise, done.circuit, done.ranges * left)
    if done.swapped:
        return None
    gap = 0.0 if done.one_range else done.ranges
    return how, math.hypot(math.hypot(done.noise, done.circuit), gap, done.divider)


def _divide(done: _Done) -> tuple[str, float] | None:
    exact_already = done.setup.divider is not None and done.setup.divider_error <= _EXACT_DIVIDER
    if done.setup.opposed_turns is not None or exact_already:
        return None
    resistors = f"a {done.expected:g}:1 divider of 0.1 % resistors"
    how = f"put {resistors} on the winding, both channels on one range, and swap (--divider, --swapped)"
    return how, math.hypot(math.hypot(done.noise, done.circuit), _EXACT_DIVIDER * _THIRD)


def _more_sense_turns(done: _Done) -> tuple[str, float] | None:
    if done.setup.loop_turns >= done.loop or not done.plain:
        return None
    # Error by converter steps: 0.2 A^-1.5 of an amplitude of A steps; 90 steps are 70 % of an 8-bit range.
    steps = 0.2 * (max(done.expected, done.loop) / done.loop / 90) ** 1.5
    how = f"wind {done.loop} sense turns, count them twice, both channels on one range, and swap"
    return f"{how} (--loop-turns {done.loop}, --swapped)", math.hypot(done.noise, steps, done.circuit)


def _longer_record(done: _Done) -> tuple[str, float]:
    how = "average: a longer record or several captures, both signals at 70 % of the range or more"
    return how, math.hypot(done.noise / 3, done.circuit, done.divider or done.ranges)


def methods_that_settle(pairs: list[ChannelPair], setup: RatioSetup, expected: float) -> tuple[Method, ...]:
    """Better ways to measure, best first, with the uncertainty each would give; those that seldom work are left out."""
    done = _done(pairs, setup, expected)
    ways = {name: way for name, find in _WAYS.items() if (way := find(done)) is not None}
    if not ways:
        ways = {"longer record": _longer_record(done)}
    methods = [
        Method(
            how,
            rounding_right(expected, u),
            _MINUTES[name],
            "turns_ratio",
            method=name,
            relative_uncertainty=u,
        )
        for name, (how, u) in ways.items()
    ]
    return by_chance_per_minute(m for m in methods if m.probability >= WORTH)


_WAYS = {
    "series opposition": _series_opposition,
    "swap": _swap,
    "divider": _divide,
    "more sense turns": _more_sense_turns,
}
