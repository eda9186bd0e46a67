"""Slips in a typed or read value: a wrong power of ten, peak for rms, half, another function or unit.

They only ask. A value is never corrected: 13.6 V for 27.1 V may be half a winding, and stays 13.6 V.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from benchlog.units import Quantity

_WITHIN = 0.05
_PREFIX_WITHIN = 0.3  # only a prefix makes a value about a thousand times another


class SlipKind(StrEnum):
    """What may have slipped."""

    FACTOR_10 = "factor 10"
    FACTOR_100 = "factor 100"
    FACTOR_1000 = "factor 1000"
    ROOT_2 = "root 2"
    HALF = "half"
    DOUBLE = "double"
    AVERAGING_ON_DC = "averaging on dc"
    OTHER_UNIT = "other unit"
    OTHER_FUNCTION = "other function"
    SIGN = "sign"

    @property
    def power_of_ten(self) -> bool:
        """Whether decimal point or prefix may be wrong."""
        return self in (SlipKind.FACTOR_10, SlipKind.FACTOR_100, SlipKind.FACTOR_1000)


@dataclass(frozen=True, slots=True)
class Slip:
    """A possible slip: `kind` for scripts, `question` for the person."""

    kind: SlipKind
    question: str  #: How the value compares, and a possible reason; "27.15 V is" comes before it.

    def noted_of(self, displayed: str) -> str:
        """One line for the record about a value that was kept."""
        return f"{displayed} is {self.question} Nothing was changed."


_RATIOS = (
    (10.0, SlipKind.FACTOR_10, "ten times {than}: is the decimal point where you read it?"),
    (0.1, SlipKind.FACTOR_10, "a tenth of {than}: is the decimal point where you read it?"),
    (100.0, SlipKind.FACTOR_100, "a hundred times {than}: are point and prefix where you read them?"),
    (0.01, SlipKind.FACTOR_100, "a hundredth of {than}: are point and prefix where you read them?"),
    (1000.0, SlipKind.FACTOR_1000, "a thousand times {than}: is the prefix (m, k) as on the display?"),
    (0.001, SlipKind.FACTOR_1000, "a thousandth of {than}: is the prefix (m, k) as on the display?"),
    (math.sqrt(2.0), SlipKind.ROOT_2, "1.41 times {than}: is it a peak value, or is the printed value a peak value?"),
    (math.sqrt(0.5), SlipKind.ROOT_2, "0.71 times {than}: is the expected value a peak value, or is the wave not a sine?"),
    (0.5, SlipKind.HALF, "half {than}: is it one of two windings, or a half-wave?"),
    (2.0, SlipKind.DOUBLE, "twice {than}: are two windings in series, or is it peak to peak?"),
    (2.22, SlipKind.AVERAGING_ON_DC, "2.2 times {than}: is it DC, read on an AC range that lets DC through?"),
)  # fmt: skip


def _by_ratio(expect: Quantity, shown: float, than: str, span: tuple[float, float] | None) -> Iterator[Slip]:
    """Slips that multiply a value by a usual factor."""
    for factor, kind, question in _RATIOS:
        if expect.unit not in ("V", "A") and not kind.power_of_ten:
            continue  # the others are about waveforms and windings
        within = _PREFIX_WITHIN if kind is SlipKind.FACTOR_1000 else _WITHIN
        near = abs(shown / abs(expect.value) / factor - 1.0) <= within
        if near or (span is not None and kind.power_of_ten and span[0] <= shown / factor <= span[1]):
            yield Slip(kind, question.format(than=than))


def find_slips(
    expect: Quantity,
    reading: Quantity,
    *,
    than: str = "the expected value",
    span: tuple[float, float] | None = None,
) -> tuple[Slip, ...]:
    """Return the questions that a reading raises; none when it is as expected or fits no slip.

    Parameters
    ----------
    expect, reading : Quantity
        As typed; neither is changed.
    than : str
        What the reading is compared with, in words.
    span : tuple of float, optional
        Values as good as the expected one, for questions about powers of ten.
    """
    if reading.unit not in ("1", expect.unit):
        return (
            Slip(
                SlipKind.OTHER_UNIT,
                f"in {reading.unit}, but {expect.unit} is expected: is the dial on the right function?",
            ),
        )
    found = []
    if expect.coupling and reading.coupling and expect.coupling != reading.coupling:
        found.append(
            Slip(
                SlipKind.OTHER_FUNCTION,
                f"{reading.coupling}, but {expect.coupling} is expected: is the dial on the right function?",
            )
        )
    if expect.value == 0:
        return tuple(found)
    found += _by_ratio(expect, abs(reading.value), than, span)
    if reading.value * expect.value < 0 and expect.coupling != "ac":
        found.append(Slip(SlipKind.SIGN, "of the opposite sign: are the leads swapped?"))
    return tuple(found)
