"""Phase between two scope channels, and its meaning for two windings on one core."""

from __future__ import annotations

from benchlog.capture import Capture
from benchlog.checks.scope_channels import ScopeGains, fit_pair, scopes_used
from benchlog.finding import Finding, FindingKind
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.conformity import RULE, judge, unjudged
from benchlog.metrology.next_best import with_ways
from benchlog.result import Limits, Result, Uncertain

#: Largest deviation from 0 or 180 degrees of two windings on one core inside the frequency window.
PHASE_ALLOWED_DEG = 15.0


def check_phase(capture: Capture, primary: str, secondary: str, limits: Limits) -> Result:
    """Phase of `secondary` against `primary`, degrees, positive when it leads, within (-180, 180]."""
    pair = fit_pair(capture, secondary, primary)
    gains = ScopeGains(instrument=capture.instrument)
    phase = to_uncertain(pair.phase_deg() + gains.delay_deg(pair), "deg")
    judgement = judge(phase, limits, "phase")
    if pair.blocking:
        judgement = unjudged(pair.blocking[0], record=True)
    scopes = scopes_used(capture)
    result = Result(
        check="phase",
        verdict=judgement.verdict,
        reason=judgement.reason,
        because=judgement.because,
        quantities={
            "phase": phase,
            "frequency": to_uncertain(gains.frequency(pair), "Hz"),
        },
        limits={"phase": limits},
        limits_set="plan",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=tuple(scopes),
        functions=scopes,
        findings=pair.findings,
        details={"notes": list(pair.notes)} if pair.notes else {},
    )
    return with_ways(result, [judgement.way] if judgement.way else [])


def polarity_finding(phase: Uncertain) -> tuple[Finding, ...]:
    """Findings from the phase between two windings on one core; none if they are in phase."""
    off = abs(phase.value)
    if 180 - off <= PHASE_ALLOWED_DEG:
        return (
            Finding(
                FindingKind.POLARITY,
                f"polarity: the secondary is inverted ({phase.value:.1f}°): winding or sense loop is reversed, "
                "or a probe's tip and clip are swapped",
            ),
        )
    if off > PHASE_ALLOWED_DEG:
        return (
            Finding(
                FindingKind.PHASE,
                f"the phase of {phase.value:.1f}° is neither 0 nor 180°: these are not two windings on one core, or the "
                "frequency is outside the usable range",
            ),
        )
    return ()
