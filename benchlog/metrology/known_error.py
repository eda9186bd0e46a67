"""A meter's error on one range, estimated from its checks on standards and against other meters.

A meter has one gain and one zero error per function and range. At first only the data sheet is known: the errors lie
anywhere within its bound (a rectangle). Each reading of a check standard shows their sum at one value, with the
uncertainty of standard and display; each cross-check shows the difference of two meters, with the uncertainty of the
other one. The estimate is the best linear one (GUM 3.2.3: a known systematic effect is corrected, with the uncertainty
of the correction). It uses only mean and variance of the rectangle, so a meter slightly outside its data sheet is still
covered.

How much of the bound is gain and how much is zero error is not known: both extremes are computed (one error over the
whole bound; gain and zero separate), and the larger uncertainty counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import msgspec

from benchlog.influence import Influence, Role
from benchlog.metrology.budget import uncertain

#: Standard uncertainty of a handheld's settled display, in counts: rounding, and 0.3 counts of scatter before it (common
#: practice, no source).
AT_REST = math.hypot(1 / math.sqrt(12), 0.3)
#: In a year a meter's error moves by as much as its data sheet allows (standard deviation of a random walk; data sheets
#: are stated for a year, so no good meter moves more; judgement).
YEAR_S = 365.25 * 86400.0
#: From day to day, room temperature and battery move it by this share of its data sheet's bound (judgement).
DAY_TO_DAY = 0.1


class MeterRange(msgspec.Struct, frozen=True):
    """One range of one function of a meter, known by its resolution: it has one gain and one zero error."""

    meter: str
    function: str
    resolution: float


class Observation(msgspec.Struct, frozen=True):
    """A reading of a check standard, or of a node together with another meter."""

    on: MeterRange
    shown: float  #: What the meter showed, SI.
    expected: float  #: What the standard is stated to be, or what the other meter showed.
    age_s: float  #: How long ago.
    standard: str = ""  #: Tag of the check standard; empty for a cross-check.
    half_width: float = 0.0  #: Of the standard's value: it is stated to be within.
    other: MeterRange | None = None  #: Range of the other meter.
    scatter: float = 0.0  #: Standard uncertainty by which the node moved or scattered between the two meters.

    def ends(self) -> Iterable[tuple[MeterRange, float, float]]:
        """Ranges involved: range, sign of its error in the difference, value shown."""
        yield self.on, 1.0, self.shown
        if self.other is not None:
            yield self.other, -1.0, self.expected


@dataclass(frozen=True, slots=True)
class Part:
    """Contribution of one standard or meter to the estimate of an error."""

    influence: Influence
    u: float
    half_widths: tuple[float, ...]  # what of `u` is a data sheet's bound or a standard's, see `BudgetLine`
    scale: float  # change of the estimate for a relative error of 1 in it; see `benchlog.result.BudgetLine`


@dataclass(frozen=True, slots=True)
class Estimate:
    """Estimate of the error, or of its gain or zero part: value, own uncertainty, and contributions of others."""

    value: float
    u_own: float
    half_widths: tuple[float, ...]
    parts: tuple[Part, ...]

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return math.hypot(self.u_own, *(part.u for part in self.parts))


@dataclass(frozen=True, slots=True)
class KnownError:
    """Error of a meter on one range, as known at one value: ``true = shown - error``."""

    by: tuple[str, ...]  #: Tags of the standards and meters that showed it.
    last_age_s: float  #: How long ago the latest of them was read.
    u_data_sheet: float  #: Standard uncertainty by the data sheet alone.
    _whole: Estimate
    _gain: Estimate
    _zero: Estimate

    @property
    def value(self) -> float:
        """Best estimate of the error at the reading, in its unit."""
        return self._whole.value

    @property
    def standard_uncertainty(self) -> float:
        """Of the reading after correction, rounding of its display included."""
        return self._whole.u

    def whole(self, label: str, influence: Influence, shown: float) -> Any:
        """Minus the error as an uncertain number, to be added to what is shown."""
        applied = self.value / shown if shown else 0.0
        return _number(self._whole, label, influence, shown, applied)

    def gain(self, label: str, influence: Influence) -> Any:
        """Minus the gain error, relative, as an uncertain number."""
        return _number(self._gain, label, influence, 1.0, self._gain.value)

    def zero(self, label: str, influence: Influence) -> Any:
        """Minus the zero error as an uncertain number."""
        return _number(self._zero, label, influence, None, 0.0)


def _number(estimate: Estimate, label: str, influence: Influence, scale: float | None, applied: float) -> Any:
    number = uncertain(
        -estimate.value,
        estimate.u_own,
        label=label,
        influence=influence,
        scale=scale,
        applied=applied,
        half_widths=estimate.half_widths,
    )
    for part in estimate.parts:
        what = "check standard" if part.influence.role is Role.CHECK_STANDARD else "cross-check with"
        number += uncertain(
            0.0,
            part.u,
            label=f"{what} {part.influence.instrument}",
            influence=part.influence,
            scale=part.scale,
            half_widths=part.half_widths,
        )
    return number
