"""Draw a snapshot for a terminal: lines of text, no arithmetic on readings.

Every state has a shape and a word; colour only repeats them. Terminals without the shapes get letters instead.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from rich.console import Group
from rich.text import Text

from benchlog.dashboard.model import GroupLine, Health, MeterLine, Place, Snapshot
from benchlog.dashboard.suspect import Suspect
from benchlog.dashboard.trend import graph, strip

__all__ = ["KEYS", "SHAPES", "to_ascii", "view", "view_lines"]

KEYS = "q stop   t type a reading"
WIDE = 110

#: Shape and colour of each state of a meter or a group.
SHAPES = {
    "ok": ("●", "green"),
    "agree": ("●", "green"),
    "inside": ("●", "green"),
    "suspect": ("▲", "bold red"),
    "disagree": ("▲", "bold red"),
    "outside": ("▲", "bold red"),
    "one of": ("◐", "bold yellow"),
    "too close to call": ("◐", "bold yellow"),
    "set differently": ("◐", "bold yellow"),
    "unsettled": ("◐", "yellow"),
    "no number": ("◇", "yellow"),
    "silent": ("◌", "bold magenta"),
    "waiting": ("○", "dim"),
    "no comparison": ("○", "dim"),
}
_ARROWS = {"steady": "→", "up": "↗", "down": "↘", "": " "}
_GRAPH_ROWS = (3, 21)  # least and most of each meter
_GRAPH_INDENT = 4
_ASCII = str.maketrans(
    {
        "●": "*",
        "▲": "!",
        "◐": "?",
        "◇": "x",
        "◌": ".",
        "○": "o",
        "→": ">",
        "↗": "/",
        "↘": "\\",
        "▸": ">",
        "±": "~",
        "Ω": "ohm",
        "µ": "u",
        "°": "deg ",
        "·": ".",
        "├": "|",
        "┤": "|",
        "─": "-",
        "┃": "|",
        "━": "=",
        "│": "|",
        "╭": "+",
        "╮": "+",
        "╯": "+",
        "╰": "+",
        **dict(zip("▁▂▃▄▅▆▇█", "__..--==", strict=True)),
    }
)


def to_ascii(text: str) -> str:
    """Replace shapes and signs by letters, for terminals that have none."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def view(snapshot: Snapshot, width: int, height: int, *, keys: str = KEYS, plain: bool = False) -> Group:
    """Draw a snapshot into `width` by `height` characters; see `view_lines`."""
    return Group(*view_lines(snapshot, width, height, keys=keys, plain=plain))


def view_lines(
    snapshot: Snapshot, width: int, height: int, *, keys: str = KEYS, plain: bool = False
) -> list[Text]:
    """Draw a snapshot as lines, none wider than `width`.

    Parameters
    ----------
    snapshot : Snapshot
    width, height : int
    keys : str
        Keys that do something; empty for none.
    plain : bool
        ASCII only.
    """
    top = [_title(snapshot, width)]
    body: list[Text] = []
    for group in snapshot.groups:
        body += [Text(""), *_group(group, width)]
    graphs_at = len(body)
    bottom = [*_health(snapshot.health, width)]
    if snapshot.note:
        bottom += _wrapped(snapshot.note, width, " ", style="bold reverse")
    else:
        target = f"into {snapshot.health.target} " if snapshot.health.target else ""
        bottom.append(Text(f" {keys}" + target.rjust(width - len(keys) - 1), style="dim"))
    room = height - len(top) - len(body) - len(bottom) - 1
    body += [Text(""), *_suspects(snapshot, width, max(2, room))]
    spare = height - len(top) - len(body) - len(bottom)
    graphs = _graphs(snapshot, width, spare)
    body[graphs_at:graphs_at] = graphs
    spare -= len(graphs)
    lines = [*top, *body, *[Text("")] * max(0, spare), *bottom][-height if spare < 0 else 0 :]
    for line in lines:
        line.no_wrap, line.overflow = True, "crop"
        line.truncate(width)
        if plain:
            line.plain = to_ascii(line.plain)
    return lines


