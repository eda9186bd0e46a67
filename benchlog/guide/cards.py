"""Hook-up cards in plain text: settings, jacks and leads, made from a hook-up and the bench file.

A card has at most 78 columns and draws in ASCII, so that any terminal and any screen reader can use it. On a narrower
screen the drawing runs from top to bottom.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from benchlog.bench import Bench
from benchlog.guide.drawings import across, downwards, path
from benchlog.hookup import DANGER_WORDS, Circuit, Hookup, Symbol, Tap
from benchlog.reading import Function

WIDTH = 78

_POLAR = (Function.DC_VOLTS, Function.DIODE)


@dataclass(frozen=True, slots=True)
class Card:
    """One hook-up."""

    settings: tuple[str, ...] = ()  #: For each instrument: dial, jacks, leads.
    drawing: tuple[str, ...] = ()  #: Lines of plain ASCII.
    dangers: tuple[str, ...] = ()  #: Dangers, and what to do about them.

    def lines(self, columns: int = WIDTH) -> list[str]:
        """Settings, then the drawing, indented and wrapped to the card's width."""
        out = []
        for setting in self.settings:
            out += textwrap.wrap(
                setting, min(WIDTH, columns), initial_indent="  ", subsequent_indent="      "
            )
        if self.drawing:
            out += ["", *(f"    {line}".rstrip() for line in self.drawing), ""]
        return out


def danger_lines(text: str, columns: int = WIDTH) -> list[str]:
    """Wrap a danger to the card's width, marked by a sign besides colour."""
    return textwrap.wrap(text, min(WIDTH, columns), initial_indent="  ! ", subsequent_indent="    ")


def jack(function: Function) -> str:
    """Jack of the red lead for a function, marked as on most handheld meters (common practice, no source)."""
    return "current jack (A, or mA if surely below its fuse)" if function.is_current else "V/ohm jack"


def card_of(hookup: Hookup, bench: Bench, columns: int = WIDTH) -> Card:
    """Return the card of a hook-up.

    Parameters
    ----------
    bench : Bench
        Has the leads of each meter.
    """
    drawing = _drawing(hookup, bench)
    if max(map(len, drawing), default=0) + 4 > columns:
        drawing = _drawing(hookup, bench, narrow=True)
    return Card(
        tuple(_settings(hookup, bench)),
        drawing,
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
    probes = [tap for tap in hookup.taps if tap.channel]
    if probes:
        channels = ", ".join(f"{tap.channel} {hookup.where(tap)}" for tap in probes)
        lines.append(f"{probes[0].instrument}, DC coupled: {channels}")
    if hookup.loop is not None:
        lines.append(f"{hookup.loop.instrument}: {hookup.loop}, its leads twisted")
    return [*lines, *hookup.notes]


def _borrowed(meter: str, bench: Bench) -> bool:
    """Whether an instrument is not in the bench file, so that its jacks are not known."""
    return meter != "meter" and bool(bench.instruments) and meter not in bench.instruments


def _meter(meter: str, function: Function, bench: Bench) -> str:
    """Dial and jacks of a meter, with its leads and category if the bench file has them."""
    if _borrowed(meter, bench):
        return f"{meter} (not in the bench file): set to {_dial(function)}, leads as in its manual"
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


def _drawing(hookup: Hookup, bench: Bench, *, narrow: bool = False) -> tuple[str, ...]:
    if hookup.circuit is Circuit.ACROSS:
        tags = [tap.instrument for tap in hookup.taps]
        return across(
            hookup.path[0].name,
            tags,
            polarity=any(tap.function in _POLAR for tap in hookup.taps),
            jacks=not any(_borrowed(tag, bench) for tag in tags),
            narrow=narrow,
        )
    if hookup.source is None:
        return ()
    labels = [_labels(hookup, point) for point in range(len(hookup.path) + 1)]
    first, last = (f"{hookup.source.name} {end}" for end in hookup.source.ends)
    names = [f"{e.name}: one || other" if e.symbol is Symbol.BARRIER else e.name for e in hookup.path]
    drawing = (downwards if narrow else path)(first, names, last, labels)
    if hookup.loop is not None:
        drawing = (*drawing, f"other end of the loop ---> {hookup.loop.channel} tip")
    return drawing


def _labels(hookup: Hookup, point: int) -> str:
    """Labels of the clips at a point."""
    if hookup.circuit is Circuit.FOUR_WIRE and point in (0, len(hookup.path)):
        return "current clip"
    said = _probe_labels(hookup, point)
    for tap in hookup.taps:
        if not tap.channel and point in (tap.first, tap.last):
            said.append(_lead(hookup, tap, point, named=not any(w.startswith(tap.instrument) for w in said)))
    return ", ".join(said)


def _probe_labels(hookup: Hookup, point: int) -> list[str]:
    """Tips and clips of scope probes at a point."""
    probes = [tap for tap in hookup.taps if tap.channel]
    tips = [tap for tap in probes if tap.first == point]
    said = [f"{tap.channel} tip{' through ' + tap.through if tap.through else ''}" for tap in tips]
    clips = [tap.channel for tap in probes if tap.last == point]
    if clips and hookup.loop is not None:
        said.append("both clips, one end of the loop")
    elif clips:
        said.append("both clips" if len(clips) > 1 else f"{clips[0]} clip")
    return said


def _lead(hookup: Hookup, tap: Tap, point: int, *, named: bool) -> str:
    words = f"{tap.instrument} " if named else ""
    words += "red" if point == tap.first else "black"
    words += ", inside" if hookup.circuit is Circuit.FOUR_WIRE else ""
    return words + (f" ({tap.step})" if tap.step else "")
