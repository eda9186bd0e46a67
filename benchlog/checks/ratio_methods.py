"""Ways to separate a number of turns from its neighbours when a measurement could not."""

from __future__ import annotations

import math

from benchlog.checks.ratio_model import UNKNOWN_WINDING, RatioSetup, on_one_range
from benchlog.checks.scope_channels import GAIN_ACCURACY, ChannelPair
from benchlog.finding import Finding, FindingKind
from benchlog.magnetics.turns_posterior import (
    Method,
    TurnsPosterior,
    needed_relative_uncertainty,
    rounding_right,
)
from benchlog.metrology.next_best import by_chance_per_minute
from benchlog.result import Verdict

__all__ = ["method_findings", "methods_that_settle"]

#: What each way takes a person with the parts at hand (judgement).
_MINUTES = {
    "swap": 2.0,
    "longer record": 3.0,
    "series opposition": 15.0,
    "more sense turns": 15.0,
    "divider": 20.0,
}

#: Up to here the turns left of two opposing windings are so few that no gain error hides one (common practice, no source).
FEW_TURNS = 40


def methods_that_settle(pairs: list[ChannelPair], setup: RatioSetup, expected: float) -> tuple[Method, ...]:
    """Ways to measure better than was done, best first, with the uncertainty each would give."""
    third = 1 / math.sqrt(3)
    noise = min(pair.fit.ratio(0, 1).u_ratio / pair.fit.ratio(0, 1).ratio for pair in pairs) * math.sqrt(0.5)
    if setup.opposed_turns is not None:  # noise of the few turns left
        noise *= abs(expected - setup.opposed_turns) / expected
    circuit = UNKNOWN_WINDING * third
    own = math.hypot(noise, circuit)
    ranges = setup.range_gain * third
    swapped, divided = len(pairs) == 2, setup.divider is not None
    # A sense loop of N/4 turns: both channels on one range, the smaller signal a quarter of the larger.
    loop = max(2, round(expected / 4))
    # Converter steps then take 0.2 A^-1.5 of its amplitude of A steps, 90 being 70 % of an 8-bit range.
    loop_steps = 0.2 * (max(expected, loop) / loop / 90) ** 1.5
    one_range = on_one_range(pairs, setup)
    ways: list[tuple[str, str, float]] = []
    if expected <= FEW_TURNS and setup.opposed_turns is None and not setup.injection:
        left = 2 if expected > 3 else 1
        gain = GAIN_ACCURACY * math.sqrt(2) * third * left / expected
        ways.append(
            (
                "series opposition",
                (
                    f"wind {expected - left:g} temporary turns in series opposition to the winding: {left:g} turns must "
                    f"be left (--opposed-turns {expected - left:g})"
                ),
                math.hypot(gain, circuit),
            )
        )
    if setup.opposed_turns is not None:
        ways.append(
            (
                "swap",
                "swap probes and channels, capture again (--swapped)",
                math.hypot(noise, circuit, ranges * abs(expected - setup.opposed_turns) / expected),
            )
        )
    elif not swapped:
        gap = 0.0 if one_range else ranges
        divider = setup.divider_tolerance * third if divided else 0.0
        ways.append(
            ("swap", "swap probes and channels, capture again (--swapped)", math.hypot(own, gap, divider))
        )
    if setup.opposed_turns is None and not (divided and swapped):
        tolerance = min(setup.divider_tolerance, 0.001)
        ways.append(
            (
                "divider",
                (
                    f"see the winding through a {expected:g}:1 divider of {tolerance * 100:g} % resistors, both channels "
                    "on one range, and swap (--divider, --swapped)"
                ),
                math.hypot(own, tolerance * third),
            )
        )
    if setup.loop_turns < loop and setup.opposed_turns is None and not setup.injection:
        ways.append(
            (
                "more sense turns",
                (
                    f"wind {loop} sense turns, count them twice, both channels on one range, and swap "
                    f"(--loop-turns {loop}, --swapped)"
                ),
                math.hypot(noise, loop_steps, circuit),
            )
        )
    if not ways:
        ways.append(
            (
                "longer record",
                "average: a longer record or several captures, both signals at 70 % of the range or more",
                math.hypot(noise / 3, circuit, setup.divider_tolerance * third if divided else ranges),
            )
        )
    methods = [Method(name, how, u, rounding_right(expected, u), _MINUTES[name]) for name, how, u in ways]
    return by_chance_per_minute(methods)


def method_findings(
    methods: tuple[Method, ...], expected: float, verdict: Verdict, posterior: TurnsPosterior | None = None
) -> tuple[Finding, ...]:
    """What is needed, then one finding for each method, best first; none after a fail."""
    if verdict is Verdict.FAIL or not methods:
        return ()
    needed = needed_relative_uncertainty(expected)
    near = expected + 1 if posterior is None else _neighbour(posterior)
    words = (
        f"to tell {expected:g} from {near:g} turns the standard uncertainty must be at most {needed * 100:.2g} %",
        *(
            f"would settle it, {number}. {m.action}: {m.minutes:g} min, u {m.relative_uncertainty * 100:.2g} %, "
            f"rounds right in {m.rounding_right * 100:.3g} %"
            for number, m in enumerate(methods, 1)
        ),
    )
    return tuple(Finding(FindingKind.ADVICE, text) for text in words)


def _neighbour(posterior: TurnsPosterior) -> int:
    """The most probable count beside the planned one."""
    others = {n: p for n, p in posterior.probabilities.items() if n != posterior.planned}
    return max(others, key=others.__getitem__, default=posterior.planned + 1)
