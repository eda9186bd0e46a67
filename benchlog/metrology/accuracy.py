"""A meter's accuracy statement: plus-minus (percent of reading + counts of the last digit)."""

from __future__ import annotations

import math
import re

import msgspec

from benchlog.errors import UsageError
from benchlog.units import parse_number

#: From here on a statement looks mistyped: few meters are so bad (common practice, no source).
_UNUSUAL_FRACTION = 0.05
_UNUSUAL_COUNTS = 50


class Accuracy(msgspec.Struct, frozen=True):
    """Accuracy as makers state it.

    Attributes
    ----------
    fraction : float
        Part of the reading (1 % is 0.01).
    counts : float
        Counts of the last digit; they contain the resolution, so no separate resolution part is added.
    source : str
        Where the statement comes from.
    bare : bool
        Whether it was typed without counts, which most meters have.
    """

    fraction: float
    counts: float
    source: str = ""
    bare: bool = False

    def bound(self, value: float, resolution: float) -> float:
        """Largest error the statement allows at `value`, in the unit of `value`.

        >>> Accuracy(0.01, 2).bound(100.0, 0.1)
        1.2
        """
        return self.fraction * abs(value) + self.counts * resolution

    def standard_uncertainty(self, value: float, resolution: float) -> float:
        """Standard uncertainty of a reading: the bound taken as a uniform half-width (GUM 4.3.7).

        If the statement is all zeros, the resolution counts, uniform over one count.
        """
        return max(self.bound(value, resolution), resolution / 2) / math.sqrt(3)

    def half_widths(self, value: float, resolution: float) -> tuple[float, float, float]:
        """Parts of the bound: percentage, counts, and the rounding of the display, which the counts contain.

        >>> Accuracy(0.01, 2).half_widths(100.0, 0.1)
        (1.0, 0.15000000000000002, 0.05)
        """
        gain, counts, rounding = self.fraction * abs(value), self.counts * resolution, resolution / 2
        if gain + counts <= rounding:
            return 0.0, 0.0, rounding
        return gain, max(counts - rounding, 0.0), min(counts, rounding)

    @property
    def doubt(self) -> str:
        """Why the statement may be mistyped, as words that follow "accuracy of MA-01"; empty if it looks right.

        >>> Accuracy(0.05, 1).doubt
        "is unusual (5 % + 1): look in its manual, most state a few per cent and a few counts, as in '1 % + 5'"
        """
        if self.bare:
            return (
                f"has no counts: look in its manual, most state both, as in '{self.fraction * 100:g} % + 5'"
            )
        if self.fraction < _UNUSUAL_FRACTION and self.counts < _UNUSUAL_COUNTS:
            return ""
        return f"is unusual ({self}): look in its manual, most state a few per cent and a few counts, as in '1 % + 5'"

    def __str__(self) -> str:
        return f"{self.fraction * 100:g} % + {self.counts:g}"


UNKNOWN_ACCURACY = Accuracy(0.02, 10, "no data sheet known: 2 % + 10 counts assumed")


def parse_accuracy(text: str, source: str = "typed") -> Accuracy:
    """Read ``"1 % + 5"``, ``"0.05 %"`` or ``"0.5 % + 2 counts"``.

    Raises
    ------
    UsageError
        If it can't be read.
    """
    match = re.fullmatch(
        r"\s*(?:±|\+-|\+/-)?\s*\(?\s*([\d.,]+)\s*%(?:\s*(?:rdg|of reading))?"
        r"(?:\s*\+\s*([\d.,]+)\s*(?:counts?|digits?|dgts?|d|ct)?)?\s*\)?\s*",
        text,
    )
    if not match:
        raise UsageError(
            f"accuracy {text!r} can't be read", hint="write it like '1 % + 5': percent of reading + counts"
        )
    fraction = parse_number(match.group(1))[0] / 100
    counts = parse_number(match.group(2))[0] if match.group(2) else 0.0
    return Accuracy(fraction, counts, source, bare=match.group(2) is None)
