"""Does the winding have the planned number of turns?

Recommended hook-up: generator on the N-turn winding, one channel across its ends, the other on a separate sense
loop of K turns: N = K V_secondary / V_primary. Or current injection: the primary channel across a known
resistor in the primary current, the secondary one across the burden.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchlog.capture import Capture
from benchlog.checks.harmonic_agreement import unlike_harmonics
from benchlog.checks.phase import polarity_finding
from benchlog.checks.ratio_methods import Method, exchanged, methods_that_settle, taken_for_loop, wrong_factor
from benchlog.checks.ratio_model import (
    Injection,
    RatioSetup,
    Winding,
    accuracy_class,
    frequency_of,
    phase_of,
    swap_mismatch,
    turns_number,
)
from benchlog.checks.scope_channels import ChannelPair, ScopeGains, fit_pair, scopes_used, with_probes
from benchlog.checks.whole_turns import CHECK_AGAIN, WHOLE_TURNS_RULE, judge_turns, posterior_of, turns_limits
from benchlog.circuits import turns_ratio
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind, unique
from benchlog.hookup import Hookup, in_words
from benchlog.magnetics.flux import OPEN_SECONDARY_CAUTION
from benchlog.magnetics.frequency_window import SIGNAL_FACTOR
from benchlog.magnetics.transformer import Transformer
from benchlog.magnetics.turns_posterior import TurnsPosterior
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, Judgement, unjudged
from benchlog.metrology.next_best import Way, with_ways
from benchlog.number_format import format_quantity
from benchlog.result import Limits, Result, Uncertain, Verdict

__all__ = ["Injection", "RatioSetup", "Winding", "check_turns_ratio", "same_samples"]

#: With more turns too many or too few nobody corrects a winding (judgement).
_FEW_TURNS = 3
PROBE_CAUTION = "Scope ground clips are connected to protective earth. Put both on one point, never on anything connected to mains."


def check_turns_ratio(
    capture: Capture,
    setup: RatioSetup,
    *,
    expected_turns: float,
    tolerance: float | None = None,
    limits: Limits | None = None,
    swapped: Capture | None = None,
    prior: Mapping[int, float] | None = None,
    rated_current_percent: float | None = None,
) -> Result:
    """Check a turns ratio.

    Parameters
    ----------
    capture : Capture
        With the channels of `setup`.
    expected_turns : float
        N as planned.
    tolerance : float, optional
        Half-width of the limits, relative to N; if not given, half a turn for a whole N.
    limits : Limits, optional
        Limits from a plan; they replace the computed ones.
    swapped : Capture, optional
        A second capture with probes and channels swapped.
    prior : mapping of int to float, optional
        Share of such windings off by 1, 2, 3... turns; that of `benchlog.magnetics.turns_posterior` by default.
    rated_current_percent : float, optional
        Primary current of this capture in percent of rated; then ratio error, phase displacement, composite error and the
        IEC 61869-2 class that is met are computed too.

    Raises
    ------
    UsageError
        If expectation, set-up and capture do not fit together.
    AnalysisError
        If a record can't be fitted.
    """
    if not (expected_turns > 0 and math.isfinite(expected_turns)):
        raise UsageError(f"{expected_turns:g} turns can't be expected", hint="--expect 60")
    used = limits or turns_limits(expected_turns, tolerance)
    ratio = _measure([c for c in (capture, swapped) if c is not None], setup, expected_turns)
    judged = _judge(ratio, used, prior)
    wiring, scopes = _wiring(setup, capture.instrument), scopes_used(*ratio.captures)
    result = Result(
        check="turns_ratio",
        verdict=judged.judgement.verdict,
        reason=judged.reason,
        because=judged.judgement.because,
        quantities={"turns_ratio": ratio.turns, "phase": ratio.phase, "frequency": ratio.frequency},
        limits={"turns_ratio": used} if used else {},
        limits_set="plan" if limits else "computed",
        conformance_probability=judged.judgement.conformance_probability,
        rule=RULE if judged.posterior is None else WHOLE_TURNS_RULE,
        turns=judged.posterior.as_json() if judged.posterior else None,
        instruments=tuple(scopes),
        functions=scopes,
        hookup=_hookup_words(setup, wiring, ratio.swapped),
        wiring=wiring,
        conditions=_conditions(ratio),
        cautions=(*([OPEN_SECONDARY_CAUTION] if setup.injection else []), PROBE_CAUTION),
        findings=_findings(ratio, judged, used),
        details=_details(ratio, rated_current_percent),
    )
    return with_ways(result, judged.ways)


@dataclass(frozen=True, slots=True)
class _Ratio:
    """The measurement: one or two fitted pairs of channels, and the findings."""

    setup: RatioSetup
    expected: float
    captures: list[Capture]
    pairs: list[ChannelPair]
    turns: Uncertain
    phase: Uncertain
    frequency: Uncertain
    findings: tuple[Finding, ...]
    notes: list[Finding]

    @property
    def swapped(self) -> bool:
        return len(self.pairs) == 2


@dataclass(frozen=True, slots=True)
class _Judged:
    """Outcome of a ratio: why it can't be judged, or the judgement and what would settle it."""

    judgement: Judgement
    posterior: TurnsPosterior | None
    blocked: list[Finding]
    doubts: tuple[Finding, ...]
    methods: tuple[Method, ...]

    @property
    def ways(self) -> tuple[Way, ...]:
        """Way out if it can't be judged at all."""
        if self.judgement.way:
            return (self.judgement.way,)
        return self.methods or (() if self.posterior is None else (CHECK_AGAIN,))

    @property
    def reason(self) -> str:
        if self.judgement.because is not None or self.posterior is None:
            return self.judgement.reason
        return f"{self.posterior.words}: {self.judgement.reason}"


