"""Plan a toroid winding: does it fit, what wire to cut, what to expect of it, will the core stand the flux?

Nothing is measured here; the numbers are what the checks of the finished winding are judged by.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from benchlog.errors import UsageError
from benchlog.magnetics.cascade import Cascade
from benchlog.magnetics.core import Toroid, permeability
from benchlog.magnetics.flux import (
    OPEN_SECONDARY_CAUTION,
    SATURATION_T,
    droop,
    open_secondary_peak_v,
    peak_flux_density_t,
    saturating_direct_current_a,
)
from benchlog.magnetics.transformer import Transformer, corner_frequency_hz
from benchlog.magnetics.winding import WindingPlan, corner_allowance_m, plan_winding
from benchlog.magnetics.wire import COPPER_PER_K, Wire, copper_factor
from benchlog.metrology.budget import settle, uniform
from benchlog.result import DesignCheck, Result, Uncertain, Verdict
from benchlog.units import format_quantity

__all__ = ["FULLEST", "SecondStage", "Service", "ToroidDesign", "plan_toroid"]

#: Window fill: above the first a full winding, above the second none that can be wound (winder's notes).
FULL = 0.45
FULLEST = 0.65
#: Half-widths of what the plan's numbers rest on (common practice, no source).
CORE_DIMENSIONS = 0.03
WIRE_AREA = 0.01
TEMPERATURE_K = 2.0
AL_LOT = 0.25
AREA = 0.05
MARGIN_WANTED = 1.5


@dataclass(frozen=True, slots=True)
class SecondStage:
    """A second transformer whose core this one's secondary threads; the burden is then on the second one.

    Attributes
    ----------
    turns : int
    al_h, winding_ohm : float
        Inductance of one turn of its core, resistance of its winding.
    lead_ohm : float
        Resistance of the loop between the two, besides this winding.
    """

    turns: int
    al_h: float
    winding_ohm: float
    lead_ohm: float = 0.0

    def __post_init__(self) -> None:
        if self.turns < 1 or self.al_h <= 0 or self.winding_ohm < 0 or self.lead_ohm < 0:
            raise UsageError(
                "a second stage needs turns and AL above zero and no negative resistance",
                hint='--second-turns 100 --second-al "61 uH" --second-resistance "0.5 ohm"',
            )


@dataclass(frozen=True, slots=True)
class Service:
    """What the finished transformer has to do; None where it is not known.

    Attributes
    ----------
    al_h : float
        Inductance of one turn.
    al_tolerance : float
        Half-width of its error, relative.
    burden_ohm, current_a, frequency_hz : float
        Burden, primary current (rms) and its frequency.
    pulse_s : float
        Length of a flat pulse; half a period when only the frequency is given.
    area_m2 : float
        Magnetic cross-section; that of the solid core by default.
    saturation_t : float
        Flux density the core stands.
    passes : int
        Turns of the primary.
    second : SecondStage
        When another transformer follows.
    """

    al_h: float | None = None
    al_tolerance: float = AL_LOT
    burden_ohm: float | None = None
    current_a: float | None = None
    frequency_hz: float | None = None
    pulse_s: float | None = None
    area_m2: float | None = None
    saturation_t: float | None = None
    passes: int = 1
    second: SecondStage | None = None

    def __post_init__(self) -> None:
        for name in ("al_h", "burden_ohm", "current_a", "frequency_hz", "pulse_s", "area_m2", "saturation_t"):
            value = getattr(self, name)
            if value is not None and not (value > 0 and math.isfinite(value)):
                raise UsageError(
                    f"{name.rpartition('_')[0].replace('_', ' ')} must be above zero, not {value:g}"
                )


@dataclass(frozen=True, slots=True)
class ToroidDesign:
    """Core, wire and turns as asked for; see `benchlog.magnetics.winding.plan_winding`."""

    core: Toroid
    wire: Wire
    turns: int
    lead_m: float = 0.15
    one_turn_m: float | None = None
    one_turn_half_width_m: float = 0.2e-3
    slack: float | None = None
    temperature_degc: float = 20.0

    def lay_out(self) -> WindingPlan:
        """Lay the turns out in layers."""
        return plan_winding(
            self.core,
            self.wire,
            self.turns,
            lead_m=self.lead_m,
            one_turn_m=self.one_turn_m,
            slack=self.slack,
        )


def plan_toroid(design: ToroidDesign, service: Service | None = None) -> Result:
    """Work out a winding.

    Passes when the winding fits and the core stands the flux; fails by a design check.

    Raises
    ------
    UsageError
        If the turns do not go through the hole, or numbers make no sense.
    """
    service = service or Service()
    plan = design.lay_out()
    turn = _turn_length(design, plan)
    resistance = _resistance(design, plan, turn)
    quantities = {
        "turn_length": settle(turn, "m"),
        "cut_length": _exact(plan.cut_m, "m"),
        "first_layer_turns": _exact(float(plan.layers[0].capacity), "1"),
        "window_fill": _exact(plan.window_fill, "1"),
        "winding_resistance": settle(resistance, "ohm"),
    }
    findings = _layer_findings(plan)
    checks = [_fill_check(plan)]
    details: dict[str, Any] = {
        "turns": plan.turns,
        "layers": [
            {"capacity": layer.capacity, "turns": layer.turns, "turn_length": layer.turn_length_m}
            for layer in plan.layers
        ],
        "slack": plan.slack,
        "lead": plan.lead_m,
        "wound_length": plan.wound_m,
        "expected_left_over": plan.cut_m - plan.wire_m,
        "wire": design.wire.name,
        "wire_diameter": design.wire.diameter_m,
        "wire_over_enamel": design.wire.over_enamel_m(),
        "temperature_degc": design.temperature_degc,
        "hole_left": plan.left_window_m,
    }
    cautions: tuple[str, ...] = ()
    if service.al_h is not None:
        _add_service(design, service, resistance, quantities, details, checks, findings)
    if service.burden_ohm is not None or service.current_a is not None:
        cautions = (OPEN_SECONDARY_CAUTION,)
    overall = Verdict.FAIL if any(c.verdict is Verdict.FAIL for c in checks) else Verdict.PASS
    return Result(
        check="winding_plan",
        verdict=overall,
        reason=_reason(design, plan, overall, checks),
        quantities=quantities,
        design_checks=tuple(checks),
        findings=tuple(findings),
        cautions=cautions,
        details=details,
        conditions={"temperature": f"{design.temperature_degc:g} degC"},
    )


def _exact(value: float, unit: str) -> Uncertain:
    return Uncertain(value, 0.0, 0.0, unit)


def _turn_length(design: ToroidDesign, plan: WindingPlan) -> Any:
    if design.one_turn_m is not None:
        return uniform(design.one_turn_m, design.one_turn_half_width_m, label="measured turn")
    core = design.core
    across = core.outer_m - core.inner_m
    corners = uniform(0.0, corner_allowance_m(core, design.wire), label="square or rounded corners")
    drawing = CORE_DIMENSIONS * math.hypot(2 * core.height_m, across)
    return uniform(plan.turn_length_m, drawing, label="core dimensions ±3 %") + corners


def _resistance(design: ToroidDesign, plan: WindingPlan, turn: Any) -> Any:
    length = design.turns * turn + plan.outer_layers_m + 2 * plan.lead_m
    factor = copper_factor(design.temperature_degc)
    per_m = design.wire.resistance_per_m()
    warmth = uniform(factor, COPPER_PER_K * TEMPERATURE_K, label="temperature ±2 K")
    return length * per_m * warmth * uniform(1.0, WIRE_AREA, label="wire cross-section ±1 %")


def _layer_findings(plan: WindingPlan) -> list[str]:
    findings = []
    if len(plan.layers) > 1:
        outer = ", ".join(f"{layer.turns} on layer {n}" for n, layer in enumerate(plan.layers, 1))
        covered = plan.outer_layers_m <= plan.turns * plan.turn_length_m * plan.slack / 2
        findings.append(
            f"{len(plan.layers)} layers ({outer}); the longer outer turns take "
            f"{plan.outer_layers_m * 1e3:.0f} mm more, "
            + ("which the slack covers" if covered else "which is added to the cut")
        )
    elif plan.turns > 0.95 * plan.layers[0].capacity:
        findings.append("the layer is all but full: one thick spot of enamel starts a second layer")
    if plan.window_fill > FULL:
        findings.append(f"window fill {plan.window_fill * 100:.0f} %: a full winding, hard by hand")
    return findings


def _fill_check(plan: WindingPlan) -> DesignCheck:
    verdict = Verdict.PASS if plan.window_fill <= FULLEST else Verdict.FAIL
    return DesignCheck(
        "window_fill",
        verdict,
        plan.window_fill,
        FULLEST,
        "1",
        f"{plan.window_fill * 100:.0f} % of the hole, {FULLEST * 100:.0f} % is about the most",
    )


def _add_service(
    design: ToroidDesign,
    service: Service,
    resistance: Any,
    quantities: dict[str, Uncertain],
    details: dict[str, Any],
    checks: list[DesignCheck],
    findings: list[str],
) -> None:
    """Add what follows from the core's AL: inductance, corner, droop, flux, open secondary."""
    assert service.al_h is not None
    al = uniform(service.al_h, service.al_h * service.al_tolerance, label="AL lot tolerance")
    inductance = al * design.turns**2
    quantities["al"] = settle(al, "H")
    quantities["inductance"] = settle(inductance, "H")
    area = service.area_m2 if service.area_m2 is not None else design.core.effective_area_m2()
    details["permeability"] = permeability(service.al_h, design.core.path_m, area)
    if service.saturation_t is not None:
        details["saturating_direct_current_a"] = saturating_direct_current_a(
            service.saturation_t, area, service.al_h, service.passes
        )
    if service.burden_ohm is None:
        return
    total = _load_ohm(service) + resistance
    corner = total / (2 * math.pi * inductance)
    quantities["corner_frequency"] = settle(corner, "Hz")
    pulse = service.pulse_s
    if pulse is None and service.frequency_hz is not None:
        pulse = 0.5 / service.frequency_hz
    if pulse is not None:
        lost = droop(pulse, float(inductance.x), float(total.x))
        rate = total / inductance
        # d(1 - exp(-t r)) = t exp(-t r) dr keeps the budget's inputs.
        quantities["droop"] = settle(lost + (rate - float(rate.x)) * (pulse * (1 - lost)), "1")
        details["droop_pulse_s"] = pulse
    if service.frequency_hz is None or service.current_a is None:
        return
    _add_flux(design, service, area, float(total.x), quantities, details, checks, findings)
    if service.second is not None:
        _add_cascade(design, service, service.second, float(resistance.x), area, details, findings)


