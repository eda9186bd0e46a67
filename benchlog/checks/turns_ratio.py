"""Has the winding the planned number of turns?

Recommended hook-up: generator on the N-turn winding, one channel across its ends, the other on a separate sense
loop of K turns: N = K V_secondary / V_primary. Or current injection: the primary channel across a known
resistor in the primary current, the secondary one across the burden.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from benchlog.capture import Capture
from benchlog.checks.forgotten_factor import forgotten_factor
from benchlog.checks.harmonic_agreement import unlike_harmonics
from benchlog.checks.ratio_methods import method_findings, methods_that_settle
from benchlog.checks.ratio_model import (
    Injection,
    RatioSetup,
    Winding,
    frequency_of,
    phase_of,
    swap_mismatch,
    turns_number,
)
from benchlog.checks.scope_channels import ChannelPair, ScopeGains, fit_pair, with_probes
from benchlog.checks.whole_turns import WHOLE_TURNS_RULE, half_turn_limits, judge_turns, posterior_of
from benchlog.circuits import turns_ratio
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind, unique
from benchlog.hookup import Hookup, in_words
from benchlog.influence import CAPTURE
from benchlog.magnetics.classes import CurrentPoint, class_reached, composite_error_percent
from benchlog.magnetics.flux import OPEN_SECONDARY_CAUTION
from benchlog.magnetics.frequency_window import SIGNAL_FACTOR
from benchlog.magnetics.transformer import Transformer
from benchlog.magnetics.turns_posterior import Method, TurnsPosterior
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, Judgement
from benchlog.result import Limits, Result, Uncertain, Verdict
from benchlog.units import format_quantity

__all__ = ["Injection", "RatioSetup", "Winding", "check_turns_ratio", "polarity_finding", "turns_limits"]

#: Largest departure from 0 or 180 degrees that two windings on one core show inside the frequency window.
PHASE_ALLOWED_DEG = 15.0
#: A ratio whose inverse comes this near to the expected one (relative) is one with the channels exchanged (judgement).
EXCHANGED_WITHIN = 0.1
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
    setup : RatioSetup
    expected_turns : float
        N of the plan.
    tolerance : float, optional
        Half-width of the limits, relative to N; half a turn when not given and N is a whole number.
    limits : Limits, optional
        Limits from a plan; they replace the computed ones.
    swapped : Capture, optional
        A second capture with probes and channels swapped.
    prior : mapping of int to float, optional
        Share of such windings off by 1, 2, 3... turns; that of `benchlog.magnetics.turns_posterior` by default.
    rated_current_percent : float, optional
        Part of rated primary current of this capture, percent; then ratio error, phase displacement,
        composite error and the IEC 61869-2 class whose limits hold are worked out too.

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
    capture = with_probes(capture, setup.probes)
    pairs = [fit_pair(capture, setup.secondary, setup.primary)]
    if swapped is not None:
        _refuse_same_samples(capture, with_probes(swapped, setup.probes), setup)
        pairs.append(fit_pair(with_probes(swapped, setup.probes), setup.primary, setup.secondary))
    ratio, found, notes = turns_number(pairs, setup, expected_turns)
    phase = phase_of(
        pairs,
        ScopeGains(setup.gain_accuracy, setup.range_gain, capture.instrument),
        divided=setup.divider is not None,
    )
    turns = to_uncertain(ratio, "1")
    quantities = {"turns_ratio": turns, "phase": phase, "frequency": frequency_of(pairs)}
    posterior = posterior_of(turns, expected_turns, prior)
    judgement = judge_turns(turns, used, posterior)
    blocked = [text for pair in pairs for text in pair.blocking]
    if setup.injection is None:
        captures = [c for c in (capture, swapped) if c is not None]
        blocked += filter(None, map(unlike_harmonics, pairs, captures))
    notes = (*(text for pair in pairs for text in pair.notes), *notes)
    unsettled = judgement.verdict is not Verdict.PASS and (posterior is None or posterior.fits)
    methods = methods_that_settle(pairs, setup, expected_turns) if unsettled and not blocked else ()
    doubts = _hookup_doubts(pairs, setup, turns.value, phase, expected_turns, judgement)
    if doubts:
        judgement = Judgement(Verdict.INDETERMINATE, judgement.conformance_probability, doubts[0])
        methods = ()
    verdict = Verdict.INDETERMINATE if blocked else judgement.verdict
    wiring = _wiring(setup, capture.instrument)
    return Result(
        check="turns_ratio",
        verdict=verdict,
        reason=_reason(judgement, None if doubts else posterior, blocked, methods),
        quantities=quantities,
        limits={"turns_ratio": used} if used else {},
        limits_set="plan" if limits else "computed",
        conformance_probability=judgement.conformance_probability,
        rule=RULE if posterior is None else WHOLE_TURNS_RULE,
        turns=posterior.as_json() if posterior else None,
        instruments=tuple(dict.fromkeys(c.instrument for c in (capture, swapped) if c and c.instrument)),
        functions={capture.instrument: CAPTURE} if capture.instrument else {},
        hookup=_hookup_words(setup, wiring, swapped is not None),
        wiring=wiring,
        conditions=_conditions(setup, quantities["frequency"].value, swapped is not None),
        cautions=_cautions(setup),
        findings=(
            *unique([*(f for pair in pairs for f in pair.findings), *blocked]),
            *(text for text in doubts if text not in found),
            *found,
            *(
                _opposition_findings(turns, setup)
                if setup.opposed_turns
                else [f for f in polarity_finding(phase) if f not in doubts]
            ),
            *_frequency_findings(quantities["frequency"].value, setup, expected_turns),
            *method_findings(methods, expected_turns, verdict, posterior),
        ),
        details=_details(pairs, setup, methods, turns, phase, expected_turns, rated_current_percent)
        | ({"notes": list(notes)} if notes else {}),
    )


def _refuse_same_samples(capture: Capture, swapped: Capture, setup: RatioSetup) -> None:
    """Refuse a swapped capture that is the first one again: its samples would cancel nothing but themselves."""
    names = (setup.primary, setup.secondary)
    if all(np.array_equal(capture.channel(n).values(), swapped.channel(n).values()) for n in names):
        raise UsageError(
            "the swapped capture holds the same samples twice: it is not a second measurement",
            hint="swap probes and channels together, capture again, and give that file",
        )


def _hookup_doubts(
    pairs: list[ChannelPair],
    setup: RatioSetup,
    turns: float,
    phase: Uncertain,
    expected: float,
    judgement: Judgement,
) -> tuple[Finding, ...]:
    """What makes the set-up so doubtful that the winding can't be judged by it."""
    doubts: list[Finding] = []
    if len(pairs) == 2:
        words, fits = swap_mismatch(pairs, ScopeGains(setup.gain_accuracy, setup.range_gain))
        if not fits:
            doubts.append(words)
    if setup.opposed_turns is None:
        doubts += [f for f in polarity_finding(phase) if f.kind is FindingKind.PHASE]
    far = abs(turns / expected - 1) > 2 * EXCHANGED_WITHIN
    if judgement.verdict is not Verdict.PASS and far and not setup.opposed_turns:
        # What a ratio of one would give: with the channels exchanged its square over the turns comes out.
        unit = setup.loop_turns * (setup.divider or 1.0)
        if setup.injection:
            unit = setup.loop_turns * setup.injection.burden_ohm / setup.injection.shunt_ohm
        exchanged = unit**2 / turns if turns > 0 else 0.0
        if abs(exchanged / expected - 1) <= EXCHANGED_WITHIN:
            sum_ = (
                f"1/{turns:.3g} = {exchanged:.3g}"
                if unit == 1
                else f"the other way round it is {exchanged:.3g}"
            )
            doubts.append(Finding(FindingKind.HOOKUP, f"{sum_}: are primary and secondary exchanged?"))
        doubts += forgotten_factor(turns, expected, setup.divider)
    return tuple(doubts)


