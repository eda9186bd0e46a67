"""How instruments are connected for a measurement, as data: one record for the screen, the certificate and the voice.

A hook-up is a path of elements in series, maybe driven by a source, with instruments across its points. Points are
numbered along the path: 0 before the first element, then one behind each. Usual ones are made in `benchlog.circuits`.

>>> tap = Tap("MB-02", function=Function.AC_VOLTS)
>>> in_words(Hookup(Circuit.ACROSS, (Element("T1 output"),), taps=(tap,)))
'MB-02 on V~ across T1 output'
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import msgspec

from benchlog.reading import Function


class Circuit(StrEnum):
    """Kinds of hook-up, by what the user has to do."""

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
    """How an element is drawn."""

    PART = "part"
    WIRE = "wire"
    RESISTOR = "resistor"
    COIL = "coil"
    CAPACITOR = "capacitor"
    BARRIER = "barrier"
    METER = "meter"


class Danger(StrEnum):
    """Dangers; `DANGER_WORDS` says what to do about them."""

    MAINS_INSIDE = "mains inside"
    CHARGED = "charged capacitor"
    UNPLUGGED = "unplugged"
    OWN_SUPPLY_ONLY = "own supply only"
    LIVE_NODE = "live node"
    CURRENT_PATH = "current path"
    OPEN_SECONDARY = "open secondary"
    SCOPE_GROUNDS = "scope grounds"
    SCREEN_ONLY = "screen only"
    WARMS_UP = "warms up"


DANGER_WORDS = {
    Danger.MAINS_INSIDE: "mains inside the case: leave it closed, attach clips with the plug out, then plug in; "
    "unplug it after the last reading",
    Danger.CHARGED: "the capacitor stays charged: wait, measure, then discharge it through a resistor",
    Danger.UNPLUGGED: "unplug and discharge before measuring ohms; voltage damages a meter on ohms",
    Danger.OWN_SUPPLY_ONLY: "unplug and discharge the part first: only the supply of this test may drive it",
    Danger.LIVE_NODE: "attach clips with the power off, power on, read, power off; treat the node as live",
    Danger.CURRENT_PATH: (
        "meter in series, never across a source; do not exceed the fuse of the current jack"
    ),
    Danger.OPEN_SECONDARY: (
        "keep the burden across a current transformer's secondary while the primary carries current"
    ),
    Danger.SCOPE_GROUNDS: "both scope grounds on one point: they are connected to each other and to protective earth",
    Danger.SCREEN_ONLY: "part unplugged; a screen only, not a withstand test: it never proves insulation",
    Danger.WARMS_UP: "small current only: a resistor that warms up drifts",
}


#: What ends a hook-up that energises something; the first that fits.
_POWER_OFF = {
    Danger.MAINS_INSIDE: "unplug it now, before a lead is moved",
    Danger.LIVE_NODE: "power off now (unplug what is plugged in), before a lead is moved",
}


class Element(msgspec.Struct, frozen=True, omit_defaults=True):
    """One thing of a path; without a name it is plain wire."""

    name: str
    symbol: Symbol = Symbol.PART


class Source(msgspec.Struct, frozen=True, omit_defaults=True):
    """What drives a path."""

    name: str  #: Tag or name.
    setting: str = ""  #: What to set it to, for the person.
    level: float | None = None  #: Volt or ampere, as far as the hook-up fixes it.
    ends: tuple[str, str] = ("+", "-")  #: What its two ends are called.


class Tap(msgspec.Struct, frozen=True, omit_defaults=True):
    """An instrument across two points."""

    instrument: str  #: Tag.
    #: first, last: Points of its red lead or tip, and of its black lead or clip.
    first: int = 0
    last: int = 1
    function: Function | None = None  #: What a meter is set to; None for a scope.
    channel: str = ""  #: Of a scope.
    through: str = ""  #: Divider before the channel.
    step: int = 0  #: Where the same leads move on: 1 first, then 2; 0 where they stay.


class Loop(msgspec.Struct, frozen=True):
    """A scope channel on a sense loop of its own, one end at the clips."""

    instrument: str
    channel: str
    turns: int

    def __str__(self) -> str:
        return f"{self.channel} on a separate loop of {self.turns} turn{'s' if self.turns != 1 else ''}"


class Hookup(msgspec.Struct, frozen=True, omit_defaults=True):
    """How everything is connected."""

    circuit: Circuit
    path: tuple[Element, ...] = ()  #: In series, from the source's first end to its second.
    source: Source | None = None  #: None where the part itself is measured.
    taps: tuple[Tap, ...] = ()
    loop: Loop | None = None
    notes: tuple[str, ...] = ()  #: What no drawing shows.
    dangers: tuple[Danger, ...] = ()

    @property
    def function(self) -> Function | None:
        """What its meters are set to; None without a meter."""
        return next((tap.function for tap in self.taps if tap.function is not None), None)

    @property
    def power_off(self) -> str:
        """What to do after the last reading where the hook-up energises something; else empty."""
        return next((words for danger, words in _POWER_OFF.items() if danger in self.dangers), "")

    def between(self, tap: Tap) -> tuple[Element, ...]:
        """Named elements between a tap's points."""
        low, high = sorted((tap.first, tap.last))
        return tuple(e for e in self.path[low:high] if e.name)

    def in_the_path(self, tap: Tap) -> bool:
        """Whether a meter is itself an element of the path."""
        return any(e.symbol is Symbol.METER for e in self.between(tap))

    def where(self, tap: Tap) -> str:
        """Words for what a tap is across, and through which divider."""
        through = f" through {tap.through}" if tap.through else ""
        return f"across {' and '.join(e.name for e in self.between(tap))}{through}"


# ---- in words ----


def in_words(hookup: Hookup, dial: Callable[[Function], str] = str) -> str:
    """Say a hook-up in one line.

    Parameters
    ----------
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
        said.append(str(hookup.loop))
    if any(tap.channel for tap in hookup.taps):
        said.append("both clips on one point")
    return "; ".join([*said, *hookup.notes])


def _tap_words(hookup: Hookup, tap: Tap, dial: Callable[[Function], str]) -> str:
    who = tap.channel or tap.instrument
    at = f" on {dial(tap.function)}" if tap.function is not None else ""
    if hookup.in_the_path(tap):
        return f"{who}{at}"
    inside = ", inside the current clips" if hookup.circuit is Circuit.FOUR_WIRE else ""
    return f"{'then ' if tap.step > 1 else ''}{who}{at} {hookup.where(tap)}{inside}"
