"""Draw a snapshot for a terminal as lines of text, without arithmetic on readings.

Every state has a sign and a word; colour only repeats them. Terminals without the signs get letters instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from rich.console import Group
from rich.text import Text

from benchlog.dashboard.model import GroupLine, Health, MeterLine, Place, Snapshot
from benchlog.dashboard.plot import Plot, draw
from benchlog.dashboard.reasons import age
from benchlog.project.suspect import Suspect

KEYS = "? keys   q stop   t type a reading"
#: Meaning of the keys and signs.
HELP = (
    "?  show or hide this",
    "q  stop; all readings are saved",
    "t  type the reading of a meter without a link: TAG=27.8 V ac (one meter: 27.8 V ac); Enter saves it, Esc cancels",
    "c  clear the plots; comparisons and doubts go on",
    "",
    "● good   ▲ in doubt   ◐ one of these is wrong, or not decided yet",
    "◇ no number   ◌ silent   ○ waiting, or typed more than a minute ago",
    "± and the bars: 95 % uncertainty from the meter's accuracy",
    "Readings of a display that is still settling are not plotted.",
)
_NARROW = 60
_NAME = " Bench watch:"

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
    "old": ("○", "dim"),
    "waiting": ("○", "dim"),
    "no comparison": ("○", "dim"),
}
_FADED = ("silent", "old")
_ARROWS = {"up": "↗", "down": "↘"}
_PLOT_ROWS = (5, 19)  # least and most, with the time axis
_PLOT_INDENT = 2
_CURVE_STYLES = ("cyan", "magenta", "green", "yellow", "blue", "red")
_ASCII = str.maketrans(
    {
        "●": "*",
        "▲": "!",
        "◐": "?",
        "◇": "x",
        "◌": ".",
        "○": "o",
        "↗": "/",
        "↘": "\\",
        "▸": ">",
        "±": "+/-",
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
        "└": "+",
        "┬": "+",
    }
)


def to_ascii(text: str) -> str:
    """Replace signs by letters, for terminals without them."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def view(snapshot: Snapshot, width: int, height: int, *, keys: str = KEYS, plain: bool = False) -> Group:
    """Draw a snapshot into `width` by `height` characters; see `view_lines`."""
    return Group(*view_lines(snapshot, width, height, keys=keys, plain=plain))


def view_lines(
    snapshot: Snapshot,
    width: int,
    height: int,
    *,
    keys: str = KEYS,
    explained: bool = False,
    plain: bool = False,
) -> list[Text]:
    """Draw a snapshot as lines, none wider than `width`.

    Parameters
    ----------
    keys : str
        Active keys; empty for none.
    explained : bool
        Whether to explain keys and signs in place of the plots.
    plain : bool
        ASCII only.
    """
    top = [_title(snapshot, width)]
    body: list[Text] = []
    for group in snapshot.groups:
        body += [Text(""), *_group(group, width)]
    plots_at = len(body)
    bottom = [*_health(snapshot.health, width)]
    if snapshot.note:
        bottom += _wrapped(snapshot.note, width, " ", style="bold reverse")
    elif keys:
        target = f"into {snapshot.health.target} " if snapshot.health.target else ""
        foot = f" {keys}"
        if len(foot) + 2 + len(target) <= width:
            foot += target.rjust(width - len(foot))
        bottom.append(Text(foot, style="dim"))
    room = height - len(top) - len(body) - len(bottom) - 1
    body += [Text(""), *_suspects(snapshot, width, max(2, room))]
    spare = height - len(top) - len(body) - len(bottom)
    extra = _explained(width) if explained else _plots(snapshot.plots, width, spare)
    body[plots_at:plots_at] = extra
    spare -= len(extra)
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
    doubts = len(snapshot.suspects)
    undecided = any(g.undecided for g in snapshot.groups)
    state = _count(doubts, "doubt") if doubts else "not all compared" if undecided else "none in doubt"
    left = f" {_count(len(snapshot.meters), 'meter')}, {state}"
    right = f"{now:%H:%M:%S} UTC, watching {hours}:{rest // 60:02d}:{rest % 60:02d} "
    if len(left) + len(right) + len(_NAME) <= width:
        left = _NAME + left
    elif len(left) + len(right) > width:
        right = f"{now:%H:%M:%S} "
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
        yield Text(" not compared", style="dim")
    tags = max(5 if width < _NARROW else 6, *(len(m.tag) for m in group.meters))
    trends = any(m.trend in _ARROWS for m in group.meters)
    for meter in group.meters:
        yield from _meter(meter, width, min(tags, 14), trends=trends)


