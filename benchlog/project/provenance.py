"""Instruments and parts used for a result, and how far an error of one changes it (by budget fields)."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeVar

import msgspec

from benchlog.influence import Influence, Role
from benchlog.number_format import format_quantity
from benchlog.result import BudgetLine, Result, Uncertain

SHARED_REFERENCE = ("V=", "V~", "V~=", "A=", "A~", "diode", "degC")
"""Functions scaled by the voltage reference of a meter."""

_T = TypeVar("_T")
_RATIOMETRIC = ("ohm", "ohm4w", "continuity")
#: Functions of a meter that fail together, and how they belong together.
_GROUPS = {SHARED_REFERENCE: "share its voltage reference", _RATIOMETRIC: "are measured like it"}
_CANCELLED = 1e-6  # a smaller sensitivity counts as none


def shares(failed: str, used: str) -> bool:
    """Return whether a failure of one function puts another in doubt; an empty one means any.

    >>> shares("V=", "A~"), shares("V=", "ohm"), shares("", "ohm")
    (True, False, True)
    """
    if not failed or not used or failed == used:
        return True
    return any(failed in group and used in group for group in _GROUPS)


class Blamed(msgspec.Struct, frozen=True):
    """An instrument, or a part with a stated value, found wrong; or one function or channel of it."""

    instrument: str  #: Tag, or name as budgets have it (``"100:1 divider"``).
    function: str = ""  #: What it failed on (``"V="``, ``"capture"``); empty: all functions.
    channel: str = ""  #: Channel of a scope; empty: any.
    range_max: float | None = None  #: Full scale of the range found bad; None: any.

    @classmethod
    def from_body(cls, body: Mapping[str, Any]) -> Blamed:
        """Read the thing blamed by an entry of kind ``standard`` or ``recall``."""
        full = body.get("range")
        return Blamed(
            str(body["meter"]),
            str(body.get("function", "V=")),
            str(body.get("channel", "")),
            None if full is None else float(full),
        )

    @property
    def name(self) -> str:
        """Name of what is blamed, as shown."""
        return f"{self.instrument} {self.where}".rstrip()

    @property
    def where(self) -> str:
        """Functions, channel and range that are blamed, as shown; empty for all of it."""
        words = [f"on {self.function}{self._sharing}"] if self.function else []
        words += [f"channel {self.channel}"] if self.channel else []
        words += [f"range {format_quantity(self.range_max, 'V')}"] if self.range_max else []
        return " ".join(words)

    @property
    def _sharing(self) -> str:
        """The functions in doubt with the one that failed, in words."""
        for group, why in _GROUPS.items():
            if self.function in group:
                return f" and the functions that {why} ({', '.join(f for f in group if f != self.function)})"
        return ""


def uses(result: Result) -> Iterator[Influence]:
    """Return what a result was measured with, from its budgets, or from its instruments if no budget names them."""
    named = set()
    for quantity in result.quantities.values():
        for line in quantity.budget:
            if line.influence is not None and line.influence.instrument:
                named.add(line.influence.instrument)
                yield line.influence
    for tag in result.instruments:
        if tag not in named:
            for function in result.functions.get(tag, "").split(","):
                yield Influence(Role.READING, tag, function.strip())


def measured_with(result: Result, blamed: Blamed) -> bool:
    """Return whether a result was measured with what is blamed."""
    return bool(_meant([(use, use) for use in uses(result)], blamed))


def _meant(used: Iterable[tuple[Influence, _T]], blamed: Blamed) -> list[_T]:
    """Return the uses that the blame applies to.

    If some uses name their channel or range, only the matching ones count; if none does, all may be affected.
    """
    mine = [
        (use, item)
        for use, item in used
        if use.instrument == blamed.instrument and shares(blamed.function, use.function)
    ]
    if blamed.channel:
        mine = _narrowed(mine, lambda use: use.channel, lambda use: use.channel == blamed.channel)
    if blamed.range_max:
        mine = _narrowed(
            mine,
            lambda use: use.range_max,
            lambda use: math.isclose(use.range_max or 0.0, blamed.range_max or 0.0, rel_tol=1e-3),
        )
    return [item for _, item in mine]


def _narrowed(
    mine: list[tuple[Influence, _T]], known: Callable[[Influence], object], fits: Callable[[Influence], bool]
) -> list[tuple[Influence, _T]]:
    said = [(use, item) for use, item in mine if known(use)]
    return [(use, item) for use, item in said if fits(use)] if said else mine


def true_range(quantity: Uncertain, blamed: Blamed, low: float, high: float) -> tuple[float, float] | None:
    """Range of the true value, when the blamed thing was off by a relative error between two bounds.

    An instrument reads high by its error; a part with a stated value is larger than stated by it. If several channels may be
    meant, each is tried.

    Returns
    -------
    tuple of float or None
        None if the quantity does not depend on the thing: its gain cancels, or it is not in the budget.
    """
    if not quantity.budget:
        exponents = {(-1.0, 0.0)}
    else:
        exponents = {e for e in _exponents(quantity, blamed) if abs(e[0]) > _CANCELLED}
    if not exponents:
        return None
    ends = [
        _moved(quantity.value, exponent, error - applied)
        for exponent, applied in exponents
        for error in (low, high)
    ]
    return min(ends), max(ends)


def _exponents(quantity: Uncertain, blamed: Blamed) -> Iterator[tuple[float, float]]:
    """Powers of (1 + error) in the true value, one for each channel; both signs if the direction is not known.

    Each comes with the error for which the value was already corrected.
    """
    channels: dict[str, list[BudgetLine]] = {}
    for line in _lines(quantity, blamed):
        channels.setdefault(line.influence.channel if line.influence else "", []).append(line)
    for lines in channels.values():
        if any(line.sensitivity is None for line in lines):
            yield from ((1.0, 0.0), (-1.0, 0.0))
        elif quantity.value:
            follows = [
                (line.sensitivity or 0.0) * (1 if line.influence and line.influence.role.stated else -1)
                for line in lines
            ]
            applied = sum(f * line.applied for f, line in zip(follows, lines, strict=True))
            total = sum(follows)
            yield total / quantity.value, applied / total if total else 0.0


def _lines(quantity: Uncertain, blamed: Blamed) -> list[BudgetLine]:
    """Lines of a budget that belong to the thing blamed."""
    followed = [
        (line.influence, line)
        for line in quantity.budget
        if line.influence is not None
        and line.influence.role.relative
        and (blamed.range_max or line.influence.role is not Role.ONE_RANGE)
    ]
    return _meant(followed, blamed)


def _moved(value: float, exponent: float, error: float) -> float:
    return float(value * (1.0 + error) ** exponent)
