"""Hook-up cards in plain characters: what to set, which jack, which lead where; made from a hook-up and the bench file.

A card is text of at most 78 columns, ASCII in its drawing, so that it reads on any terminal and by ear.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from benchlog.bench import Bench
from benchlog.guide.drawings import across, path
from benchlog.hookup import DANGER_WORDS, Circuit, Hookup, Symbol, Tap
from benchlog.reading import Function

__all__ = ["Card", "card_of", "danger_lines", "jack"]

WIDTH = 78

_CURRENT = (Function.AC_CURRENT, Function.DC_CURRENT)
_POLAR = (Function.DC_VOLTS, Function.DIODE)


@dataclass(frozen=True, slots=True)
class Card:
    """One hook-up.

    Attributes
    ----------
    settings : tuple of str
        Per instrument: dial, jacks, leads.
    drawing : tuple of str
        Lines of plain ASCII.
    dangers : tuple of str
        What can hurt, and what to do about it.
    """

    settings: tuple[str, ...] = ()
    drawing: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Settings, then the drawing, indented and wrapped to the card's width."""
        out = []
        for setting in self.settings:
            out += textwrap.wrap(setting, WIDTH, initial_indent="  ", subsequent_indent="      ")
        if self.drawing:
            out += ["", *(f"    {line}".rstrip() for line in self.drawing), ""]
        return out


def danger_lines(text: str) -> list[str]:
    """Wrap a danger to the card's width, marked by a shape beside any colour."""
    return textwrap.wrap(text, WIDTH, initial_indent="  ! ", subsequent_indent="    ")


def jack(function: Function) -> str:
    """Jack of the red lead for a function; markings as most handheld meters have them (common practice, no source)."""
    return "current jack (A, or mA if surely below its fuse)" if function in _CURRENT else "V/ohm jack"


def card_of(hookup: Hookup, bench: Bench) -> Card:
    """Return the card of a hook-up.

    Parameters
    ----------
    hookup : Hookup
    bench : Bench
        Knows which leads belong to which meter.
    """
    return Card(
        tuple(_settings(hookup, bench)),
        _drawing(hookup, bench),
        tuple(DANGER_WORDS[danger] for danger in hookup.dangers),
    )


# ---- settings ----


def _settings(hookup: Hookup, bench: Bench) -> list[str]:
    lines = []
    if hookup.source is not None and hookup.source.setting:
        lines.append(f"{hookup.source.name}: {hookup.source.setting}")
    if hookup.circuit is not Circuit.SENSOR:
        meters = {tap.instrument: tap.function for tap in hookup.taps if tap.function is not None}
        lines += [_meter(tag, function, bench) for tag, function in meters.items()]
    scope_lines = []
    for tap in hookup.taps:
        if tap.channel:
            names = " and ".join(e.name for e in hookup.between(tap))
            through = f" through {tap.through}" if tap.through else ""
            scope_lines.append((tap.instrument, f"{tap.channel} across {names}{through}"))
    if scope_lines:
        lines.append(f"{scope_lines[0][0]}, DC coupled: {', '.join(words for _, words in scope_lines)}")
    if hookup.loop is not None:
        turns = f"{hookup.loop.turns} turn{'s' if hookup.loop.turns != 1 else ''}"
        lines.append(
            f"{hookup.loop.instrument}: {hookup.loop.channel} on a separate loop of {turns}, its leads twisted"
        )
    return [*lines, *hookup.notes]


def _borrowed(meter: str, bench: Bench) -> bool:
    """Whether an instrument is another than those of the bench file, so that its jacks are not known."""
    return meter != "meter" and bool(bench.instruments) and meter not in bench.instruments


def _meter(meter: str, function: Function, bench: Bench) -> str:
    """Dial and jacks of a meter, with its leads and category where the bench file knows them."""
    if _borrowed(meter, bench):
        return f"{meter} (not in the bench file): set to {_dial(function)}, leads as its own instructions say"
    instrument = bench.instruments.get(meter)
    leads = f", leads {instrument.leads}" if instrument and instrument.leads else ""
    category = f", {instrument.category}" if instrument and instrument.category else ""
    off = "" if instrument and instrument.linked else "; hold and relative off"
    return f"{meter}: dial {_dial(function)}; red {jack(function)}, black COM{leads}{category}{off}"


def _dial(function: Function) -> str:
    return {
        Function.OHMS: "ohms",
        Function.FOUR_WIRE_OHMS: "four-wire ohms",
        Function.FREQUENCY: "Hz",
        Function.CAPACITANCE: "capacitance",
        Function.TEMPERATURE: "temperature",
    }.get(function, str(function))


# ---- drawing ----


def _drawing(hookup: Hookup, bench: Bench) -> tuple[str, ...]:
    if hookup.circuit is Circuit.ACROSS:
        tags = [tap.instrument for tap in hookup.taps]
        return across(
            hookup.path[0].name,
            tags,
            polarity=any(tap.function in _POLAR for tap in hookup.taps),
            jacks=not any(_borrowed(tag, bench) for tag in tags),
        )
    if hookup.source is None:
        return ()
    labels = [_labels(hookup, point) for point in range(len(hookup.path) + 1)]
    first, last = (f"{hookup.source.name} {end}" for end in hookup.source.ends)
    names = [f"{e.name}: one || other" if e.symbol is Symbol.BARRIER else e.name for e in hookup.path]
    drawing = path(first, names, last, labels)
    if hookup.loop is not None:
        drawing = (*drawing, f"other end of the loop ---> {hookup.loop.channel} tip")
    return drawing


def _labels(hookup: Hookup, point: int) -> str:
    """What is clipped on at a point."""
    if hookup.circuit is Circuit.FOUR_WIRE and point in (0, len(hookup.path)):
        return "current clip"
    said: list[str] = []
    clips = [tap for tap in hookup.taps if tap.channel and tap.last == point]
    for tap in hookup.taps:
        if tap.channel and tap.first == point:
            said.append(f"{tap.channel} tip" + (f" through {tap.through}" if tap.through else ""))
        elif not tap.channel and point in (tap.first, tap.last):
            said.append(_lead(hookup, tap, point, named=not any(w.startswith(tap.instrument) for w in said)))
    if clips and hookup.loop is not None:
        said.append("both clips, one end of the loop")
    elif clips:
        said.append("both clips" if len(clips) > 1 else f"{clips[0].channel} clip")
    return ", ".join(said)


def _lead(hookup: Hookup, tap: Tap, point: int, *, named: bool) -> str:
    words = f"{tap.instrument} " if named else ""
    words += "red" if point == tap.first else "black"
    words += ", inside" if hookup.circuit is Circuit.FOUR_WIRE else ""
    return words + (f" ({tap.step})" if tap.step else "")
