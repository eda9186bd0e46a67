"""How instruments are connected for a measurement, as data: one record for the screen, the certificate and the voice.

A hook-up is a path of elements in series, maybe driven by a source, with instruments across its points. Points are
numbered along the path: 0 before the first element, then one behind each.

>>> in_words(across("T1 output", ["MB-02"], Function.AC_VOLTS))
'MB-02 on V~ across T1 output'
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from enum import StrEnum

import msgspec

from benchlog.reading import Function

__all__ = [
    "DANGER_WORDS",
    "Circuit",
    "Danger",
    "Element",
    "Hookup",
    "Loop",
    "Source",
    "Symbol",
    "Tap",
    "across",
    "comparison",
    "four_wire",
    "in_series",
    "in_words",
    "leakage",
    "on_part",
    "rectifier",
    "same_points",
    "supply_output",
    "turns_ratio",
    "two_points",
    "winding_and_resistor",
]

_CURRENT = (Function.AC_CURRENT, Function.DC_CURRENT)


class Circuit(StrEnum):
    """Arrangements that differ in what hands have to do."""

    ACROSS = "across"
    IN_SERIES = "in series"
    FOUR_WIRE = "four-wire"
    LEAKAGE = "leakage"
    COMPARISON = "comparison"
    RECTIFIER = "rectifier"
    TURNS_RATIO = "turns ratio"
    SERIES_RESISTOR = "series resistor"
    TWO_POINTS = "two points"
    SENSOR = "sensor"


class Symbol(StrEnum):
    """What an element is drawn as."""

    PART = "part"
    WIRE = "wire"
    RESISTOR = "resistor"
    COIL = "coil"
    CAPACITOR = "capacitor"
    BARRIER = "barrier"
    METER = "meter"


class Danger(StrEnum):
    """What can hurt; `DANGER_WORDS` has what to do about it."""

    MAINS_INSIDE = "mains inside"
    CHARGED = "charged capacitor"
    UNPLUGGED = "unplugged"
    LIVE_NODE = "live node"
    CURRENT_PATH = "current path"
    OPEN_SECONDARY = "open secondary"
    SCOPE_GROUNDS = "scope grounds"
    SCREEN_ONLY = "screen only"
    WARMS_UP = "warms up"


DANGER_WORDS = {
    Danger.MAINS_INSIDE: "mains inside the case: leave it closed, fit clips with the plug out, then plug in",
    Danger.CHARGED: "the capacitor stays charged: wait, measure, then discharge it through a resistor",
    Danger.UNPLUGGED: "unplugged and discharged before ohms; a meter on ohms is damaged by voltage",
    Danger.LIVE_NODE: "clips fitted dead, power on, read, power off; treat the node as live",
    Danger.CURRENT_PATH: (
        "meter in series, never across a source; fuse of the current jack: do not exceed it"
    ),
    Danger.OPEN_SECONDARY: (
        "a current transformer's secondary stays closed by its burden while the primary carries current"
    ),
    Danger.SCOPE_GROUNDS: "both scope grounds on one point: they are joined, and tied to protective earth",
    Danger.SCREEN_ONLY: "part unplugged; a screen only, no withstand test: it never proves insulation",
    Danger.WARMS_UP: "small current only: a resistor that warms up drifts",
}


class Element(msgspec.Struct, frozen=True, omit_defaults=True):
    """One thing of a path; without a name it is plain wire."""

    name: str
    symbol: Symbol = Symbol.PART


class Source(msgspec.Struct, frozen=True, omit_defaults=True):
    """What drives a path.

    Attributes
    ----------
    name : str
        Tag or name.
    setting : str
        What to set it to, for the person.
    level : float or None
        Volt or ampere, as far as the hook-up fixes it.
    ends : (str, str)
        What its two ends are called.
    """

    name: str
    setting: str = ""
    level: float | None = None
    ends: tuple[str, str] = ("+", "-")


class Tap(msgspec.Struct, frozen=True, omit_defaults=True):
    """An instrument across two points.

    Attributes
    ----------
    instrument : str
        Tag.
    first, last : int
        Points of its red lead or tip, and of its black lead or clip.
    function : Function or None
        What a meter is set to; None for a scope.
    channel : str
        Of a scope.
    through : str
        Divider before the channel.
    step : int
        Where the same leads move on: 1 first, then 2; 0 where they stay.
    """

    instrument: str
    first: int = 0
    last: int = 1
    function: Function | None = None
    channel: str = ""
    through: str = ""
    step: int = 0


class Loop(msgspec.Struct, frozen=True):
    """A scope channel on a sense loop of its own, one end at the clips."""

    instrument: str
    channel: str
    turns: int


class Hookup(msgspec.Struct, frozen=True, omit_defaults=True):
    """How everything is connected.

    Attributes
    ----------
    circuit : Circuit
    path : tuple of Element
        In series, from the source's first end to its second.
    source : Source or None
        None where the part itself is measured.
    taps : tuple of Tap
    loop : Loop or None
    notes : tuple of str
        What no drawing shows.
    dangers : tuple of Danger
    """

    circuit: Circuit
    path: tuple[Element, ...] = ()
    source: Source | None = None
    taps: tuple[Tap, ...] = ()
    loop: Loop | None = None
    notes: tuple[str, ...] = ()
    dangers: tuple[Danger, ...] = ()

    def between(self, tap: Tap) -> tuple[Element, ...]:
        """Named elements between a tap's points."""
        low, high = sorted((tap.first, tap.last))
        return tuple(e for e in self.path[low:high] if e.name)

    def in_the_path(self, tap: Tap) -> bool:
        """Whether a meter is itself an element of the path."""
        return any(e.symbol is Symbol.METER for e in self.between(tap))


