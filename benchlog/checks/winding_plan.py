"""Plan a toroid winding: does it fit, what wire to cut, what to expect of it, will the core saturate?

Nothing is measured here; the checks of the finished winding are judged by these numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from benchlog.checks.winding_service import SecondStage, Service, add_service
from benchlog.finding import Finding, FindingKind
from benchlog.influence import Influence, Role
from benchlog.magnetics.core import Toroid
from benchlog.magnetics.flux import OPEN_SECONDARY_CAUTION
from benchlog.magnetics.winding import WindingPlan, corner_allowance_m, plan_winding
from benchlog.magnetics.wire import COPPER_PER_K, Wire, copper_factor
from benchlog.metrology.budget import to_uncertain, uniform
from benchlog.result import DesignCheck, Result, Uncertain, Verdict

__all__ = ["FULLEST", "SecondStage", "Service", "ToroidDesign", "plan_toroid"]

#: Window fill: above the first the winding is full, above the second it can't be wound (winder's notes).
FULL = 0.45
FULLEST = 0.65
#: Half-widths of the plan's inputs (common practice, no source).
CORE_DIMENSIONS = 0.03
WIRE_AREA = 0.01
TEMPERATURE_K = 2.0


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
    """Compute a winding.

    Passes when the winding fits and the core does not saturate; fails by a design check.

    Raises
    ------
    UsageError
        If the turns don't fit through the hole, or a number is impossible.
    """
    service = service or Service()
    plan = design.lay_out()
    turn = _turn_length(design, plan)
    resistance = _resistance(design, plan, turn)
    quantities = {
        "turn_length": to_uncertain(turn, "m"),
        "cut_length": _exact(plan.cut_m, "m"),
        "first_layer_turns": _exact(float(plan.layers[0].capacity), "1"),
        "window_fill": _exact(plan.window_fill, "1"),
        "winding_resistance": to_uncertain(resistance, "ohm"),
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
        add_service(design.core, design.turns, service, resistance, quantities, details, checks, findings)
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
        return uniform(
            design.one_turn_m,
            design.one_turn_half_width_m,
            label="measured turn",
            influence=Influence(Role.MATERIAL),
        )
    core = design.core
    across = core.outer_m - core.inner_m
    corners = uniform(
        0.0,
        corner_allowance_m(core, design.wire),
        label="square or rounded corners",
        influence=Influence(Role.MATERIAL),
    )
    drawing = CORE_DIMENSIONS * math.hypot(2 * core.height_m, across)
    return (
        uniform(plan.turn_length_m, drawing, label="core dimensions ±3 %", influence=Influence(Role.MATERIAL))
        + corners
    )


def _resistance(design: ToroidDesign, plan: WindingPlan, turn: Any) -> Any:
    length = design.turns * turn + plan.outer_layers_m + 2 * plan.lead_m
    factor = copper_factor(design.temperature_degc)
    per_m = design.wire.resistance_per_m()
    warmth = uniform(
        factor, COPPER_PER_K * TEMPERATURE_K, label="temperature ±2 K", influence=Influence(Role.MATERIAL)
    )
    return (
        length
        * per_m
        * warmth
        * uniform(1.0, WIRE_AREA, label="wire cross-section ±1 %", influence=Influence(Role.MATERIAL))
    )


def _layer_findings(plan: WindingPlan) -> list[Finding]:
    findings: list[Finding] = []
    if len(plan.layers) > 1:
        outer = ", ".join(f"{layer.turns} on layer {n}" for n, layer in enumerate(plan.layers, 1))
        covered = plan.outer_layers_m <= plan.turns * plan.turn_length_m * plan.slack / 2
        findings.append(
            Finding(
                FindingKind.WINDING,
                f"{len(plan.layers)} layers ({outer}); the longer outer turns take "
                f"{plan.outer_layers_m * 1e3:.0f} mm more, "
                + ("covered by the slack" if covered else "added to the cut length"),
            )
        )
    elif plan.turns > 0.95 * plan.layers[0].capacity:
        findings.append(
            Finding(
                FindingKind.WINDING,
                "the layer is almost full: one thick spot of enamel would start a second layer",
            )
        )
    if plan.window_fill > FULL:
        findings.append(
            Finding(
                FindingKind.WINDING,
                f"window fill {plan.window_fill * 100:.0f} %: a full winding, hard by hand",
            )
        )
    return findings


def _fill_check(plan: WindingPlan) -> DesignCheck:
    verdict = Verdict.PASS if plan.window_fill <= FULLEST else Verdict.FAIL
    return DesignCheck(
        "window_fill",
        verdict,
        plan.window_fill,
        FULLEST,
        "1",
        f"{plan.window_fill * 100:.0f} % of the hole; about {FULLEST * 100:.0f} % is the most",
    )


def _reason(design: ToroidDesign, plan: WindingPlan, verdict: Verdict, checks: list[DesignCheck]) -> str:
    if verdict is Verdict.FAIL:
        return "; ".join(f"{c.name.replace('_', ' ')}: {c.reason}" for c in checks if c.verdict is verdict)
    layers = "one layer" if len(plan.layers) == 1 else f"{len(plan.layers)} layers"
    return (
        f"{plan.turns} turns of {design.wire.name} fit on {layers} (the first holds {plan.layers[0].capacity}); "
        f"cut {plan.cut_m * 1e3:.0f} mm"
    )
