"""The automatic turns-ratio run: drive chosen from the core, ranges filled, flatness proved, swap, sweep, model.

Generator on the N-turn winding, a separate sense loop. All except the swap of probes and channels is done over the
links, and the output is off while you work on the leads.
"""

from __future__ import annotations

from typing import Any

import msgspec

from benchlog.capture import Capture
from benchlog.checks.turns_ratio import check_turns_ratio
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.check_context import CheckOutcome
from benchlog.guide.ratio_bench import SWEEP_POINTS, RatioBench, RatioRun
from benchlog.guide.ratio_sweep import SweptRatio, fitted_sweep, sweep_findings
from benchlog.guide.scope_ranges import peak_v
from benchlog.magnetics.drive_choice import choose_drive
from benchlog.magnetics.sweep_fit import FEWEST_POINTS
from benchlog.number_format import format_quantity
from benchlog.result import Result, Verdict

__all__ = ["SWAP_PROMPT", "SWEEP_POINTS", "RatioRun", "run_ratio"]

SWAP_PROMPT = "swap: move each probe with its channel to the other winding"


def run_ratio(run: RatioRun, acquisition: Acquisition) -> CheckOutcome:
    """Do an automatic run and judge it.

    Raises
    ------
    UsageError
        If the set-up is not for an automatic run, or no frequency fits.
    InstrumentError
        If an instrument does not answer.
    SkippedError
        If the user skips the swap.
    """
    if run.setup.injection or run.setup.opposed_turns is not None:
        raise UsageError(
            "an automatic run needs a sense loop beside the driven winding",
            hint="for series opposition leave out AL; for current injection give a capture",
        )
    drive = choose_drive(
        run.al_h,
        run.expected_turns,
        generator_ohm=run.setup.generator_ohm,
        amplitude_vpp=run.amplitude_vpp,
        area_m2=run.area_m2,
        saturation_t=run.saturation_t,
        frequency_hz=run.frequency_hz,
        sense_turns=run.setup.loop_turns,
    )
    bench = RatioBench(run, acquisition, drive)
    with bench.driving():
        normal = bench.first_capture()
        proof, proving = bench.prove_flat(normal)
        points, missed = bench.sweep(normal) if run.sweep_points and proving else ([], [])
    swapped = None
    if run.swap:
        acquisition.do(SWAP_PROMPT, f"{run.key}/swap")
        with bench.driving(swapped=True):
            swapped = bench.capture()
    result = check_turns_ratio(
        normal,
        run.setup,
        expected_turns=run.expected_turns,
        tolerance=run.tolerance,
        limits=run.limits,
        swapped=swapped,
        prior=run.prior,
    )
    swept = None
    if len(points) >= FEWEST_POINTS:
        swept = fitted_sweep(points, normal, result, run.setup, run.al_h, run.expected_turns)
    elif missed:
        missed.append("too few points for a model")
    result = msgspec.structs.replace(
        result, findings=(*result.findings, *(Finding(FindingKind.CONDITIONS, text) for text in missed))
    )
    captures = (normal, *(() if swapped is None else (swapped,)), *proving)
    return CheckOutcome(_with_run(result, bench, normal, proof, swept), (), captures)


def _with_run(
    result: Result, bench: RatioBench, normal: Capture, proof: dict[str, Any], swept: SweptRatio | None
) -> Result:
    """Add the run's choices, checks and fit to a result; a ratio that is not flat does not pass."""
    drive = bench.drive
    full = {c: normal.channel(c).range_max for c in bench.channels}
    fill = {c: peak_v(normal.channel(c)) / (top * normal.channel(c).probe) for c, top in full.items() if top}
    details = {
        "drive": {
            "frequency_hz": drive.frequency_hz,
            "amplitude_vpp": bench.amplitude_vpp,
            "window_low_hz": drive.window.low_hz,
            "window_high_hz": drive.window.high_hz,
            "window_bound": drive.window.bound,
            "flux_density_t": None
            if drive.flux_t is None
            else drive.flux_t * bench.amplitude_vpp / drive.amplitude_vpp,
            "fill": fill,
        },
        "flatness": proof,
    }
    findings = [*result.findings, *drive.findings()]
    verdict, reason = result.verdict, result.reason
    if proof["finding"]:
        findings.insert(0, Finding(FindingKind.CONDITIONS, proof["finding"]))
        verdict, reason = Verdict.INDETERMINATE, f"{proof['finding']}; {reason}"
    if swept is not None:
        details["sweep"] = swept.as_json()
        findings += sweep_findings(swept, bench.run.al_h)
    return msgspec.structs.replace(
        result,
        verdict=verdict,
        reason=reason,
        quantities=dict(result.quantities) | ({} if swept is None else swept.quantities()),
        findings=tuple(findings),
        conditions=dict(result.conditions)
        | {
            "frequency": format_quantity(drive.frequency_hz, "Hz"),
            "level": f"{format_quantity(bench.amplitude_vpp, 'V')} peak to peak, open circuit",
        },
        details=dict(result.details) | details,
    )
