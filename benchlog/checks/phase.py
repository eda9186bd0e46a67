"""Phase between two scope channels."""

from __future__ import annotations

from benchlog.capture import Capture
from benchlog.checks.scope_channels import ScopeGains, fit_pair
from benchlog.influence import CAPTURE, Influence, Role
from benchlog.metrology.budget import to_uncertain, uncertain
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.result import Limits, Result, Verdict

__all__ = ["check_phase"]


def check_phase(capture: Capture, primary: str, secondary: str, limits: Limits) -> Result:
    """Phase of `secondary` against `primary`, degrees, positive when it leads, within (-180, 180]."""
    pair = fit_pair(capture, secondary, primary)
    phase = to_uncertain(pair.phase_deg() + ScopeGains(instrument=capture.instrument).delay_deg(pair), "deg")
    fit = pair.fit
    judgement = judge(phase, limits, "phase")
    if pair.blocking:
        judgement = Judgement(
            Verdict.INDETERMINATE, 0.0, f"the record can't carry a verdict: {pair.blocking[0]}"
        )
    return Result(
        check="phase",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities={
            "phase": phase,
            "frequency": to_uncertain(
                uncertain(
                    fit.frequency_hz,
                    fit.u_frequency_hz,
                    fit.degrees_of_freedom,
                    "noise of the fit",
                    influence=Influence(Role.NOISE, capture.instrument, CAPTURE),
                ),
                "Hz",
            ),
        },
        limits={"phase": limits},
        limits_set="plan",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=(capture.instrument,) if capture.instrument else (),
        functions={capture.instrument: CAPTURE} if capture.instrument else {},
        findings=pair.findings,
        details={"notes": list(pair.notes)} if pair.notes else {},
    )
