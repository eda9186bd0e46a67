"""Hook-ups as SVG text: the path along the top, its source at the left, instruments below the points they are on."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from benchlog.hookup import Circuit, Element, Hookup, Loop, Source, Symbol, Tap
from benchlog.report.sanitise import label

_LEFT, _TOP, _PITCH, _LANE, _RADIUS = 62.0, 30.0, 96.0, 40.0, 12.0
_SCALE_PT = 0.81  # a letter of 10 units is 8.1 pt on paper
_LETTER = 5.8  # usual width of one
_INK = "#222"
_LETTERS = {"V": "V", "A": "A", "ohm": "Ω", "Hz": "Hz", "F": "F", "degC": "°C", "1": "%"}
_LABEL = 16  # characters that fit above an element


def hookup_drawing(hookup: Hookup) -> str | None:
    """Draw a hook-up; None where a picture adds nothing to the words: leads on a bare part, a sensor."""
    if not _worth_a_picture(hookup):
        return None
    taps = [tap for tap in hookup.taps if not hookup.in_the_path(tap)]
    lanes = _lanes(taps)
    end = _TOP + _LANE * (max(lanes, default=0) + (hookup.loop is not None))
    points = [_LEFT]
    for element in hookup.path:
        points.append(points[-1] + (_PITCH if element.name else _PITCH / 3))
    parts = [*_path(hookup, points), *(_dot(x, _TOP) for x in points)]
    parts += [_tap(tap, points, _TOP + _LANE * lane) for tap, lane in zip(taps, lanes, strict=True)]
    right = points[-1] + (22.0 if hookup.loop is None else 48.0)
    if hookup.source is not None:
        bottom = max(end + 20.0, _TOP + 46.0)
        parts.append(_source(hookup.source, points[0], points[-1], right, bottom))
    if hookup.loop is not None:
        parts.append(_loop(hookup.loop, (points[0] + points[1]) / 2, end))
    width, height = _width(hookup, points, right), end + 44.0 if hookup.source is None or taps else end + 70.0
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        f'width="{width * _SCALE_PT:.4g}pt" height="{height * _SCALE_PT:.4g}pt" font-family="sans-serif" font-size="10" fill="none" stroke="{_INK}" stroke-width="1.2">'
        f"{''.join(parts)}</svg>"
    )


def _width(hookup: Hookup, points: list[float], right: float) -> float:
    """Where the drawing ends: at its wires, or at the end of a label."""
    ends = [right]
    ends += [(points[t.first] + points[t.last]) / 2 + 15 + _LETTER * len(_tap_label(t)) for t in hookup.taps]
    if hookup.source is not None:
        ends.append(points[0] - 52 + _LETTER * len(label(hookup.source.name)))
    if hookup.loop is not None:
        ends.append((points[0] + points[1]) / 2 + 30 + _LETTER * len(_turns(hookup.loop)))
    return max(ends) + 8.0


def _worth_a_picture(hookup: Hookup) -> bool:
    if hookup.circuit is Circuit.SENSOR:
        return False
    return hookup.source is not None or any(e.symbol is not Symbol.PART for e in hookup.path)


def _path(hookup: Hookup, points: list[float]) -> list[str]:
    """Elements in series; a meter among them bears the letter of its function."""
    inside = [tap for tap in hookup.taps if hookup.in_the_path(tap)]
    letters = {element.name: _letter(tap) for tap in inside for element in hookup.between(tap)}
    return [
        _element(element, left, right, letters.get(element.name, ""))
        for element, left, right in zip(hookup.path, points[:-1], points[1:], strict=True)
    ]


def _lanes(taps: list[Tap]) -> list[int]:
    """Lane of each tap below the path, counted from 1; taps side by side share one."""
    taken: list[list[tuple[int, int]]] = []
    lanes = []
    for tap in taps:
        low, high = sorted((tap.first, tap.last))
        free = (n for n, spans in enumerate(taken) if all(high <= a or low >= b for a, b in spans))
        lane = next(free, len(taken))
        if lane == len(taken):
            taken.append([])
        taken[lane].append((low, high))
        lanes.append(lane + 1)
    return lanes


def _letter(tap: Tap) -> str:
    return tap.channel or (_LETTERS.get(tap.function.unit, "") if tap.function is not None else "")


# ---- strokes ----


def _line(*points: tuple[float, float]) -> str:
    return f'<polyline points="{" ".join(f"{x:g},{y:g}" for x, y in points)}"/>'


def _dot(x: float, y: float) -> str:
    return f'<circle cx="{x:g}" cy="{y:g}" r="2" fill="{_INK}" stroke="none"/>'


def _words(x: float, y: float, text: str, anchor: str = "middle", limit: int = 40) -> str:
    shown = escape(label(text, limit))
    return f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="{_INK}" stroke="none">{shown}</text>'


def _circle(x: float, y: float, letter: str) -> str:
    circle = f'<circle cx="{x:g}" cy="{y:g}" r="{_RADIUS:g}" fill="#fff"/>'
    return circle + _words(x, y + 3.5, letter)


def _arcs(x: float, y: float, count: int = 4, size: float = 11.0) -> str:
    start = x - count * size / 2
    arcs = "".join(f"a{size / 2:g},{size / 2:g} 0 0 1 {size:g},0" for _ in range(count))
    return f'<path d="M{start:g},{y:g}{arcs}"/>'


# ---- elements of the path ----


def _element(element: Element, left: float, right: float, letter: str) -> str:
    if element.symbol is Symbol.WIRE:
        return _line((left, _TOP), (right, _TOP))
    middle, half = (left + right) / 2, _HALF[element.symbol]
    leads = _line((left, _TOP), (middle - half, _TOP)) + _line((middle + half, _TOP), (right, _TOP))
    name = _words(middle, _TOP - 15, element.name, limit=_LABEL)
    symbol = (
        _circle(middle, _TOP, letter) if element.symbol is Symbol.METER else _SYMBOLS[element.symbol](middle)
    )
    return leads + symbol + name


def _box(x: float) -> str:
    return f'<rect x="{x - 20:g}" y="{_TOP - 7:g}" width="40" height="14" fill="#fff"/>'


def _plates(x: float) -> str:
    return _line((x - 3, _TOP - 10), (x - 3, _TOP + 10)) + _line((x + 3, _TOP - 10), (x + 3, _TOP + 10))


def _barrier(x: float) -> str:
    frame = f'<rect x="{x - 22:g}" y="{_TOP - 10:g}" width="44" height="20" stroke-dasharray="4 2"/>'
    return frame + _plates(x) + _line((x - 22, _TOP), (x - 3, _TOP)) + _line((x + 3, _TOP), (x + 22, _TOP))


_HALF = {
    Symbol.PART: 20.0,
    Symbol.RESISTOR: 20.0,
    Symbol.COIL: 22.0,
    Symbol.CAPACITOR: 3.0,
    Symbol.BARRIER: 22.0,
    Symbol.METER: _RADIUS,
}
_SYMBOLS: dict[Symbol, Callable[[float], str]] = {
    Symbol.PART: _box,
    Symbol.RESISTOR: _box,
    Symbol.COIL: lambda x: _arcs(x, _TOP),
    Symbol.CAPACITOR: _plates,
    Symbol.BARRIER: _barrier,
}


# ---- what is connected to the path ----


def _source(source: Source, left: float, last: float, right: float, bottom: float) -> str:
    x, middle = left - 46.0, (_TOP + bottom) / 2
    wires = _line((left, _TOP), (x, _TOP), (x, middle - _RADIUS)) + _line(
        (x, middle + _RADIUS), (x, bottom), (right, bottom), (right, _TOP), (last, _TOP)
    )
    alternating = source.ends[0] == "hot"
    ends = "" if alternating else _words(x + 8, middle - 14, "+") + _words(x + 8, middle + 21, "−")
    name = _words(x - 6, bottom + 14, source.name, "start")
    return wires + _circle(x, middle, "~" if alternating else "=") + ends + name


def _tap(tap: Tap, points: list[float], y: float) -> str:
    first, last = points[tap.first], points[tap.last]
    middle = (first + last) / 2
    wires = _line((first, _TOP), (first, y), (last, y), (last, _TOP))
    return (
        wires + _circle(middle, y, _letter(tap)[:3]) + _words(middle + 15, y + 12, _tap_label(tap), "start")
    )


def _tap_label(tap: Tap) -> str:
    name = "" if tap.channel else tap.instrument
    name += f" ({tap.step})" if tap.step else ""
    through = f" ÷ {tap.through.removeprefix('the ').removesuffix(' divider')}" if tap.through else ""
    return label(name + through, 24)


def _loop(loop: Loop, x: float, y: float) -> str:
    wires = _line(
        (x - 11, y - 14),
        (x - 26, y - 14),
        (x - 26, y + 4),
        (x + 26, y + 4),
        (x + 26, y - 14),
        (x + 11, y - 14),
    )
    return (
        _arcs(x, y - 14, 2)
        + wires
        + _circle(x, y + 4, loop.channel[:3])
        + _words(x + 30, y + 2, _turns(loop), "start")
    )


def _turns(loop: Loop) -> str:
    return f"loop of {loop.turns} turn{'s' if loop.turns != 1 else ''}"
