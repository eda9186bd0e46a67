"""Do several cores with equal test windings belong together?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import msgspec

from benchlog.capture import Capture
from benchlog.checks.scope_channels import scopes_used
from benchlog.checks.series_resistor import SeriesSetup, measure_inductance
from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind, unique
from benchlog.magnetics.core_comparison import CoreGroup, CoreKind, CoreReading, compare_cores
from benchlog.metrology.budget import to_uncertain
from benchlog.metrology.next_best import Way, way_out, with_ways
from benchlog.result import Result, Uncertain, Verdict

#: A low core between a lot's spread and another material is as often cracked as not (judgement).
_HIGHER = Way(
    "capture each core at three times the level too: if AL stays the same, the core is cracked", 0.5, 5.0
)


def check_core_set(
    captures: Mapping[str, Capture],
    setup: SeriesSetup,
    *,
    turns: int | None = None,
    at_higher_level: Mapping[str, Capture] | None = None,
) -> Result:
    """Compare cores from one capture each, all wound and measured in the same way.

    Parameters
    ----------
    captures : mapping of str to Capture
        By core; at least two.
    setup : SeriesSetup
        The same for all. Channel gains and the resistor are common to all and cancel.
    turns : int, optional
        Of each winding; then AL is given.
    at_higher_level : mapping of str to Capture, optional
        The same at about three times the level; that distinguishes a crack from another material.

    Raises
    ------
    UsageError
        If a core at the higher level has no capture at the usual one.

    Notes
    -----
    Fails if a core is of another material or cracked; indeterminate if one lies in between.
    """
    higher = at_higher_level or {}
    unknown = [name for name in higher if name not in captures]
    if unknown:
        raise UsageError(f"core {unknown[0]} has no capture at the usual level")
    alike = replace(setup, gain_accuracy=0.0, resistor_tolerance=0.0)
    readings, quantities = [], {}
    findings: list[Finding] = []
    for name, capture in captures.items():
        own = measure_inductance(capture, setup)
        noise = to_uncertain(measure_inductance(capture, alike).inductance, "H")
        quantities[f"inductance_{name}"] = to_uncertain(own.inductance, "H")
        if turns is not None:
            quantities[f"al_{name}"] = to_uncertain(own.inductance / turns**2, "H")
        findings += [found.about(f"core {name}") for found in own.findings]
        raised = float(measure_inductance(higher[name], alike).inductance.x) if name in higher else None
        readings.append(CoreReading(name, noise.value, noise.expanded_uncertainty, raised))
        if own.blocked:
            doubt = own.blocked[0].about(f"core {name}")
            result = _result(quantities, Verdict.INDETERMINATE, doubt, findings, {}, capture)
            return with_ways(msgspec.structs.replace(result, because=doubt), [way_out(doubt)])
    group = compare_cores(readings)
    verdict, reason = _judge(group, len(readings))
    level_tells = not higher and _may_be_cracked(group)
    findings += _advice(group, verdict, level_tells)
    details = {"ratios": dict(group.ratios), "kinds": {name: str(kind) for name, kind in group.kinds.items()}}
    result = _result(quantities, verdict, reason, findings, details, next(iter(captures.values())))
    return with_ways(result, [_HIGHER] if level_tells else [])


def _judge(group: CoreGroup, n_cores: int) -> tuple[Verdict, str]:
    kinds = set(group.kinds.values())
    if kinds == {CoreKind.SAME_LOT}:
        return Verdict.PASS, f"all {n_cores} cores within lot spread of core {group.reference}"
    bad = kinds & {CoreKind.OTHER, CoreKind.CRACKED, CoreKind.SHORTED}
    return Verdict.FAIL if bad else Verdict.INDETERMINATE, "; ".join(group.words)


def _advice(group: CoreGroup, verdict: Verdict, level_tells: bool) -> Iterator[Finding]:
    """What to do about cores that differ; if in doubt, another capture."""
    if verdict is Verdict.PASS:
        return
    yield Finding(
        FindingKind.CORE,
        "do not use these cores as a matched set: the ratio would be right, but corner frequency, phase and saturation "
        "would differ",
    )
    if CoreKind.SHORTED in group.kinds.values():
        yield Finding(
            FindingKind.ADVICE, "count that winding's turns, look for a short, and capture it again"
        )
    elif level_tells and verdict is Verdict.FAIL:
        yield Finding(
            FindingKind.ADVICE,
            "a capture of each core at three times the level tells a crack (AL stays) from another material",
        )


def _may_be_cracked(group: CoreGroup) -> bool:
    return any(ratio < 1 for name, ratio in group.ratios.items() if name != group.reference)


def _result(
    quantities: Mapping[str, Uncertain],
    verdict: Verdict,
    reason: str,
    findings: list[Finding],
    details: Mapping[str, object],
    capture: Capture,
) -> Result:
    scopes = scopes_used(capture)
    return Result(
        check="core_comparison",
        verdict=verdict,
        reason=reason,
        quantities=quantities,
        findings=unique(findings),
        details=details,
        rule="0.75 to 1.33: same lot; 2 or more: another material (common practice, no source)",
        instruments=tuple(scopes),
        functions=scopes,
        hookup="equal turns on every core, series resistor, same frequency and volts per turn",
    )