def _measure(captures: list[Capture], setup: RatioSetup, expected: float) -> _Ratio:
    """Fit the capture, and the one with the channels' roles exchanged if there is one."""
    captures = [with_probes(capture, setup.probes) for capture in captures]
    pairs = [fit_pair(captures[0], setup.secondary, setup.primary)]
    if len(captures) == 2:
        refuse_same_samples(captures[0], captures[1], (setup.primary, setup.secondary))
        pairs.append(fit_pair(captures[1], setup.primary, setup.secondary))
    number, found, notes = turns_number(pairs, setup, expected)
    gains = ScopeGains(setup.gain_accuracy, setup.range_gain, captures[0].instrument)
    return _Ratio(
        setup,
        expected,
        captures,
        pairs,
        turns=to_uncertain(number, "1"),
        phase=phase_of(pairs, gains, divided=setup.divider is not None),
        frequency=frequency_of(pairs),
        findings=found,
        notes=[*(text for pair in pairs for text in pair.notes), *notes],
    )


def _judge(ratio: _Ratio, limits: Limits | None, prior: Mapping[int, float] | None) -> _Judged:
    posterior = posterior_of(ratio.turns, ratio.expected, prior)
    judgement = judge_turns(ratio.turns, limits, posterior)
    blocked = [text for pair in ratio.pairs for text in pair.blocking]
    if ratio.setup.injection is None:
        blocked += filter(None, map(unlike_harmonics, ratio.pairs, ratio.captures))
    doubts = _hookup_doubts(ratio, judgement)
    methods: tuple[Method, ...] = ()
    if blocked or doubts:
        judgement = unjudged((*blocked, *doubts)[0], judgement.conformance_probability, record=bool(blocked))
    elif judgement.verdict is not Verdict.PASS and posterior is not None and posterior.fits:
        methods = methods_that_settle(ratio.pairs, ratio.setup, ratio.expected)
    return _Judged(judgement, posterior, blocked, doubts, methods)


def _findings(ratio: _Ratio, judged: _Judged, limits: Limits | None) -> tuple[Finding, ...]:
    passed = judged.judgement.verdict is Verdict.PASS
    return (
        *unique([*(f for pair in ratio.pairs for f in pair.findings), *judged.blocked]),
        *(f for f in judged.doubts if f not in ratio.findings),
        *ratio.findings,
        *(f for f in _sense_findings(ratio) if f not in judged.doubts),
        *_frequency_findings(ratio),
        *(taken_for_loop(ratio.turns.value, ratio.expected, ratio.setup, limits) if passed else ()),
        *_other_number(judged, ratio.setup),
    )


def _other_number(judged: _Judged, setup: RatioSetup) -> list[Finding]:
    """What to do about a winding with turns too many or too few."""
    posterior = judged.posterior
    if posterior is None or judged.judgement.verdict is not Verdict.FAIL:
        return []
    off = posterior.most_likely - posterior.planned
    if not (posterior.decided and abs(off) <= _FEW_TURNS):
        divided = "" if setup.divider is None else f", that the divider is {setup.divider:g}:1"
        words = f"next: check which channel is on the loop, its turns{divided} and both probes' settings; then measure again"
        return [Finding(FindingKind.ADVICE, words)]
    turns = f"{abs(off)} turn{'s' if abs(off) > 1 else ''}"
    own = f"take {turns} off" if off > 0 else f"add {turns}"
    words = f"next: check which channel is on the loop; then, your own winding: {own} and measure again; a bought one: compare its label"
    return [Finding(FindingKind.ADVICE, words)]


def same_samples(capture: Capture, other: Capture, channels: Sequence[str]) -> bool:
    """Whether two captures hold the same samples of these channels, possibly under swapped names: one file used twice."""
    first, second = ([c.channel(name).values() for name in channels] for c in (capture, other))
    return any(all(map(np.array_equal, first, again)) for again in (second, second[::-1]))


def refuse_same_samples(capture: Capture, swapped: Capture, channels: Sequence[str]) -> None:
    """Refuse a swapped capture that is the first one again.

    Raises
    ------
    UsageError
        If both hold the same samples.
    """
    if same_samples(capture, swapped, channels):
        raise UsageError(
            "the swapped capture has the same samples as the first: it is not a second measurement",
            hint="swap probes and channels together, capture again, and give that file",
        )


