"""Values, limits and states in words and shapes, the same on screen and on paper."""

from __future__ import annotations

from collections.abc import Mapping

from benchlog.number_format import format_quantity
from benchlog.result import Limits, Result, Uncertain

#: Shape of each verdict and state; it always comes with its word, and beside a colour where there is one.
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
    "rectified_peak_worst": "highest rectified peak",
}


def result_title(result: Result, entry: int | None = None) -> str:
    """What a result is about, for a title: check, part, and its entry in the record."""
    name = " ".join(filter(None, (result.check_id or result.check.replace("_", " "), result.part)))
    return f"{name}, entry {entry}" if entry else name


def quantity_words(name: str) -> str:
    """Name of a quantity as printed.

    >>> quantity_words("e_n"), quantity_words("source_resistance")
    ('E_n', 'source resistance')
    """
    return _NAMES.get(name, name.replace("_", " "))


def value_words(quantity: Uncertain) -> str:
    """Value with its expanded uncertainty as printed."""
    return str(quantity)


def limits_words(limits: Limits | None) -> str:
    """Limits as printed, with their own uncertainty where they have one; an empty text where there are none."""
    if limits is None:
        return ""
    own = limits_own_words(limits)
    return f"{limits} ({own})" if own else str(limits)


def limits_own_words(limits: Limits | None) -> str:
    """Uncertainty of the limits themselves as printed; an empty text where they have none."""
    if limits is None or not limits.standard_uncertainty > 0:
        return ""
    return f"limits known to ± {format_quantity(2 * limits.standard_uncertainty, limits.unit, 2)}"


def limits_source(limits: Limits) -> str:
    """Where limits come from, as it follows "from"; an empty text if that is not known."""
    return "the plan" if limits.source == "plan" else limits.source.removeprefix("computed: ")


def all_limits_words(limits: Mapping[str, Limits]) -> str:
    """Limits of several quantities in one line, each with where it comes from unless that is the plan."""
    colon = ":" if len(limits) > 1 else ""  # a name may end in a value of its own
    return "; ".join(
        f"{quantity_words(name)}{colon} {limits_words(limit)}"
        + (f" ({limits_source(limit)})" if limit.source not in ("", "plan") else "")
        for name, limit in limits.items()
    )


def strip_controls(text: str) -> str:
    """Replace control codes and direction overrides, which plans and entries may contain.

    >>> strip_controls("a\\x1b[2Jb")
    'a\ufffd[2Jb'
    """
    if text.isprintable():
        return text
    return "".join(
        c if c.isprintable() else " " if c in "\n\t" else "\N{REPLACEMENT CHARACTER}" for c in text
    )
