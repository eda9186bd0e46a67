"""Values, limits and states in words and shapes, the same on screen and on paper."""

from __future__ import annotations

from benchlog.result import Limits, Uncertain
from benchlog.units import format_quantity, format_uncertain

__all__ = ["MARKS", "limits_words", "quantity_words", "strip_controls", "value_words"]

#: Shape of each verdict and state; it always stands beside its word, and beside a colour where there is one.
MARKS = {
    "pass": "●",
    "passed": "●",
    "fail": "▲",
    "failed": "▲",
    "indeterminate": "◐",
    "not done": "○",
    "recalled": "↺",
    "stale": "◌",
}


#: Names of quantities that are not just their words set apart.
_NAMES = {
    "e_n": "E_n",
    "al": "AL",
    "no_load_voltage": "no-load voltage",
    "expected_no_load": "expected no-load voltage",
}


def quantity_words(name: str) -> str:
    """Name of a quantity as printed.

    >>> quantity_words("e_n"), quantity_words("source_resistance")
    ('E_n', 'source resistance')
    """
    return _NAMES.get(name, name.replace("_", " "))


def value_words(quantity: Uncertain) -> str:
    """Value with its expanded uncertainty as printed."""
    if quantity.standard_uncertainty > 0:
        return format_uncertain(quantity.value, quantity.expanded_uncertainty, quantity.unit)
    return format_quantity(quantity.value, quantity.unit)


def limits_words(limits: Limits | None) -> str:
    """Limits as printed; an empty text where there are none."""
    if limits is None or (limits.low is None and limits.high is None):
        return ""
    if limits.low is None:
        return f"≤ {format_quantity(limits.high, limits.unit)}"
    if limits.high is None:
        return f"≥ {format_quantity(limits.low, limits.unit)}"
    return f"{format_quantity(limits.low, limits.unit)} … {format_quantity(limits.high, limits.unit)}"


def strip_controls(text: str) -> str:
    """Replace what could steer a terminal or reads backwards; plans and entries may hold anything.

    >>> strip_controls("a\\x1b[2Jb")
    'a\ufffd[2Jb'
    """
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() else " " if c in "\n\t" else "\N{REPLACEMENT CHARACTER}" for c in text
    )