def _hookup_doubts(ratio: _Ratio, judgement: Judgement) -> tuple[Finding, ...]:
    """Doubts about the set-up that allow no verdict on the winding."""
    doubts: list[Finding] = []
    setup = ratio.setup
    if ratio.swapped:
        words, fits = swap_mismatch(ratio.pairs, ScopeGains(setup.gain_accuracy, setup.range_gain))
        if not fits:
            doubts.append(words)
    if setup.opposed_turns is None:
        doubts += [f for f in polarity_finding(ratio.phase) if f.kind is FindingKind.PHASE]
    if judgement.verdict is not Verdict.PASS and not setup.opposed_turns and not doubts:
        doubts += exchanged(ratio.turns.value, ratio.expected, setup)
        doubts += wrong_factor(ratio.turns.value, ratio.expected, setup)
    return tuple(doubts)


def _sense_findings(ratio: _Ratio) -> tuple[Finding, ...]:
    """Findings from the polarity of the windings; of two opposing ones, from the turns left."""
    opposed = ratio.setup.opposed_turns
    if not opposed:
        return polarity_finding(ratio.phase)
    left = ratio.turns.value - opposed
    if abs(left) < 0.5:
        return (
            Finding(
                FindingKind.CONDITIONS,
                f"the two windings of {opposed} turns cancel, so the sign of the rest can't be seen; repeat with one turn more "
                "or fewer on the temporary winding",
            ),
        )
    if abs(left) > opposed:
        return (
            Finding(
                FindingKind.CONDITIONS,
                f"{abs(left):.3g} turns are left of {opposed}: the windings aid each other, "
                "or the temporary winding has a very different count; swap its ends",
            ),
        )
    return ()


def _frequency_findings(ratio: _Ratio) -> tuple[Finding, ...]:
    setup, frequency_hz = ratio.setup, ratio.frequency.value
    if setup.winding is None:
        return ()
    shown = format_quantity(frequency_hz, "Hz")
    model = Transformer(ratio.expected, setup.winding.al_h)
    if setup.injection:
        load = setup.injection.burden_ohm + (setup.winding.winding_ohm or 0.0)
        corner = load / (2 * math.pi * model.inductance_h)
        words = (
            f"{shown} is below ten times the low corner of {format_quantity(corner, 'Hz')}: the correction is large; "
            "raise the frequency"
        )
        low = 10 * corner
    else:
        low = SIGNAL_FACTOR * setup.generator_ohm / (2 * math.pi * model.inductance_h)
        words = (
            f"{shown} is below {format_quantity(low, 'Hz')}, where the winding loads the generator heavily: the "
            "sense signal is smaller than it could be"
        )
    return (Finding(FindingKind.CONDITIONS, words),) if frequency_hz < low else ()


def _wiring(setup: RatioSetup, scope: str) -> Hookup | None:
    """Hook-up of the measurement; current injection is described in words only."""
    if setup.injection:
        return None
    return turns_ratio(
        "winding",
        turns="",
        generator="generator",
        drive="",
        scope=scope or "scope",
        winding_channel=setup.secondary,
        loop_channel=setup.primary,
        loop_turns=setup.loop_turns,
        divider="" if setup.divider is None else f"{setup.divider:g}:1",
        opposed_turns=setup.opposed_turns,
    )


def _hookup_words(setup: RatioSetup, wiring: Hookup | None, swapped: bool) -> str:
    text = "" if wiring is None else in_words(wiring)
    if setup.injection:
        text = (
            f"primary current through {setup.loop_turns} passes and a {setup.injection.shunt_ohm:g} Ω resistor "
            f"(channel {setup.primary}), channel {setup.secondary} across the burden of "
            f"{setup.injection.burden_ohm:g} Ω"
        )
    return text + ("; then probes and channels swapped" if swapped else "")


def _conditions(ratio: _Ratio) -> dict[str, str]:
    """Conditions needed to repeat the measurement."""
    setup = ratio.setup
    found = {"frequency": format_quantity(ratio.frequency.value, "Hz")}
    if setup.opposed_turns is not None:
        found["opposing winding"] = f"{setup.opposed_turns} turns"
    elif setup.injection is None:
        found["sense loop"] = f"{setup.loop_turns} turn{'s' if setup.loop_turns > 1 else ''}"
    if setup.divider is not None:
        found["divider"] = f"{setup.divider:g}:1 ±{setup.divider_error * 100:g} %"
    return found | ({"captures": "as connected, then probes and channels swapped"} if ratio.swapped else {})


def _details(ratio: _Ratio, rated_current_percent: float | None) -> dict[str, Any]:
    details: dict[str, Any] = {
        "expected_turns": ratio.expected,
        "loop_turns": ratio.setup.loop_turns,
        "opposed_turns": ratio.setup.opposed_turns,
        "swapped": ratio.swapped,
        "cycles": [pair.fit.cycles for pair in ratio.pairs],
    }
    if rated_current_percent is not None:
        details["accuracy_class"] = accuracy_class(
            ratio.turns, ratio.phase, ratio.expected, rated_current_percent
        )
    if ratio.notes:
        details["notes"] = ratio.notes
    return details
