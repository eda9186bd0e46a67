"""The usual ways to connect instruments for a measurement, each made from the names of what is there."""

from __future__ import annotations

from collections.abc import Sequence

from benchlog.hookup import Circuit, Danger, Element, Hookup, Loop, Source, Symbol, Tap
from benchlog.reading import Function


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
    return in_series(part, meter, function) if function.is_current else across(part, [meter], function)


def same_points(part: str, meters: Sequence[str], function: Function) -> Hookup:
    """Several meters on the same two points, read within a minute, as a plan asks for."""
    return across(part, meters, function, notes=("leads side by side, readings within a minute",))


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
        dangers=(Danger.OWN_SUPPLY_ONLY,),
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