def _title(snapshot: Snapshot, width: int) -> Text:
    now = datetime.fromtimestamp(snapshot.utc_ns // 10**9, UTC)
    hours, rest = divmod(int(snapshot.running_s), 3600)
    left = f" Bench watch: {_count(len(snapshot.meters), 'meter')}"
    doubts = len(snapshot.suspects)
    if doubts:
        left += f", {_count(doubts, 'doubt')}"
    else:
        left += ", not all compared" if any(g.undecided for g in snapshot.groups) else ", none in doubt"
    right = f"{now:%H:%M:%S} UTC, watching {hours}:{rest // 60:02d}:{rest % 60:02d} "
    return Text(left + right.rjust(max(1, width - len(left))), style="reverse")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _group(group: GroupLine, width: int) -> Iterable[Text]:
    if group.name:
        shape, colour = SHAPES[group.word]
        head = Text.assemble(" on ", (group.name, "bold"), "  ", (f"{shape} {group.verdict}", colour))
        words = "; ".join(part for part in (group.words, group.pending) if part)
        if head.cell_len + 2 + len(words) <= width:
            yield head.append(f"  {words}", style="dim")
        else:
            yield head
            yield from _wrapped(words, width, "   ", style="dim")
    else:
        yield Text(" on their own", style="dim")
    tags = max(6, *(len(m.tag) for m in group.meters))
    for meter in group.meters:
        yield _meter(meter, width, min(tags, 14))


def _meter(meter: MeterLine, width: int, tag_width: int) -> Text:
    shape, colour = SHAPES[meter.state]
    faded = "dim" if meter.state == "silent" else ""
    shown = meter.shown if meter.shown and meter.value is not None else meter.shown or "-"
    line = Text.assemble(
        "  ",
        (f"{shape} ", colour),
        (f"{meter.tag:<{tag_width}.{tag_width}} ", "bold"),
        (f"{shown:>10.10}", f"bold {faded}"),
        f" {meter.kind:<5.5}",
        f" {'± ' + meter.uncertainty_words if meter.uncertainty_words else '':<9.9}",
        (f" {meter.words:<14.14}", colour),
    )
    wide = width >= WIDE
    trend = f"{_ARROWS[meter.trend]} {meter.trend_words}"
    line.append(f" {trend:<14.14}" if wide else f" {trend:<13.13}", style=faded)
    left = width - line.cell_len - 2
    if wide:
        bars = min(60, left // 2)
        line.append(f" {strip(meter.trace, bars):<{bars}} ", style="cyan")
        left = width - line.cell_len - 2
    if meter.place is not None and left >= 9:
        line.append(" " + _interval(meter.place, min(left, 60)), style=colour)
    elif meter.by_hand and meter.shown and left >= 9:
        line.append(" typed", style="dim")
    return line


def _graphs(snapshot: Snapshot, width: int, room: int) -> list[Text]:
    """A graph of each linked meter's last minutes, as many and as tall as there is room for."""
    meters = [m for m in snapshot.meters if len(m.trace.points) > 1]
    least, most = _GRAPH_ROWS
    meters = meters[: max(0, room - 1) // (least + 2)]
    if not meters:
        return []
    rows = min(most, (room - 1) // len(meters) - 2)
    rows -= 1 - rows % 2  # odd: there is a middle
    lines: list[Text] = []
    for meter in meters:
        lines += [Text(""), Text.assemble("  ", (meter.tag, "bold"), (f"  {meter.trace.words}", "dim"))]
        lines += [
            Text(" " * _GRAPH_INDENT + row, style="cyan")
            for row in graph(meter.trace, width - _GRAPH_INDENT - 1, rows)
        ]
    return lines


def _interval(place: Place, width: int, base: str = " ") -> str:
    """An interval with its value on a line of `width` characters."""
    cells = [base] * width
    low, centre, high = (
        round(max(0.0, min(1.0, x)) * (width - 1)) for x in (place.low, place.centre, place.high)
    )
    for k in range(low, high + 1):
        cells[k] = "─"
    cells[low], cells[high], cells[centre] = "├", "┤", "●"
    return "".join(cells)


def _suspects(snapshot: Snapshot, width: int, room: int) -> list[Text]:
    lines: list[Text] = []
    undecided = [g for g in snapshot.groups if g.undecided]
    if not snapshot.suspects and undecided:
        for group in undecided:
            shape, colour = SHAPES["unsettled" if group.word == "unsettled" else "waiting"]
            lines += _wrapped(f"{shape} {group.undecided}", width, " ", style=colour)
        return lines
    if not snapshot.suspects:
        busy = any(m.shown for m in snapshot.meters)
        words = "no meter is in doubt" if busy else "no reading yet"
        shape, colour = SHAPES["ok" if busy else "waiting"]
        return [Text.assemble(" ", (f"{shape} {words}", colour))]
    for k, suspect in enumerate(snapshot.suspects):
        shown = {s.next_check for s in snapshot.suspects[:k]}
        block = _suspect(suspect, snapshot, width, again=suspect.next_check in shown)
        left = len(snapshot.suspects) - k
        # One line is kept for "and more" unless this is the last.
        free = room - len(lines) - (1 if left > 1 else 0)
        if len(block) > free and lines:
            lines.append(
                Text(f"   and {_count(left, 'more doubt')}: a taller window shows them", style="dim")
            )
            break
        lines += block
    return lines


def _suspect(suspect: Suspect, snapshot: Snapshot, width: int, *, again: bool) -> list[Text]:
    state = "silent" if suspect.kind.value == "silent" else "one of" if suspect.others else "suspect"
    shape, colour = SHAPES[state]
    age_s = max(0, snapshot.utc_ns - suspect.since_utc_ns) // 10**9
    head = Text.assemble(
        " ",
        (f"{shape} {suspect.who}: {suspect.kind.value}", colour),
        (f"  for {_age(age_s)}" + (f", on {suspect.group}" if suspect.group else ""), "dim"),
    )
    lines = [head, *_wrapped(suspect.reason, width, "   ")]
    step = (snapshot.next_steps or {}).get(suspect.next_check)
    if step is not None and again:
        lines.append(Text(f" ▸ next, {step.minutes:g} min: the same check as above", style="italic"))
    elif step is not None:
        lines += _wrapped(f"next, {step.minutes:g} min: {step.card}", width, " ▸ ", style="italic")
    return lines


def _age(seconds: int) -> str:
    if seconds < 120:
        return f"{seconds} s"
    return f"{seconds // 60} min" if seconds < 7200 else f"{seconds // 3600} h"


def _wrapped(text: str, width: int, indent: str, style: str = "") -> list[Text]:
    import textwrap

    parts = textwrap.wrap(text, max(20, min(width, 118) - 4)) or [""]
    return [
        Text((indent if k == 0 else " " * len(indent)) + part, style=style) for k, part in enumerate(parts)
    ]


def _health(health: Health, width: int) -> list[Text]:
    fine = not health.lost and not health.trouble
    shape, colour = SHAPES["ok" if fine else "suspect"]
    words = f"{health.rate_hz:.1f} readings/s"
    words += f", {health.written} on disk, {health.waiting} waiting" if health.target else ", not recorded"
    losses = [
        _count(number, what)
        for number, what in (
            (health.lost, "lost reading"),
            (health.gaps, "gap"),
            (health.bad_frames, "bad frame"),
        )
        if number
    ]
    words += f"; {', '.join(losses)}" if losses else "; nothing lost, no gaps"
    line = Text.assemble(" ", (f"{shape} ", colour), "recorder: ", words)
    lines = [line]
    if health.trouble:
        lines += _wrapped(health.trouble, width, "   ")[:2]
    return lines
