"""Source of a budget line's uncertainty: an instrument or part, and its property.

A recall, a chart or an export asks these fields; the label of the line is for people only.
"""

from __future__ import annotations

from enum import StrEnum

import msgspec

#: Function of a scope's voltages in results and budgets; its time base is a function of its own.
CAPTURE = "capture"
TIME_BASE = "time base"
#: Function of a generator that drove the part.
OUTPUT = "output"


class Role(StrEnum):
    """Property of an instrument or part, or of the method, that an input quantity is."""

    READING = "reading"  # one reading alone: the meter's whole accuracy statement
    GAIN = "gain"  # the part in proportion to the reading, of a meter or of a scope's channel
    COUNTS = "counts"
    ONE_RANGE = "one range of a channel"  # without an uncertainty of its own: where a reading was taken
    RANGE_GAIN = "gain between ranges"
    DELAY = "delay"
    TIME_BASE = "time base"
    INPUT_RESISTANCE = "input resistance"
    DIVIDER = "divider"
    LOAD_RESISTOR = "load resistor"
    SERIES_RESISTOR = "series resistor"
    CURRENT_RESISTOR = "current resistor"
    BURDEN = "burden"
    KNOWN_RESISTOR = "known resistor"
    CHECK_STANDARD = "check standard"  # by which the meter's error is known
    CROSS_CHECK = "cross-check"  # another meter by which the meter's error is known
    SUPPLY = "supply"
    MAINS = "mains"
    NOISE = "noise"
    SCATTER = "scatter"
    MODEL = "model"
    MATERIAL = "material"
    OTHER = "other"  # of a later version

    @classmethod
    def _missing_(cls, value: object) -> Role:
        return cls.OTHER

    @property
    def relative(self) -> bool:
        """Whether a relative error of the thing moves the result through this input."""
        own = (Role.READING, Role.GAIN, Role.ONE_RANGE, Role.TIME_BASE, Role.CROSS_CHECK)
        return self.stated or self in own

    @property
    def stated(self) -> bool:
        """Whether the input is the stated value of a thing, not what an instrument shows."""
        return self in (
            Role.DIVIDER,
            Role.LOAD_RESISTOR,
            Role.SERIES_RESISTOR,
            Role.CURRENT_RESISTOR,
            Role.BURDEN,
            Role.KNOWN_RESISTOR,
            Role.CHECK_STANDARD,
        )


class Influence(msgspec.Struct, frozen=True, omit_defaults=True):
    """Where an input quantity comes from."""

    role: Role
    #: Tag of the instrument, or name of the divider, resistor or check standard; empty where nobody named it.
    instrument: str = ""
    #: Function it was used on, as results name it (``"V~"``, ``"capture"``); empty for things that have one
    #: only.
    function: str = ""
    channel: str = ""  #: Channel of a scope.
    range_max: float | None = None  #: Full scale of the range in use, where known, in the unit measured.
