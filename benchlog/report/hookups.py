"""Hook-up drawings as SVG text: what is connected to what, for each kind of check."""

from __future__ import annotations

import re
from typing import Any

from benchlog.reading import Function
from benchlog.report.sanitise import label
from benchlog.result import Result

__all__ = ["hookup_drawing"]


def hookup_drawing(result: Result) -> str | None:
    """Draw the hook-up of a result's kind of check; None where a drawing would say nothing; SVG text."""
    draw = _DRAWINGS.get(result.check)
    if draw is None or result.details.get("opposed_turns"):
        return None
    import schemdraw

    schemdraw.use("svg")
    with schemdraw.Drawing(show=False) as drawing:
        drawing.config(fontsize=9, unit=2.0, lw=1.1)
        draw(drawing, result)
    text = drawing.get_imagedata("svg").decode()
    return re.sub(r"^.*?(?=<svg)", "", text, flags=re.DOTALL)


def _elements() -> Any:
    """The library's elements; its type information knows only a part of their methods."""
    import schemdraw.elements

    return schemdraw.elements


def _meter(result: Result, fallback: str) -> str:
    return label(result.instruments[0]) if result.instruments else fallback


def _part(result: Result, fallback: str) -> str:
    return label(result.part) if result.part else fallback


def _supply(drawing: Any, result: Result) -> None:
    elm = _elements()

    transformer = elm.Transformer(t1=4, t2=3).label(_part(result, "supply"), "top")
    drawing += transformer
    drawing += elm.Line().at(transformer.p1).left(0.8)
    drawing += elm.Line().at(transformer.p2).left(0.8)
    drawing += elm.Label().at((-1.6, transformer.p1.y / 2)).label("mains\n(plug)")
    drawing += elm.Line().at(transformer.s1).right(1.6)
    loaded = "loaded_voltage" in result.quantities
    if loaded:
        drawing += (
            elm.Resistor()
            .down()
            .toy(transformer.s2)
            .label(label(result.conditions.get("load", "load")), "bottom")
        )
        drawing += elm.Line().left().tox(transformer.s2)
        drawing += elm.Line().at((transformer.s1.x + 1.6, transformer.s1.y)).right(1.8)
    else:
        drawing += elm.Line().right(0.6)
    drawing += elm.MeterV().down().toy(transformer.s2).label(_meter(result, "meter"), "bottom")
    drawing += elm.Line().left().tox(transformer.s2)


def _ratio(drawing: Any, result: Result) -> None:
    elm = _elements()

    source = elm.SourceSin().up().label("generator", "top")
    drawing += source
    drawing += elm.Line().right(1.4)
    drawing += elm.Dot()
    top = drawing.here
    drawing += elm.Line().up(0.5)
    drawing += elm.Line().right(0.5)
    drawing += elm.Label().label("scope: winding", "right")
    drawing += elm.Line().at(top).right(1.0)
    drawing += elm.Inductor2(loops=5).down().toy(source.start).label("N turns", "top")
    drawing += elm.Dot()
    drawing += elm.Line().left().tox(source.start)
    drawing += elm.Line().at((top.x + 1.9, top.y - 0.5)).down(1.0)
    drawing += (
        elm.Inductor2(loops=1).at((top.x + 2.3, top.y)).down().toy(source.start).label("sense loop", "bottom")
    )
    end = drawing.here
    drawing += elm.Line().left().tox(top.x + 1.0)
    drawing += elm.Line().at((top.x + 2.3, top.y)).right(0.6)
    drawing += elm.Label().label("scope: loop", "right")
    drawing += elm.Ground().at(end).label("both clips", "right")


def _four_wire(drawing: Any, result: Result) -> None:
    elm = _elements()

    if Function.DC_CURRENT not in result.functions.values():
        return _two_wire(drawing, result)
    source = elm.SourceI().up().label("supply", "top")
    drawing += source
    drawing += elm.Line().right(2.0)
    drawing += elm.Resistor().down().toy(source.start).label(_part(result, "object"), "top")
    drawing += elm.Line().left().tox(source.start)
    drawing += elm.Line().at((2.0, source.end.y - 0.3)).right(1.6)
    drawing += elm.MeterV().down().toy(source.start.y + 0.3).label(_meter(result, "meter"), "bottom")
    drawing += elm.Line().left(1.6)
    return None


def _two_wire(drawing: Any, result: Result) -> None:
    elm = _elements()

    meter = elm.MeterOhm().up().label(_meter(result, "meter"), "top")
    drawing += meter
    drawing += elm.Line().right(2.0)
    drawing += elm.Resistor().down().toy(meter.start).label(_part(result, "object"), "bottom")
    drawing += elm.Line().left().tox(meter.start)


def _series(drawing: Any, result: Result) -> None:
    elm = _elements()

    source = elm.SourceSin().up().label("generator,\nfloating", "top")
    drawing += source
    drawing += elm.Line().right(1.6)
    drawing += elm.Inductor2(loops=4).down(1.4).label("winding: CH1", "bottom")
    drawing += elm.Dot()
    middle = drawing.here
    drawing += elm.Resistor().down(1.4).label("R: CH2", "bottom")
    drawing += elm.Line().left().tox(source.start)
    drawing += elm.Line().up().toy(source.start)
    drawing += elm.Ground(lead=False).at((middle.x + 1.6, middle.y - 0.1)).label("both clips", "right")
    drawing += elm.Line().at(middle).right(1.6)


_DRAWINGS = {
    "supply": _supply,
    "turns_ratio": _ratio,
    "continuity": _four_wire,
    "inductance": _series,
}
