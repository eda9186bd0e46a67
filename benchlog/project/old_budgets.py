"""Complete old budgets, recorded before their lines named the source of uncertainty, from their labels.

The labels of those versions are part of the file format, since they are the only source. What they don't contain stays
empty: in which direction a ratio depends on a channel, and the value of a burden or current resistor.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import msgspec

from benchlog.errors import UsageError
from benchlog.influence import CAPTURE, TIME_BASE, Influence, Role
from benchlog.reading import Function
from benchlog.result import BudgetLine, Result, Uncertain
from benchlog.units import parse_quantity


def with_influences(result: Result) -> Result:
    """Return a result whose budget lines all name their source of uncertainty, as far as it can be determined."""
    if all(line.influence is not None for q in result.quantities.values() for line in q.budget):
        return result
    quantities = {
        name: msgspec.structs.replace(q, budget=tuple(_line(result, q, line) for line in q.budget))
        for name, q in result.quantities.items()
    }
    return msgspec.structs.replace(result, quantities=quantities)


def _line(result: Result, quantity: Uncertain, line: BudgetLine) -> BudgetLine:
    if line.influence is not None:
        return line
    for pattern, make in _LABELS:
        if found := re.fullmatch(pattern, line.label):
            influence = make(result, *found.groups())
            # A voltage depends on the gain of its meter; a ratio may depend on it in either direction.
            own = influence is not None and quantity.unit == _unit(influence)
            return msgspec.structs.replace(
                line, influence=influence, sensitivity=quantity.value if own else None
            )
    return line


def _unit(influence: Influence) -> str:
    try:
        return Function(influence.function).unit
    except ValueError:
        return ""


def _meter(role: Role) -> Callable[..., Influence]:
    def make(result: Result, name: str) -> Influence:
        scope, _, channel = name.rpartition(" ")
        if name not in result.instruments and scope in result.instruments:
            return Influence(role, scope, CAPTURE, channel)
        return Influence(role, name, result.functions.get(name, ""))

    return make


def _scope(role: Role, function: str) -> Callable[..., Influence]:
    def make(result: Result, channel: str = "") -> Influence:
        scope = result.instruments[0] if len(result.instruments) == 1 else ""
        return Influence(role, scope, function, channel)

    return make


def _divider(result: Result) -> Influence:
    return Influence(Role.DIVIDER, f"{result.conditions.get('divider', '').partition(' ')[0]} divider")


def _load(result: Result) -> Influence:
    return _resistor(Role.LOAD_RESISTOR)(result, result.conditions.get("load", ""))


def _known(result: Result) -> Influence:
    known = result.quantities.get("reference")
    return _resistor(Role.KNOWN_RESISTOR)(result, f"{known.value} ohm" if known else "")


def _resistor(role: Role) -> Callable[..., Influence]:
    def make(result: Result, text: str = "") -> Influence:
        try:
            ohm = parse_quantity(text, "ohm").value
        except UsageError:
            return Influence(role, str(role))
        return Influence(role, f"{ohm:g} ohm {role}")

    return make


_LABELS: tuple[tuple[str, Callable[..., Influence]], ...] = (
    (r"accuracy of (.+?) \(.*\)", _meter(Role.READING)),
    (r"gain of channel (.+)", _scope(Role.GAIN, CAPTURE)),
    (r"gain of (.+)", _meter(Role.GAIN)),
    (r"(?:counts|digit) of (.+)", _meter(Role.COUNTS)),
    (r"time base of the scope .*", _scope(Role.TIME_BASE, TIME_BASE)),
    (r"gain between ranges.*", _scope(Role.RANGE_GAIN, CAPTURE)),
    (r"divider", _divider),
    (r"load resistor", _load),
    (r"known resistor", _known),
    (r"series resistor (.+)", _resistor(Role.SERIES_RESISTOR)),
    (r"burden", _resistor(Role.BURDEN)),
    (r"current resistor", _resistor(Role.CURRENT_RESISTOR)),
)