# ---- arrangements ----


def across(
    part: str,
    meters: Sequence[str],
    function: Function,
    *,
    symbol: Symbol = Symbol.PART,
    notes: tuple[str, ...] = (),
    dangers: tuple[Danger, ...] | None = None,
) -> Hookup:
    """Meters across a part that nothing else is connected to."""
    if dangers is None:
        volts = function.unit == "V" and function is not Function.DIODE
        dangers = (Danger.LIVE_NODE,) if volts else (Danger.UNPLUGGED,)
    taps = tuple(Tap(meter, function=function) for meter in meters)
    return Hookup(Circuit.ACROSS, (Element(part, symbol),), taps=taps, notes=notes, dangers=dangers)


def on_part(part: str, meter: str, function: Function) -> Hookup:
    """One meter on a part as its function needs it: across, in series, or a sensor on the surface."""
    if function.unit == "degC":
        return Hookup(
            Circuit.SENSOR,
            (Element(part),),
            taps=(Tap(meter, function=function),),
            notes=(f"{meter}: sensor on {part}, pressed on or with paste",),
        )
    return in_series(part, meter, function) if function in _CURRENT else across(part, [meter], function)


def same_points(part: str, meters: Sequence[str], function: Function, *, in_turns: bool = False) -> Hookup:
    """Several meters on the same two points, read within a minute."""
    turns = ", in turns (A-B-A)" if in_turns else ""
    return across(part, meters, function, notes=(f"leads side by side, readings within a minute{turns}",))


def supply_output(output: str, meter: str, *, dc: bool) -> Hookup:
    """A voltmeter across the output of a supply with mains inside."""
    function = Function.DC_VOLTS if dc else Function.AC_VOLTS
    return across(output, [meter], function, symbol=Symbol.COIL, dangers=(Danger.MAINS_INSIDE,))


def in_series(part: str, meter: str, function: Function) -> Hookup:
    """An ammeter in the path of a part's current."""
    return Hookup(
        Circuit.IN_SERIES,
        (Element(meter, Symbol.METER), Element(part)),
        Source("source"),
        (Tap(meter, function=function),),
        dangers=(Danger.CURRENT_PATH,),
    )


def four_wire(part: str, meter: str, *, current: str = "", level: float | None = None) -> Hookup:
    """A test current through a part, and a voltmeter at its own ends, inside the current clips."""
    wire = Element("", Symbol.WIRE)
    return Hookup(
        Circuit.FOUR_WIRE,
        (wire, Element(part, Symbol.RESISTOR), wire),
        Source("bench supply", f"{current or 'a known current'} through {part}, a few seconds only", level),
        (Tap(meter, 1, 2, Function.DC_VOLTS),),
        dangers=(Danger.UNPLUGGED,),
    )


def leakage(part: str, meter: str, supply: str, level: float) -> Hookup:
    """A DC supply, a barrier and a voltmeter in series."""
    return Hookup(
        Circuit.LEAKAGE,
        (Element(part, Symbol.BARRIER), Element(meter, Symbol.METER)),
        Source(f"{supply} dc", "from a bench supply", level),
        (Tap(meter, 1, 2, Function.DC_VOLTS),),
        dangers=(Danger.SCREEN_ONLY,),
    )


def comparison(part: str, known: str, meter: str, function: Function) -> Hookup:
    """Two resistors in series with one current; the same meter across one, then across the other."""
    return Hookup(
        Circuit.COMPARISON,
        (Element(part, Symbol.RESISTOR), Element(f"{known} known", Symbol.RESISTOR)),
        Source("supply"),
        (Tap(meter, 0, 1, function, step=1), Tap(meter, 1, 2, function, step=2)),
        notes=("stay on one range for both readings",),
        dangers=(Danger.WARMS_UP,),
    )


