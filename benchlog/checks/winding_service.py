"""Operation of a planned winding: inductance, corner frequency, droop, flux, saturation, a second stage."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from benchlog.errors import UsageError
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.magnetics.cascade import Cascade
from benchlog.magnetics.core import Toroid, permeability
from benchlog.magnetics.flux import (
    SATURATION_T,
    droop,
    open_secondary_peak_v,
    peak_flux_density_t,
    saturating_direct_current_a,
)
from benchlog.magnetics.transformer import Transformer, corner_frequency_hz
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.number_format import format_quantity
from benchlog.result import DesignCheck, Uncertain, Verdict

#: Half-widths, relative (common practice, no source).
AL_LOT = 0.25
AREA = 0.05
#: Smallest saturation margin without a finding.
MARGIN_WANTED = 1.5


@dataclass(frozen=True, slots=True)
class SecondStage:
    """A second transformer, through whose core this one's secondary passes; it then carries the burden."""

    turns: int
    #: al_h, winding_ohm: Inductance of one turn of its core, resistance of its winding.
    al_h: float
    winding_ohm: float
    lead_ohm: float = 0.0  #: Resistance of the loop between the two, besides this winding.

    def __post_init__(self) -> None:
        if self.turns < 1 or self.al_h <= 0 or self.winding_ohm < 0 or self.lead_ohm < 0:
            raise UsageError(
                "a second stage needs turns and AL above zero and no negative resistance",
                hint='--second-turns 100 --second-al "61 uH" --second-resistance "0.5 ohm"',
            )


@dataclass(frozen=True, slots=True)
class Service:
    """Operating conditions of the finished transformer; None if not known."""

    al_h: float | None = None  #: Inductance of one turn.
    al_tolerance: float = AL_LOT  #: Half-width of its error, relative.
    #: burden_ohm, current_a, frequency_hz: Burden, primary current (rms) and its frequency.
    burden_ohm: float | None = None
    current_a: float | None = None
    frequency_hz: float | None = None
    pulse_s: float | None = None  #: Length of a flat pulse; half a period when only the frequency is given.
    area_m2: float | None = None  #: Magnetic cross-section; that of the solid core by default.
    saturation_t: float | None = None  #: Flux density the core tolerates.
    passes: int = 1  #: Turns of the primary.
    second: SecondStage | None = None  #: When another transformer follows.

    def __post_init__(self) -> None:
        for name in ("al_h", "burden_ohm", "current_a", "frequency_hz", "pulse_s", "area_m2", "saturation_t"):
            value = getattr(self, name)
            if value is not None and not (value > 0 and math.isfinite(value)):
                raise UsageError(
                    f"{name.rpartition('_')[0].replace('_', ' ')} must be above zero, not {value:g}"
                )


def add_service(
    core: Toroid,
    turns: int,
    service: Service,
    resistance: Any,
    quantities: dict[str, Uncertain],
    details: dict[str, Any],
    checks: list[DesignCheck],
    findings: list[Finding],
) -> None:
    """Add quantities that depend on the core's AL: inductance, corner, droop, flux, open secondary."""
    assert service.al_h is not None
    al = uniform(
        service.al_h,
        service.al_h * service.al_tolerance,
        label="AL lot tolerance",
        influence=Influence(Role.MATERIAL),
    )
    inductance = al * turns**2
    quantities["al"] = to_uncertain(al, "H")
    quantities["inductance"] = to_uncertain(inductance, "H")
    area = service.area_m2 if service.area_m2 is not None else core.effective_area_m2()
    details["permeability"] = permeability(service.al_h, core.path_m, area)
    if service.saturation_t is not None:
        details["saturating_direct_current_a"] = saturating_direct_current_a(
            service.saturation_t, area, service.al_h, service.passes
        )
    if service.burden_ohm is None:
        return
    total = _load_ohm(service) + resistance
    corner = total / (2 * math.pi * inductance)
    quantities["corner_frequency"] = to_uncertain(corner, "Hz")
    pulse = service.pulse_s
    if pulse is None and service.frequency_hz is not None:
        pulse = 0.5 / service.frequency_hz
    if pulse is not None:
        lost = droop(pulse, float(inductance.x), float(total.x))
        rate = total / inductance
        # Linearised, d(1 - exp(-t r)) = t exp(-t r) dr, to keep the inputs in the budget.
        quantities["droop"] = to_uncertain(lost + (rate - float(rate.x)) * (pulse * (1 - lost)), "1")
        details["droop_pulse_s"] = pulse
    if service.frequency_hz is None or service.current_a is None:
        return
    _add_flux(turns, service, area, float(total.x), quantities, details, checks, findings)
    if service.second is not None:
        _add_cascade(turns, service, service.second, float(resistance.x), area, details, findings)


def _load_ohm(service: Service) -> float:
    """Load of the winding: the burden, or a second stage with the burden reflected through its turns."""
    assert service.burden_ohm is not None
    if service.second is None:
        return service.burden_ohm
    second = service.second
    return second.lead_ohm + (service.burden_ohm + second.winding_ohm) / second.turns**2