def _meter(meter: MeterLine, width: int, tag_width: int, *, trends: bool) -> list[Text]:
    """One line per meter; two on a narrow screen without room for its state."""
    narrow = width < _NARROW
    line, trend = _display(meter, tag_width, narrow=narrow)
    colour = SHAPES[meter.state][1]
    words = "  ".join(part for part in (meter.words, trend) if part)
    if narrow and line.cell_len + 1 + len(words) <= width:
        return [line.append(f" {words}", style=colour)]
    if narrow:
        return [line, Text(f"   {words}", style=colour)]
    line.append(f" {meter.words:<14.14}", style=colour)
    if trends:
        line.append(f" {trend:<13.13}")
    left = width - line.cell_len - 2
    if meter.place is not None and left >= 9:
        line.append(" " + _interval(meter.place, min(left, 60)), style=colour)
    return [line]


def _display(meter: MeterLine, tag_width: int, *, narrow: bool) -> tuple[Text, str]:
    """A meter's reading with its uncertainty, and its trend in words."""
    shape, colour = SHAPES[meter.state]
    faded = "dim" if meter.state in _FADED else ""
    spread = f"± {meter.uncertainty_words}" if meter.uncertainty_words else ""
    trend = f"{_ARROWS[meter.trend]} {meter.trend_words}" if meter.trend in _ARROWS else ""
    line = Text.assemble(
        " " if narrow else "  ",
        (f"{shape} ", colour),
        (f"{meter.tag:<{tag_width}.{tag_width}} ", "bold"),
        (f"{meter.shown or '-':>{8 if narrow else 10}}", f"bold {faded}"),
        f" {meter.kind:<{0 if narrow else 5}.5}",
        f" {spread:<{0 if narrow else 9}}",
    )
    return line, trend