def turns_limits(expected: float, tolerance: float | None) -> Limits | None:
    """Limits about the expected ratio; half a turn only where it is a whole number of turns."""
    if tolerance is None:
        whole = expected >= 1 and math.isclose(expected, round(expected), abs_tol=1e-9)
        return half_turn_limits(expected) if whole else None
    if not 0 < tolerance < 1:
        raise UsageError(f"a tolerance of {tolerance * 100:g} % makes no limits", hint="--tolerance '0.5 %'")
    return Limits(
        expected * (1 - tolerance),
        expected * (1 + tolerance),
        "1",
        f"computed: ±{tolerance * 100:g} % of the {expected:g} expected",
    )


def polarity_finding(phase: Uncertain) -> tuple[Finding, ...]:
    """Say what the phase between two windings of one core means, nothing when they are in phase."""
    off = abs(phase.value)
    if 180 - off <= PHASE_ALLOWED_DEG:
        return (
            Finding(
                FindingKind.POLARITY,
                f"polarity: the secondary is inverted ({phase.value:.1f}°): winding or sense loop is reversed, "
                "or a probe has its tip and clip exchanged",
            ),
        )
    if off > PHASE_ALLOWED_DEG:
        return (
            Finding(
                FindingKind.PHASE,
                f"the phase of {phase.value:.1f}° is neither 0 nor 180°: not two windings of one core, or a "
                "frequency outside the window",
            ),
        )
    return ()


def _opposition_findings(turns: Uncertain, setup: RatioSetup) -> tuple[Finding, ...]:
    """What is left of two opposing windings is a clear whole number, or one of them is not what it seems."""
    assert setup.opposed_turns is not None
    left = turns.value - setup.opposed_turns
    if abs(left) < 0.5:
        return (
            Finding(
                FindingKind.CONDITIONS,
                f"nothing is left of two windings of {setup.opposed_turns} turns: the residual is too small for its sign; "
                "repeat with one turn more or fewer on the temporary winding",
            ),
        )
    if abs(left) > setup.opposed_turns:
        return (
            Finding(
                FindingKind.CONDITIONS,
                f"{abs(left):.3g} turns are left of {setup.opposed_turns}: the windings aid each other, "
                "or the temporary winding is far from the other's count; exchange its ends",
            ),
        )
    return ()


