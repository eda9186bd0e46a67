"""The winding card: one self-contained page for the bench, with boxes to tick while winding."""

from __future__ import annotations

import math
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING

from benchlog.number_format import format_quantity, format_uncertain

if TYPE_CHECKING:
    from benchlog.checks.winding_plan import ToroidDesign
    from benchlog.result import Result

_STEP = 10
#: Most wires drawn in the picture of the core; more would only blacken it.
_MOST_DRAWN = 400


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of the plan: name, value with unit, source."""

    name: str
    value: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class TallyBox:
    """One box to tick: the count at its end, its number of strokes, and the layer that ends in it."""

    upto: int
    strokes: int
    layer_ends: str = ""


@dataclass(frozen=True, slots=True)
class _Wire:
    x: float
    y: float
    r: float
    first: bool


def _mm(length_m: float, decimals: int = 2) -> str:
    return f"{length_m * 1e3:.{decimals}f} mm"


def facts(result: Result, design: ToroidDesign) -> list[Fact]:
    """Lines of the plan, in the order they are needed."""
    details, quantities = result.details, result.quantities
    core, wire = design.core, design.wire

    def shown(name: str) -> str:
        q = quantities[name]
        return format_uncertain(q.value, q.expanded_uncertainty, q.unit)

    layers = " + ".join(str(layer["turns"]) for layer in details["layers"])
    turn_note = "measured" if design.one_turn_m is not None else "2h + (OD − ID) + 2π(coating + d/2)"
    enamel_note = "measured" if wire.enamelled_m is not None else "most that grade 2 allows"
    lines = [
        Fact(
            "core",
            f"{core.outer_m * 1e3:g} × {core.inner_m * 1e3:g} × {core.height_m * 1e3:g} mm",
            f"coating {core.coating_m * 1e3:g} mm",
        ),
        Fact("wire", wire.name, f"{_mm(wire.diameter_m, 3)} copper"),
        Fact("over enamel", _mm(wire.over_enamel_m(), 3), enamel_note),
        Fact("one turn", shown("turn_length"), turn_note),
        Fact(
            "first layer holds",
            f"{quantities['first_layer_turns'].value:.0f} turns",
            "wires touching in the hole",
        ),
        Fact("turns by layer", layers, f"one every {360 / details['layers'][0]['turns']:.1f}° on the first"),
        Fact("window fill", f"{quantities['window_fill'].value * 100:.0f} %", "wire over enamel"),
        Fact(
            "length to cut",
            _mm(quantities["cut_length"].value, 0),
            f"{details['slack'] * 100:g} % slack, {_mm(design.lead_m, 0)} lead at each end",
        ),
        Fact(
            "left over",
            _mm(details["expected_left_over"], 0),
            "beyond both leads; a rough check of the count",
        ),
        Fact("resistance", shown("winding_resistance"), f"at {design.temperature_degc:g} °C with leads"),
    ]
    notes = {
        "al": "one turn",
        "inductance": "AL × N²",
        "corner_frequency": "(burden + winding) / 2πL",
        "droop": f"after {format_quantity(details.get('droop_pulse_s'), 's', 3)} of a flat pulse",
        "flux_density": "peak, at the current given",
    }
    lines += [
        Fact(
            "AL" if name == "al" else name.replace("_", " "),
            _percent(quantities[name].value, quantities[name].expanded_uncertainty)
            if name == "droop"
            else shown(name),
            note,
        )
        for name, note in notes.items()
        if name in quantities
    ]
    if "burden_voltage_v" in details:
        volts = format_quantity(details["burden_voltage_v"], "V")
        lines.append(Fact("burden voltage", volts, f"rms, leads by {details['lead_deg']:.2f}°"))
    return lines


def _percent(value: float, expanded: float) -> str:
    return format_uncertain(value * 100, expanded * 100, "1") + " %"


def tally(turns: int, layer_turns: list[int]) -> list[TallyBox]:
    """Boxes of ten turns, the last with the rest; they say where a layer ends.

    >>> [(box.upto, box.strokes) for box in tally(23, [23])]
    [(10, 10), (20, 10), (23, 3)]
    """
    ends, total = {}, 0
    for number, count in enumerate(layer_turns[:-1], 1):
        total += count
        ends[total] = number
    boxes = []
    for start in range(0, turns, _STEP):
        upto = min(start + _STEP, turns)
        inside = [f"layer {n} full at {end}" for end, n in ends.items() if start < end <= upto]
        boxes.append(TallyBox(upto, upto - start, "; ".join(inside)))
    return boxes


def _wires(design: ToroidDesign, layer_turns: list[int]) -> list[_Wire]:
    """Positions of the wires in the hole, in millimetres from the centre, starting at the top, clockwise."""
    thickness = design.wire.over_enamel_m() * 1e3
    wires = []
    for number, count in enumerate(layer_turns, 1):
        radius = design.core.window_m * 1e3 / 2 - (number - 0.5) * thickness
        for k in range(count):
            angle = 2 * math.pi * k / count
            wires.append(
                _Wire(
                    radius * math.sin(angle), -radius * math.cos(angle), thickness / 2, number == 1 and k == 0
                )
            )
    return wires[:_MOST_DRAWN]


def render_card(result: Result, design: ToroidDesign) -> str:
    """Render the card as one self-contained HTML page.

    Parameters
    ----------
    result : Result
        Of `benchlog.checks.winding_plan.plan_toroid`.
    design : ToroidDesign
        The design it was computed for.
    """
    from jinja2 import Environment, StrictUndefined

    source = (resources.files(__package__) / "winding_card.html.jinja").read_text(encoding="utf-8")
    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    layer_turns = [layer["turns"] for layer in result.details["layers"]]
    return environment.from_string(source).render(
        result=result,
        core=design.core,
        turns=design.turns,
        wire=design.wire.name,
        facts=facts(result, design),
        cut_mm=f"{result.quantities['cut_length'].value * 1e3:.0f}",
        lead_mm=f"{design.lead_m * 1e3:g}",
        left_mm=f"{result.details['expected_left_over'] * 1e3:.0f}",
        tally=tally(design.turns, layer_turns),
        wires=_wires(design, layer_turns),
        day=result.time[:10],
    )
