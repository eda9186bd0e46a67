"""Drawings of hook-ups in plain ASCII, at most 72 columns wide: boxes side by side, or one path with its taps."""

from __future__ import annotations

from collections.abc import Sequence

_BOX = 26
_PART = 18
_WIDTH = 74


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "~"


def _boxed(*words: str) -> list[str]:
    """Frame words in a box, one per line."""
    shown = [_cut(w, _BOX) for w in words]
    inner = max(map(len, shown))
    edge = "+" + "-" * (inner + 2) + "+"
    return [edge, *(f"| {w.ljust(inner)} |" for w in shown), edge]


def across(
    point: str, meters: Sequence[str], *, polarity: bool = False, jacks: bool = True, narrow: bool = False
) -> tuple[str, ...]:
    """Draw one or more meters across the same two points, with the names of their jacks if known.

    A narrow drawing has no boxes.

    >>> print(chr(10).join(across("T1", ["MA-01"])))
    +----+                   +--------------+
    | T1 |  o---- red ---->  | MA-01  V/ohm |
    |    |  o---- black -->  |        COM   |
    +----+                   +--------------+
    """
    if narrow:
        ends = (("+" if polarity else " ", "red", " V/ohm"), ("-" if polarity else " ", "black", " COM"))
        wired = [
            f"{sign}o-- {lead:5} -> {tag}{name if jacks else ''}"
            for tag in meters
            for sign, lead, name in ends
        ]
        return (point, *wired)
    left = _boxed(_cut(point, _PART), "")
    plus, minus = (" +o", " -o") if polarity else ("  o", "  o")
    wires = ["", f"{plus}---- red ---->  ", f"{minus}---- black -->  ", ""]
    width, span = len(left[0]), len(wires[1])
    lines = []
    for tag in meters:
        right = _boxed(f"{tag}  V/ohm", " " * len(tag) + "  COM") if jacks else _boxed(tag, "")
        lines += [f"{a:{width}}{w:{span}}{b}".rstrip() for a, w, b in zip(left, wires, right, strict=True)]
        left = [""] * 4  # the next meter is on the same points
    return tuple(lines)


def path(start: str, elements: Sequence[str], end: str, taps: Sequence[str]) -> tuple[str, ...]:
    """Draw elements in series, with the taps between them.

    Parameters
    ----------
    start, end : str
        Names of both ends of the path.
    elements : sequence of str
        Names in boxes; an empty one is plain wire.
    taps : sequence of str
        Clips before the first element, between them and after the last; empty for none.

    hot ---o---[ CT1 ]---o---[ 1 kohm ]---o--- gnd
           |                              |
           |                              CH2
           CH1
    """
    named = [e for e in elements if e]
    bare = len(f"{start} ---") + len(f"o--- {end}") + 4 * len(elements) + len("[  ]---") * len(named)
    room = _WIDTH - bare
    # Short names keep their length, long ones share the rest.
    most = next(m for m in range(_PART, 5, -1) if m == 6 or sum(min(len(e), m) for e in named) <= room)
    line = f"{start} ---"
    at = []
    for element in [*elements, None]:
        at.append(len(line))
        line += "o---"
        if element is None:
            line += f" {end}"
        elif element:
            line += f"[ {_cut(element, most)} ]---"
    used = [(c, label[: _WIDTH - c]) for c, label in zip(at, taps, strict=True) if label]
    bars = [(column, "|") for column, _ in used]
    labelled = [_row([*bars[: n - 1], used[n - 1]]) for n in range(len(used), 0, -1)]
    return (line, *([_row(bars)] if used else []), *labelled)


def downwards(start: str, elements: Sequence[str], end: str, taps: Sequence[str]) -> tuple[str, ...]:
    """Draw what `path` draws from top to bottom, for a narrow screen.

    >>> print(chr(10).join(downwards("hot", ["CT1", "1 kohm"], "gnd", ["CH1", "", "CH2"])))
    hot
     o-- CH1
    [ CT1 ]
     |
    [ 1 kohm ]
     o-- CH2
    gnd
    """
    rows = [start]
    for element, tap in zip([*elements, ""], taps, strict=True):
        rows += [f" o-- {tap}" if tap else " |"]
        rows += [f"[ {element} ]"] if element else []
    return (*rows, end)


def _row(marks: Sequence[tuple[int, str]]) -> str:
    line = ""
    for column, text in marks:
        line = line.ljust(column) + text
    return line