def _frequency_findings(frequency_hz: float, setup: RatioSetup, expected: float) -> tuple[Finding, ...]:
    if setup.winding is None:
        return ()
    model = Transformer(expected, setup.winding.al_h)
    if setup.injection:
        load = setup.injection.burden_ohm + (setup.winding.winding_ohm or 0.0)
        corner = load / (2 * math.pi * model.inductance_h)
        if frequency_hz < 10 * corner:
            return (
                Finding(
                    FindingKind.CONDITIONS,
                    f"{format_quantity(frequency_hz, 'Hz')} is below ten times the low corner of "
                    f"{format_quantity(corner, 'Hz')}: the correction is large; raise the frequency",
                ),
            )
        return ()
    low = SIGNAL_FACTOR * setup.generator_ohm / (2 * math.pi * model.inductance_h)
    if frequency_hz < low:
        return (
            Finding(
                FindingKind.CONDITIONS,
                f"{format_quantity(frequency_hz, 'Hz')} is below {format_quantity(low, 'Hz')}, where the winding "
                f"takes most of the generator's level: the sense signal is smaller than it could be",
            ),
        )
    return ()


def _reason(
    judgement: Judgement,
    posterior: TurnsPosterior | None,
    blocked: list[Finding],
    methods: tuple[Method, ...],
) -> str:
    if blocked:
        return f"the record can't carry a verdict: {blocked[0]}"
    if posterior is None:
        return judgement.reason
    if judgement.verdict is not Verdict.INDETERMINATE:
        return f"{posterior.words}: {judgement.reason}"
    best = (
        f"; {_as_noun(methods[0], posterior.planned)} would bring the uncertainty to {methods[0].relative_uncertainty * 100:.2g} %"
        if methods
        else ""
    )
    return f"{posterior.words}: {judgement.reason}{best}"


def _as_noun(method: Method, planned: int) -> str:
    return {"swap": "swapping", "divider": f"a {planned}:1 divider", "longer record": "a longer record"}.get(
        method.name, method.name
    )


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


def _conditions(setup: RatioSetup, frequency_hz: float, swapped: bool) -> dict[str, str]:
    """What somebody else must set to get the same."""
    found = {"frequency": format_quantity(frequency_hz, "Hz")}
    if setup.opposed_turns is not None:
        found["opposing winding"] = f"{setup.opposed_turns} turns"
    elif setup.injection is None:
        found["sense loop"] = f"{setup.loop_turns} turn{'s' if setup.loop_turns > 1 else ''}"
    if setup.divider is not None:
        found["divider"] = f"{setup.divider:g}:1 ±{setup.divider_tolerance * 100:g} %"
    return found | ({"captures": "as connected, then probes and channels swapped"} if swapped else {})


def _cautions(setup: RatioSetup) -> tuple[str, ...]:
    if setup.injection:
        return (OPEN_SECONDARY_CAUTION, PROBE_CAUTION)
    return (PROBE_CAUTION,)


def _details(
    pairs: list[ChannelPair],
    setup: RatioSetup,
    methods: tuple[Method, ...],
    turns: Uncertain,
    phase: Uncertain,
    expected: float,
    rated_current_percent: float | None,
) -> dict[str, Any]:
    details: dict[str, Any] = {
        "expected_turns": expected,
        "loop_turns": setup.loop_turns,
        "opposed_turns": setup.opposed_turns,
        "swapped": len(pairs) == 2,
        "cycles": [pair.fit.cycles for pair in pairs],
    }
    if methods:
        details["would_settle"] = [
            {
                "method": m.name,
                "action": m.action,
                "relative_uncertainty": m.relative_uncertainty,
                "rounding_right": m.rounding_right,
                "probability": m.probability,
                "minutes": m.minutes,
            }
            for m in methods
        ]
    if rated_current_percent is not None:
        details["accuracy_class"] = _accuracy_class(turns, phase, expected, rated_current_percent)
    return details


def _accuracy_class(turns: Uncertain, phase: Uncertain, expected: float, percent: float) -> dict[str, Any]:
    """Errors at one point in the standard's words: too few turns give too much secondary current."""
    error = (expected / turns.value - 1) * 100
    expanded = expected / turns.value**2 * turns.expanded_uncertainty * 100
    lead = phase.value - (math.copysign(180, phase.value) if abs(phase.value) > 90 else 0)
    minutes, expanded_minutes = lead * 60, phase.expanded_uncertainty * 60
    reached = class_reached([CurrentPoint(percent, error, minutes, expanded, expanded_minutes)])
    return {
        "percent_of_rated_current": percent,
        "ratio_error_percent": error,
        "ratio_error_expanded_percent": expanded,
        "phase_displacement_minutes": minutes,
        "phase_displacement_expanded_minutes": expanded_minutes,
        "composite_error_percent": composite_error_percent(error, minutes),
        "class_within": reached.within,
        "words": reached.words,
    }
