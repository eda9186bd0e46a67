"""One value from one meter, as displayed."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum

import msgspec


class Function(StrEnum):
    """What a meter is set to measure; the value is its name in files and on screens."""

    AC_VOLTS = "V~"
    DC_VOLTS = "V="
    AC_DC_VOLTS = "V~="
    AC_CURRENT = "A~"
    DC_CURRENT = "A="
    OHMS = "ohm"
    FOUR_WIRE_OHMS = "ohm4w"
    CONTINUITY = "continuity"
    DIODE = "diode"
    FREQUENCY = "Hz"
    DUTY = "duty"
    CAPACITANCE = "F"
    TEMPERATURE = "degC"

    @property
    def unit(self) -> str:
        """SI unit of the function's value."""
        return _UNITS[self]

    @property
    def is_volts(self) -> bool:
        """Whether it is the voltage at the tips."""
        return self in _VOLTS

    @property
    def is_current(self) -> bool:
        """Whether a lead belongs in a current jack."""
        return self in _CURRENT

    @property
    def is_ohms(self) -> bool:
        """Whether the meter drives a current of its own through a resistance."""
        return self in _OHMS

    @property
    def coupling(self) -> str:
        """``"ac"`` or ``"dc"`` where a function is one of these alone."""
        return _COUPLINGS.get(self, "")

    @property
    def quantity(self) -> str:
        """Name of the quantity that is measured, as results and limits have it."""
        return _QUANTITIES.get(self.unit, "value")


_VOLTS = frozenset({Function.AC_VOLTS, Function.DC_VOLTS, Function.AC_DC_VOLTS})
_CURRENT = frozenset({Function.AC_CURRENT, Function.DC_CURRENT})
_OHMS = frozenset({Function.OHMS, Function.FOUR_WIRE_OHMS, Function.CONTINUITY})
_COUPLINGS = {
    Function.AC_VOLTS: "ac",
    Function.DC_VOLTS: "dc",
    Function.AC_CURRENT: "ac",
    Function.DC_CURRENT: "dc",
}
_UNITS = {
    Function.AC_VOLTS: "V",
    Function.DC_VOLTS: "V",
    Function.AC_DC_VOLTS: "V",
    Function.AC_CURRENT: "A",
    Function.DC_CURRENT: "A",
    Function.OHMS: "ohm",
    Function.FOUR_WIRE_OHMS: "ohm",
    Function.CONTINUITY: "ohm",
    Function.DIODE: "V",
    Function.FREQUENCY: "Hz",
    Function.DUTY: "1",
    Function.CAPACITANCE: "F",
    Function.TEMPERATURE: "degC",
}

_QUANTITIES = {
    "V": "voltage",
    "A": "current",
    "ohm": "resistance",
    "Hz": "frequency",
    "F": "capacitance",
    "degC": "temperature",
}


class State(StrEnum):
    """Whether there is a number at all."""

    OK = "ok"
    OVERLOAD = "overload"
    UNDERLOAD = "underload"
    INVALID = "invalid"


class Flag(StrEnum):
    """What else the display shows; any of these can make a right number mislead."""

    AUTO = "auto range"
    HOLD = "hold"
    RELATIVE = "relative"
    MINIMUM = "minimum"
    MAXIMUM = "maximum"
    PEAK = "peak"
    LOW_PASS = "low pass"  # noqa: S105 - a filter, no password
    LOW_BATTERY = "low battery"
    UNSTABLE = "unstable"

    @property
    def misleads(self) -> bool:
        """Whether the display then shows something else than what is at the tips now."""
        return self in _MISLEADING


_MISLEADING = frozenset({Flag.HOLD, Flag.RELATIVE, Flag.MINIMUM, Flag.MAXIMUM, Flag.PEAK, Flag.LOW_PASS})


class Origin(StrEnum):
    """How the value came in."""

    LINK = "link"
    HAND = "hand"
    FILE = "file"


class Reading(msgspec.Struct, frozen=True, gc=False):
    """One value from one meter.

    Attributes
    ----------
    function : Function
        What the meter was set to.
    value : float or None
        In the SI unit of the function; None unless `state` is ok.
    resolution : float
        One count of the last digit, in the same unit; 0 when unknown.
    displayed : str
        The digits as the display showed them, with prefix and unit, e.g. ``"27.75 V"``.
    state, flags
        Overload and the like are states, never a magic number; hold, relative... are flags.
    range_max : float or None
        Full scale of the range in use, where the meter says.
    raw : bytes
        The frame or reply the value was decoded from; empty for typed values.
    instrument, channel : str
        Tag of the meter and, for meters with several displays, which one.
    utc_ns, mono_ns : int
        Wall and monotonic time of arrival, stamped by the adapter base class.
    origin : Origin
        By link, typed by hand, or out of a file.
    """

    function: Function
    value: float | None
    resolution: float
    displayed: str
    state: State = State.OK
    flags: frozenset[Flag] = frozenset()
    range_max: float | None = None
    raw: bytes = b""
    instrument: str = ""
    channel: str = ""
    utc_ns: int = 0
    mono_ns: int = 0
    origin: Origin = Origin.LINK

    @property
    def unit(self) -> str:
        """SI unit of `value`."""
        return self.function.unit

    def stamped(self, instrument: str, utc_ns: int, mono_ns: int) -> Reading:
        """Return the same reading with the meter's tag and its time of arrival."""
        # Twenty times a second and meter: `msgspec.structs.replace` takes names, which costs more.
        return Reading(
            self.function,
            self.value,
            self.resolution,
            self.displayed,
            self.state,
            self.flags,
            self.range_max,
            self.raw,
            instrument,
            self.channel,
            utc_ns,
            mono_ns,
            self.origin,
        )

    def __post_init__(self) -> None:
        if (self.value is None) is (self.state is State.OK):
            raise ValueError(
                f"a reading has a value exactly when its state is ok, not {self.value!r}, {self.state}"
            )


def agree(readings: Iterable[Reading], counts: float = 2.0) -> bool:
    """Return whether frames agree: same function, state and flags, values within `counts` counts.

    The rule under which a check may use them: a single frame is never enough, since one flipped
    bit can turn a digit into another.
    """
    items = list(readings)
    first = items[0]
    if any((r.function, r.state, r.flags) != (first.function, first.state, first.flags) for r in items):
        return False
    values = [r.value for r in items if r.value is not None]
    if not values:
        return True
    # Half a thousandth of a count forgives binary rounding of decimal displays.
    return max(values) - min(values) <= (counts + 5e-4) * max(r.resolution for r in items)