def _plots(plots: Sequence[Plot], width: int, room: int) -> list[Text]:
    """As many plots, and as tall, as there is room for."""
    least, most = _PLOT_ROWS
    heads = [_legend(plot, width) for plot in plots]
    taken = 0
    while taken < len(plots) and sum(len(h) + 1 + least for h in heads[: taken + 1]) <= room:
        taken += 1
    if not taken:
        return []
    rows = min(most, (room - sum(len(h) + 1 for h in heads[:taken])) // taken)
    lines: list[Text] = []
    for plot, head in zip(plots[:taken], heads, strict=False):
        lines += [Text(""), *head]
        for row in draw(plot, width - _PLOT_INDENT - 1, rows):
            line = Text(" " * _PLOT_INDENT)
            for piece, number in row:
                line.append(piece, style="dim" if number < 0 else _style(number))
            lines.append(line)
    return lines


def _style(number: int) -> str:
    return _CURVE_STYLES[number % len(_CURVE_STYLES)]


def _legend(plot: Plot, width: int) -> list[Text]:
    """The meter of each letter, with the span of its values."""
    lines = [Text(f"  {plot.name}:")]
    for number, curve in enumerate(plot.curves):
        words = curve.words if curve.tag == plot.name else f"{curve.tag} {curve.words}"
        if lines[-1].cell_len + len(words) + 5 > width:
            lines.append(Text("   "))
        lines[-1].append(f"  {curve.letter} ", style=f"bold {_style(number)}").append(words, style="dim")
    return lines


def _explained(width: int) -> list[Text]:
    lines = [Text("")]
    for words in HELP:
        hang = "      " if words[1:3] == "  " else "   "
        lines += _wrapped(words, width, "   ", hang=hang)
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
    if not snapshot.suspects:
        return _no_suspect(snapshot, width)
    lines: list[Text] = []
    for k, suspect in enumerate(snapshot.suspects):
        shown = {s.next_check for s in snapshot.suspects[:k]}
        block = _suspect(suspect, snapshot, width, again=suspect.next_check in shown)
        left = len(snapshot.suspects) - k
        # Keep one line for "and more" unless this is the last.
        free = room - len(lines) - (1 if left > 1 else 0)
        if len(block) > free and lines:
            lines.append(
                Text(f"   and {_count(left, 'more doubt')}: a taller window shows them", style="dim")
            )
            break
        lines += block
    return lines


def _no_suspect(snapshot: Snapshot, width: int) -> list[Text]:
    lines: list[Text] = []
    for group in snapshot.groups:
        if group.undecided:
            shape, colour = SHAPES["unsettled" if group.word == "unsettled" else "waiting"]
            lines += _wrapped(f"{shape} {group.undecided}", width, " ", style=colour)
    if lines:
        return lines
    busy = any(m.shown for m in snapshot.meters)
    words = "no meter is in doubt" if busy else "no reading yet"
    shape, colour = SHAPES["ok" if busy else "waiting"]
    return [Text.assemble(" ", (f"{shape} {words}", colour))]


def _suspect(suspect: Suspect, snapshot: Snapshot, width: int, *, again: bool) -> list[Text]:
    state = "silent" if suspect.kind.value == "silent" else "one of" if suspect.others else "suspect"
    shape, colour = SHAPES[state]
    for_ns = max(0, snapshot.utc_ns - suspect.since_utc_ns)
    words = f"for {age(for_ns // 10**9)}" + (f", on {suspect.group}" if suspect.group else "")
    head = Text.assemble(" ", (f"{shape} {suspect.who}: {suspect.kind.words}", colour))
    if head.cell_len + 2 + len(words) <= width:
        head.append(f"  {words}", style="dim")
    lines = [head, *_wrapped(suspect.reason, width, "   ")]
    step = (snapshot.next_steps or {}).get(suspect.next_check)
    if step is not None and again:
        lines.append(Text(f" ▸ Next ({step.duration}): the same check as above", style="italic"))
    elif step is not None:
        lines += _wrapped(f"Next ({step.duration}): {step.card}", width, " ▸ ", "italic", "   ")
    return lines


def _wrapped(text: str, width: int, indent: str, style: str = "", hang: str | None = None) -> list[Text]:
    import textwrap

    hang = " " * len(indent) if hang is None else hang
    parts = textwrap.wrap(
        text, max(20, min(width, 118) - 1), initial_indent=indent, subsequent_indent=hang
    ) or [""]
    return [Text(part, style=style) for part in parts]


def _health(health: Health, width: int) -> list[Text]:
    fine = not health.lost and not health.trouble
    shape, colour = SHAPES["ok" if fine else "suspect"]
    words = f"{health.rate_hz:.1f} readings/s"
    if health.target:
        words += f", {health.written} saved" + (f", {health.waiting} being saved" if health.waiting else "")
    else:
        words += ", not recorded"
    losses = [
        _count(number, what)
        for number, what in (
            (health.lost, "lost reading"),
            (health.gaps, "gap"),
            (health.bad_frames, "bad frame"),
        )
        if number
    ]
    words += f"; {', '.join(losses)}" if losses else ", none lost"
    lines = _wrapped(f"{shape} {words}", width, " ", hang="   ")
    lines[0].stylize(colour, 1, 2)
    if health.trouble:
        lines += _wrapped(health.trouble, width, "   ")[:2]
    return lines