def _load_ohm(service: Service) -> float:
    """What the winding drives: the burden, or a second stage with the burden reflected through its turns."""
    assert service.burden_ohm is not None
    if service.second is None:
        return service.burden_ohm
    second = service.second
    return second.lead_ohm + (service.burden_ohm + second.winding_ohm) / second.turns**2


def _add_cascade(
    design: ToroidDesign,
    service: Service,
    second: SecondStage,
    winding_ohm: float,
    area_m2: float,
    details: dict[str, Any],
    findings: list[str],
) -> None:
    """Both stages together; the second core is taken to be as large as this one."""
    assert service.al_h is not None
    assert service.burden_ohm is not None
    assert service.frequency_hz is not None
    assert service.current_a is not None
    stages = Cascade(
        Transformer(design.turns, service.al_h, winding_ohm),
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
        f"two stages, {stages.ratio:g}:1: corners {format_quantity(answer.first_corner_hz, 'Hz', 3)} and "
        f"{format_quantity(answer.second_corner_hz, 'Hz', 3)}, {format_quantity(second_t, 'T', 3)} peak in the second "
        f"core, apparent ratio {answer.apparent_ratio:.6g}; test each stage alone first, a miscount in one can hide in "
        "the product"
    )


def _add_flux(
    design: ToroidDesign,
    service: Service,
    area_m2: float,
    total_ohm: float,
    quantities: dict[str, Uncertain],
    details: dict[str, Any],
    checks: list[DesignCheck],
    findings: list[str],
) -> None:
    assert service.frequency_hz is not None
    assert service.current_a is not None
    assert service.al_h is not None
    corner = corner_frequency_hz(service.al_h * design.turns**2, total_ohm)
    magnitude = 1 / math.hypot(1, corner / service.frequency_hz)
    peak = math.sqrt(2) * service.current_a * service.passes
    density = peak_flux_density_t(
        peak / design.turns * magnitude * total_ohm, service.frequency_hz, design.turns, area_m2
    )
    quantities["flux_density"] = settle(uniform(density, density * AREA, label="core area ±5 %"), "T")
    details["burden_voltage_v"] = (
        service.current_a * service.passes / design.turns * magnitude * _load_ohm(service)
    )
    details["magnitude"] = magnitude
    details["lead_deg"] = math.degrees(math.atan(corner / service.frequency_hz))
    slope = 2 * math.pi * service.frequency_hz * peak
    open_v = open_secondary_peak_v(service.al_h, design.turns, slope)
    details["open_secondary_peak_v"] = open_v
    findings.append(f"an open secondary would show up to {format_quantity(open_v, 'V', 2)} peak")
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
            f"the saturation margin of {margin:.2g} leaves little for a surge or a direct component"
        )
    half_wave = peak / math.pi
    if half_wave > details["saturating_direct_current_a"] * service.passes:
        findings.append(
            f"a half-wave current ({format_quantity(half_wave / service.passes, 'A', 2)} mean) saturates this core at "
            f"{format_quantity(details['saturating_direct_current_a'], 'A', 2)} of direct current: 'low current' may "
            "then mean 'half-wave'"
        )


def _unknown_saturation(density_t: float, checks: list[DesignCheck], findings: list[str]) -> None:
    """Without the core's own limit only what no usual material stands can be judged."""
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
                f"{shown} peak is more than any usual core stands ({material}: {most:g} T): lower the burden or "
                "the current, or take more turns or core",
            )
        )
        return
    stand = [name for name, limit in SATURATION_T.items() if density_t * MARGIN_WANTED <= limit]
    findings.append(
        f"{shown} peak leaves a margin of {MARGIN_WANTED:g} with {', '.join(stand) or 'no usual material'}; give the "
        "core's own limit with --saturation"
    )


def _reason(design: ToroidDesign, plan: WindingPlan, verdict: Verdict, checks: list[DesignCheck]) -> str:
    if verdict is Verdict.FAIL:
        return "; ".join(f"{c.name.replace('_', ' ')}: {c.reason}" for c in checks if c.verdict is verdict)
    layers = "one layer" if len(plan.layers) == 1 else f"{len(plan.layers)} layers"
    return (
        f"{plan.turns} turns of {design.wire.name} fit on {layers} (the first holds {plan.layers[0].capacity}); "
        f"cut {plan.cut_m * 1e3:.0f} mm"
    )