def _add_cascade(
    turns: int,
    service: Service,
    second: SecondStage,
    winding_ohm: float,
    area_m2: float,
    details: dict[str, Any],
    findings: list[Finding],
) -> None:
    """Both stages together; the second core is assumed to be as large as this one."""
    assert service.al_h is not None
    assert service.burden_ohm is not None
    assert service.frequency_hz is not None
    assert service.current_a is not None
    stages = Cascade(
        Transformer(turns, service.al_h, winding_ohm),
        Transformer(second.turns, second.al_h, second.winding_ohm),
        burden_ohm=service.burden_ohm,
        lead_ohm=second.lead_ohm,
    )
    current = service.current_a * service.passes
    answer = stages.respond(service.frequency_hz, current)
    first_t, second_t = stages.flux_densities_t(service.frequency_hz, current, area_m2, area_m2)
    details["burden_voltage_v"], details["lead_deg"] = answer.burden_v, answer.lead_deg
    details["magnitude"] = answer.magnitude
    details["cascade"] = {
        **asdict(answer),
        "ratio": stages.ratio,
        "first_flux_density_t": first_t,
        "second_flux_density_t": second_t,
        "droop": stages.droop(details["droop_pulse_s"]),
    }
    findings.append(
        Finding(
            FindingKind.DESIGN,
            f"two stages, {stages.ratio:g}:1: corners {format_quantity(answer.first_corner_hz, 'Hz', 3)} and "
            f"{format_quantity(answer.second_corner_hz, 'Hz', 3)}, {format_quantity(second_t, 'T', 3)} peak in the second "
            f"core, apparent ratio {answer.apparent_ratio:.6g}; test each stage alone first: the product can hide a "
            "miscount in one",
        )
    )


def _add_flux(
    turns: int,
    service: Service,
    area_m2: float,
    total_ohm: float,
    quantities: dict[str, Uncertain],
    details: dict[str, Any],
    checks: list[DesignCheck],
    findings: list[Finding],
) -> None:
    assert service.frequency_hz is not None
    assert service.current_a is not None
    assert service.al_h is not None
    corner = corner_frequency_hz(service.al_h * turns**2, total_ohm)
    magnitude = 1 / math.hypot(1, corner / service.frequency_hz)
    peak = math.sqrt(2) * service.current_a * service.passes
    density = peak_flux_density_t(peak / turns * magnitude * total_ohm, service.frequency_hz, turns, area_m2)
    quantities["flux_density"] = to_uncertain(
        uniform(density, density * AREA, label="core area ±5 %", influence=Influence(Role.MATERIAL)), "T"
    )
    details["burden_voltage_v"] = service.current_a * service.passes / turns * magnitude * _load_ohm(service)
    details["magnitude"] = magnitude
    details["lead_deg"] = math.degrees(math.atan(corner / service.frequency_hz))
    slope = 2 * math.pi * service.frequency_hz * peak
    open_v = open_secondary_peak_v(service.al_h, turns, slope)
    details["open_secondary_peak_v"] = open_v
    findings.append(
        Finding(
            FindingKind.DESIGN, f"an open secondary would show up to {format_quantity(open_v, 'V', 2)} peak"
        )
    )
    if service.saturation_t is None:
        _unknown_saturation(density, checks, findings)
        return
    margin = service.saturation_t / density
    checks.append(
        DesignCheck(
            "saturation",
            Verdict.PASS if margin >= 1 else Verdict.FAIL,
            density,
            service.saturation_t,
            "T",
            f"{format_quantity(density, 'T', 3)} peak of {service.saturation_t:g} T, margin {margin:.2g}",
        )
    )
    if 1 <= margin < MARGIN_WANTED:
        findings.append(
            Finding(
                FindingKind.DESIGN,
                f"the saturation margin of {margin:.2g} leaves little for a surge or a direct component",
            )
        )
    half_wave = peak / math.pi
    if half_wave > details["saturating_direct_current_a"] * service.passes:
        findings.append(
            Finding(
                FindingKind.DESIGN,
                f"a half-wave current ({format_quantity(half_wave / service.passes, 'A', 2)} mean) saturates this core at "
                f"{format_quantity(details['saturating_direct_current_a'], 'A', 2)} of direct current: a current that seems low may then "
                "be half-wave",
            )
        )


def _unknown_saturation(density_t: float, checks: list[DesignCheck], findings: list[Finding]) -> None:
    """Judge flux without the core's own limit: it fails only if every usual material would saturate."""
    material, most = max(SATURATION_T.items(), key=lambda item: item[1])
    shown = format_quantity(density_t, "T", 3)
    if density_t > most:
        checks.append(
            DesignCheck(
                "saturation",
                Verdict.FAIL,
                density_t,
                most,
                "T",
                f"{shown} peak is more than any usual core can take ({material}: {most:g} T): lower the burden or "
                "the current, or take more turns or core",
            )
        )
        return
    stand = [name for name, limit in SATURATION_T.items() if density_t * MARGIN_WANTED <= limit]
    findings.append(
        Finding(
            FindingKind.DESIGN,
            f"{shown} peak has a margin of {MARGIN_WANTED:g} with {', '.join(stand) or 'no usual material'}; give the "
            "core's own limit with --saturation",
        )
    )
