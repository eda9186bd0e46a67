"""A meter's accuracy statement: plus-minus (percent of reading + counts of the last digit, or kelvin of a thermometer)."""

from __future__ import annotations

import math
import re

import msgspec

from benchlog.errors import UsageError
from benchlog.reading import Function
from benchlog.units import parse_number

#: From here on a statement looks mistyped: few meters are so bad (common practice, no source).
_UNUSUAL_FRACTION = 0.05
_UNUSUAL_COUNTS = 50
_HINT = "write it like '1 % + 5': percent of reading + counts"
_THERMOMETER_HINT = "; of a thermometer like '1 % + 3 degC'"
_THERMOMETER = re.compile(
    r"\s*(?:±|\+-|\+/-)?\s*\(?\s*(?:([\d.,]+)\s*%\s*(?:rdg|of reading)?\s*\+\s*)?([\d.,]+)\s*(?:degC|°\s*C|C|K)\s*\)?\s*"
)


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
    degrees : float
        Part that depends on neither reading nor display, kelvin; thermometers state it instead of counts.
    assumed : bool
        Whether nobody stated it.
    """

    fraction: float
    counts: float
    source: str = ""
    bare: bool = False
    degrees: float = 0.0
    assumed: bool = False

    def fixed(self, resolution: float) -> float:
        """The part of the bound that does not depend on the reading, in its unit.

        >>> Accuracy(0.01, 2).fixed(0.1), Accuracy(0.01, 0, degrees=3.0).fixed(0.1)
        (0.2, 3.0)
        """
        return self.counts * resolution + self.degrees

    def bound(self, value: float, resolution: float) -> float:
        """Largest error the statement allows at `value`, in the unit of `value`.

        >>> Accuracy(0.01, 2).bound(100.0, 0.1)
        1.2
        """
        return self.fraction * abs(value) + self.fixed(resolution)

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
        gain, counts, rounding = self.fraction * abs(value), self.fixed(resolution), resolution / 2
        if gain + counts <= rounding:
            return 0.0, 0.0, rounding
        return gain, max(counts - rounding, 0.0), min(counts, rounding)

    @property
    def doubt(self) -> str:
        """Why the statement may be mistyped, as words that follow "accuracy of MA-01"; empty if it looks right.

        >>> Accuracy(0.05, 1).doubt
        "is unusual (5 % + 1): look in its manual, most state a few per cent and a few counts, as in '1 % + 5'"
        """
        if self.bare and not self.degrees:
            return (
                f"has no counts: look in its manual, most state both, as in '{self.fraction * 100:g} % + 5'"
            )
        if self.fraction < _UNUSUAL_FRACTION and self.counts < _UNUSUAL_COUNTS:
            return ""
        return f"is unusual ({self}): look in its manual, most state a few per cent and a few counts, as in '1 % + 5'"

    @property
    def words(self) -> str:
        """The statement as a sentence names it.

        >>> Accuracy(0.02, 10).words, Accuracy(0.02, 0, degrees=5.0).words
        ('2 % + 10 counts', '2 % + 5 °C')
        """
        last = f"{self.degrees:g} °C" if self.degrees else f"{self.counts:g} counts"
        return f"{self.fraction * 100:g} % + {last}"

    def __str__(self) -> str:
        last = f"{self.degrees:g} degC" if self.degrees else f"{self.counts:g}"
        return f"{self.fraction * 100:g} % + {last}"


UNKNOWN_ACCURACY = Accuracy(0.02, 10, "no data sheet known", assumed=True)
#: Of a hand-held thermometer with its probe (common practice, no source). A class 2 thermocouple of type K alone may be 2.5 K
#: off (IEC 60584-1, from memory); counts say nothing of that, since a display shows tenths of a kelvin as well as whole ones.
_UNKNOWN_THERMOMETER = Accuracy(0.02, 0, "no data sheet known", degrees=5.0, assumed=True)


def assumed_accuracy(function: Function) -> Accuracy:
    """What is assumed of a meter whose accuracy nobody stated."""
    return _UNKNOWN_THERMOMETER if function is Function.TEMPERATURE else UNKNOWN_ACCURACY


def parse_accuracy(text: str, source: str = "typed", function: Function | None = None) -> Accuracy:
    """Read ``"1 % + 5"``, ``"0.05 %"``, ``"0.5 % + 2 counts"``, or of a thermometer ``"1 % + 3 degC"``, ``"2 degC"``.

    Parameters
    ----------
    function : Function, optional
        What it is for; only temperature takes degrees.

    Raises
    ------
    UsageError
        If it can't be read.
    """
    if match := _THERMOMETER.fullmatch(text):
        if function not in (None, Function.TEMPERATURE):
            raise UsageError(f"accuracy {text!r} is a thermometer's, not one for {function}", hint=_HINT)
        percent, degrees = match.groups(default="0")
        return Accuracy(parse_number(percent)[0] / 100, 0.0, source, degrees=parse_number(degrees)[0])
    match = re.fullmatch(
        r"\s*(?:±|\+-|\+/-)?\s*\(?\s*([\d.,]+)\s*%(?:\s*(?:rdg|of reading))?"
        r"(?:\s*\+\s*([\d.,]+)\s*(?:counts?|digits?|dgts?|d|ct)?)?\s*\)?\s*",
        text,
    )
    if not match:
        degrees_meant = "°" in text or "deg" in text.lower() or function is Function.TEMPERATURE
        raise UsageError(
            f"accuracy {text!r} can't be read", hint=f"{_HINT}{_THERMOMETER_HINT if degrees_meant else ''}"
        )
    fraction = parse_number(match.group(1))[0] / 100
    counts = parse_number(match.group(2))[0] if match.group(2) else 0.0
    return Accuracy(fraction, counts, source, bare=match.group(2) is None)