def rectifier(meter: str) -> Hookup:
    """A voltmeter across the reservoir capacitor behind a bridge, no load."""
    return Hookup(
        Circuit.RECTIFIER,
        (Element("capacitor", Symbol.CAPACITOR),),
        Source("bridge"),
        (Tap(meter, function=Function.DC_VOLTS),),
        notes=("no load",),
        dangers=(Danger.MAINS_INSIDE, Danger.CHARGED),
    )


def turns_ratio(
    part: str,
    *,
    turns: str,
    generator: str,
    drive: str,
    scope: str,
    winding_channel: str,
    loop_channel: str,
    loop_turns: int = 1,
    divider: str = "",
    opposed_turns: int | None = None,
) -> Hookup:
    """A generator on the winding, one scope channel across it, the other on a separate sense loop."""
    winding = f"{part} ({turns} turns)" if turns else part
    opposed = f"{opposed_turns} temporary turns in series opposition with the winding"
    return Hookup(
        Circuit.TURNS_RATIO,
        (Element(winding, Symbol.COIL),),
        Source(
            generator,
            f"{drive + ', ' if drive else ''}on the {turns + '-turn ' if turns else ''}winding",
            ends=("hot", "gnd"),
        ),
        (Tap(scope, channel=winding_channel, through=f"the {divider} divider" if divider else ""),),
        Loop(scope, loop_channel, loop_turns),
        notes=(opposed,) if opposed_turns is not None else (),
        dangers=(Danger.SCOPE_GROUNDS,),
    )


def winding_and_resistor(
    part: str,
    resistor: str,
    *,
    generator: str,
    drive: str,
    scope: str,
    across: str,
    resistor_channel: str,
    node: bool = False,
) -> Hookup:
    """Winding and resistor in series on a generator, a scope channel across each.

    With `node` the first channel sees both, and the clips are at the resistor's far end.
    """
    return Hookup(
        Circuit.SERIES_RESISTOR,
        (Element(part, Symbol.COIL), Element(resistor, Symbol.RESISTOR)),
        Source(
            generator,
            f"{drive + ', ' if drive else ''}floating: its ground only where the scope's is",
            ends=("hot", "gnd"),
        ),
        (
            Tap(scope, 0, 2 if node else 1, channel=across),
            Tap(scope, *((1, 2) if node else (2, 1)), channel=resistor_channel),
        ),
        dangers=(Danger.SCOPE_GROUNDS,),
    )


def two_points(scope: str, reference: str, other: str) -> Hookup:
    """Two scope channels on two points of a circuit that is running."""
    return Hookup(
        Circuit.TWO_POINTS,
        notes=(
            f"{scope}, DC coupled: {reference} on the reference point, {other} on the other",
            "both clips on one common node",
        ),
        dangers=(Danger.SCOPE_GROUNDS, Danger.OPEN_SECONDARY),
    )


# ---- in words ----


def in_words(hookup: Hookup, dial: Callable[[Function], str] = str) -> str:
    """Say a hook-up in one line.

    Parameters
    ----------
    hookup : Hookup
    dial : callable
        Name of a function.
    """
    said = []
    if hookup.source is not None:
        names = [e.name for e in hookup.path if e.name]
        said.append(f"{hookup.source.name} on {' and '.join(names)}{' in series' if len(names) > 1 else ''}")
    if hookup.circuit is Circuit.ACROSS:
        meters = " and ".join(tap.instrument for tap in hookup.taps)
        said.append(_tap_words(hookup, msgspec.structs.replace(hookup.taps[0], instrument=meters), dial))
    elif hookup.circuit is not Circuit.SENSOR:
        said += [_tap_words(hookup, tap, dial) for tap in hookup.taps]
    if hookup.loop is not None:
        turns = f"{hookup.loop.turns} turn{'s' if hookup.loop.turns != 1 else ''}"
        said.append(f"{hookup.loop.channel} on a separate loop of {turns}")
    if any(tap.channel for tap in hookup.taps):
        said.append("both clips on one point")
    return "; ".join([*said, *hookup.notes])


def _tap_words(hookup: Hookup, tap: Tap, dial: Callable[[Function], str]) -> str:
    who = tap.channel or tap.instrument
    at = f" on {dial(tap.function)}" if tap.function is not None else ""
    if hookup.in_the_path(tap):
        return f"{who}{at}"
    where = f"across {' and '.join(e.name for e in hookup.between(tap))}"
    if hookup.circuit is Circuit.FOUR_WIRE:
        where += ", inside the current clips"
    return f"{'then ' if tap.step > 1 else ''}{who}{at} {where}" + (
        f" through {tap.through}" if tap.through else ""
    )
