"""A doubt about a meter: which meter, kind, reason, and the cheapest check to settle it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from benchlog.clock import rfc3339
from benchlog.reading import Function


class Kind(StrEnum):
    """Kind of doubt; its value is what is recorded, and the order is that of the list of doubts."""

    SILENT = "silent"
    FUNCTION = "wrong function"
    SYMBOL = "symbol shown"
    OVERLOAD = "overload"
    NEAR_ZERO = "near zero"
    FROZEN = "frozen"
    DISAGREES = "disagrees"
    DRIFTS = "drifts"
    UNSTEADY = "unsteady"
    LOW_BATTERY = "low battery"
    STANDARD = "check standard"

    @property
    def words(self) -> str:
        """As shown."""
        return "not trusted" if self is Kind.STANDARD else self.value


@dataclass(frozen=True, slots=True)
class Suspect:
    """One doubt."""

    tag: str  #: The meter; with `others`, one of these is wrong.
    kind: Kind
    reason: str  #: One line with the numbers.
    next_check: str  #: Action of the diagnosis: the cheapest that settles it.
    since_utc_ns: int = 0  #: When the doubt arose.
    others: tuple[str, ...] = ()  #: Meters that may equally be the wrong one.
    group: str = ""  #: Node on which it was seen; empty for a doubt from the meter's own display.
    function: Function | None = None  #: What the meter was set to, where that was clear.

    @property
    def key(self) -> tuple[str, ...]:
        """What tells it from other doubts; reason and time may differ."""
        return (self.kind.value, self.group, *self.tags)

    @property
    def tags(self) -> tuple[str, ...]:
        """All meters that may be the wrong one."""
        return (self.tag, *self.others)

    @property
    def who(self) -> str:
        """The meters' names: ``"MA-01"``, ``"MA-01 or MB-02"``."""
        return " or ".join(self.tags)

    def to_json(self, minutes: float | None = None) -> dict[str, Any]:
        """Plain JSON form; `minutes` is how long the next check takes, where that is known."""
        return {
            "instrument": self.tag,
            "or": list(self.others),
            "kind": self.kind.value,
            "group": self.group or None,
            "reason": self.reason,
            "next": {"action": self.next_check, "minutes": minutes},
            "since": rfc3339(self.since_utc_ns),
        }


# Kind -> action on volts, on ohms, on anything else. The cheapest action whose outcomes separate the likely causes.
_NEXT: Mapping[Kind, tuple[str, str, str]] = {
    Kind.SILENT: ("look", "look", "look"),
    Kind.FUNCTION: ("look", "look", "look"),
    Kind.SYMBOL: ("look", "look", "look"),
    Kind.OVERLOAD: ("look", "short_tips_ohms", "look"),
    Kind.NEAR_ZERO: ("short_tips_ohms", "look", "look"),
    Kind.FROZEN: ("short_tips", "short_tips_ohms", "reselect_function"),
    Kind.DISAGREES: ("fresh_cell", "known_resistor", "second_meter"),
    Kind.DRIFTS: ("fresh_cell", "known_resistor", "second_meter"),
    Kind.UNSTEADY: ("wiggle_leads", "wiggle_leads", "reread"),
    Kind.LOW_BATTERY: ("new_battery", "new_battery", "new_battery"),
    Kind.STANDARD: ("fresh_cell", "known_resistor", "second_meter"),
}


def next_check(kind: Kind, function: Function | None) -> str:
    """Action to try first for a doubt of this kind on a meter set to `function`."""
    volts, ohms, other = _NEXT[kind]
    if function is None or function.unit == "V":
        return volts
    return ohms if function.is_ohms else other
