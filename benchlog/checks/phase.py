"""Phase between two scope channels."""

from __future__ import annotations

from benchlog.capture import Capture
from benchlog.metrology.budget import coverage_factor
from benchlog.metrology.conformity import RULE, Judgement, judge
from benchlog.result import Limits, Result, Uncertain, Verdict
from benchlog.signal.sine_fit import fit_capture

__all__ = ["check_phase"]

#: Delay between two channels of a common scope taken as this small (half-width, second; common practice, no source).
CHANNEL_SKEW_S = 5e-9


def check_phase(capture: Capture, primary: str, secondary: str, limits: Limits) -> Result:
    """Phase of `secondary` against `primary`, degrees, positive when it leads, within (-180, 180]."""
    fit = fit_capture(capture, [primary, secondary])
    seen = fit.ratio(1, 0)
    skew_deg = 360 * fit.frequency_hz * CHANNEL_SKEW_S / 3**0.5
    u = (seen.u_phase_deg**2 + skew_deg**2) ** 0.5
    k = coverage_factor(seen.degrees_of_freedom)
    phase = Uncertain(seen.phase_deg, u, k * u, "deg", k)
    blocked = [f.message for f in fit.findings if f.severity == "blocks"]
    judgement = judge(phase, limits, "phase")
    if blocked:
        judgement = Judgement(Verdict.INDETERMINATE, 0.0, f"the record can't carry a verdict: {blocked[0]}")
    return Result(
        check="phase",
        verdict=judgement.verdict,
        reason=judgement.reason,
        quantities={
            "phase": phase,
            "frequency": Uncertain(fit.frequency_hz, fit.u_frequency_hz, 2 * fit.u_frequency_hz, "Hz"),
        },
        limits={"phase": limits},
        limits_set="plan",
        conformance_probability=judgement.conformance_probability,
        rule=RULE,
        instruments=(capture.instrument,) if capture.instrument else (),
        findings=tuple(f.message for f in fit.findings),
    )
