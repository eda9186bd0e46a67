"""What check standards and other meters showed of one meter: its error on one range, best estimate and uncertainty.

A meter has one gain and one zero error per function and range. Before anything is read they are known by its data sheet
alone: anywhere within the bound, as a rectangle. Each reading of a check standard shows their sum at one value, as
uncertain as the standard and the display; each cross-check shows the difference of two meters, as uncertain as the other
one. The estimate is the best linear one (GUM 3.2.3: a known systematic effect is corrected, with the uncertainty of the
correction). It needs the mean and the variance of the rectangle only, so that a meter a little outside its data sheet is
still covered.

How a meter shares its bound between gain and zero is not known: it is worked out for both extremes (one fraction of the
whole bound; gain and zero apart), and the larger uncertainty counts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from benchlog.influence import Influence, Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.budget import uncertain

__all__ = ["AT_REST", "KnownError", "MeterRange", "Observation", "known_error"]

#: Standard uncertainty of a handheld's settled display, in counts: rounding, and 0.3 counts of scatter before it (common
#: practice, no source).
AT_REST = math.hypot(1 / math.sqrt(12), 0.3)
#: A year after it was checked, a meter's error has moved by as much as its data sheet leaves open (standard deviation of a
#: random walk; data sheets hold for a year, so no good meter moves more; judgement).
YEAR_S = 365.25 * 86400.0
#: From day to day, room and battery move it by this share of what its data sheet leaves open (judgement).
DAY_TO_DAY = 0.1
#: What leaves more of the data sheet's uncertainty than this is not worth a correction (judgement).
_WORTH_IT = 0.9

_Floats = npt.NDArray[np.float64]


class MeterRange(msgspec.Struct, frozen=True):
    """One range of one function of a meter, told by its resolution: it has one gain and one zero error."""

    meter: str
    function: str
    resolution: float


class Observation(msgspec.Struct, frozen=True):
    """A reading of a check standard, or of a node together with another meter.

    Attributes
    ----------
    on : MeterRange
    shown : float
        What the meter showed, SI.
    expected : float
        What the standard is stated to be, or what the other meter showed.
    age_s : float
        How long ago.
    standard : str
        Tag of the check standard; empty for a cross-check.
    u_standard : float
        Standard uncertainty of the standard's value.
    other : MeterRange or None
        Range of the other meter.
    scatter : float
        Standard uncertainty by which the node moved or scattered between the two meters.
    """

    on: MeterRange
    shown: float
    expected: float
    age_s: float
    standard: str = ""
    u_standard: float = 0.0
    other: MeterRange | None = None
    scatter: float = 0.0

    def ends(self) -> Iterable[tuple[MeterRange, float, float]]:
        """Ranges it says something of, with the sign of their error in the difference, and what each showed."""
        yield self.on, 1.0, self.shown
        if self.other is not None:
            yield self.other, -1.0, self.expected


@dataclass(frozen=True, slots=True)
class _Part:
    """What one standard or meter contributes to the estimate of an error."""

    influence: Influence
    u: float
    scale: float  # change of the error's estimate for a relative error of one of it; see `benchlog.result.BudgetLine`


@dataclass(frozen=True, slots=True)
class _Estimate:
    """Estimate of the error, or of its gain or zero part: value, own uncertainty, and what else it rests on."""

    value: float
    u_own: float
    parts: tuple[_Part, ...]

    @property
    def u(self) -> float:
        return math.hypot(self.u_own, *(part.u for part in self.parts))


@dataclass(frozen=True, slots=True)
class KnownError:
    """Error of a meter on one range, as known at one value: ``true = shown - error``.

    Attributes
    ----------
    by : tuple of str
        Tags of the standards and meters that showed it.
    last_age_s : float
        How long ago the latest of them was read.
    u_data_sheet : float
        Standard uncertainty by the data sheet alone.
    """

    by: tuple[str, ...]
    last_age_s: float
    u_data_sheet: float
    _whole: _Estimate
    _gain: _Estimate
    _zero: _Estimate

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


def _number(
    estimate: _Estimate, label: str, influence: Influence, scale: float | None, applied: float
) -> Any:
    number = uncertain(
        -estimate.value, estimate.u_own, label=label, influence=influence, scale=scale, applied=applied
    )
    for part in estimate.parts:
        what = "check standard" if part.influence.role is Role.CHECK_STANDARD else "cross-check with"
        number += uncertain(
            0.0,
            part.u,
            label=f"{what} {part.influence.instrument}",
            influence=part.influence,
            scale=part.scale,
        )
    return number


def known_error(
    on: MeterRange,
    shown: float,
    claims: Mapping[MeterRange, Accuracy],
    seen: Sequence[Observation],
) -> KnownError | None:
    """Estimate the error of a reading from what was seen of its meter.

    Parameters
    ----------
    on : MeterRange
        Range of the reading.
    shown : float
        The reading, SI.
    claims : mapping of MeterRange to Accuracy
        Data sheets of all ranges in `on` and `seen`.
    seen : sequence of Observation
        Of any meters, none later than the reading; those of another sign than the reading are left out.

    Returns
    -------
    KnownError or None
        None where nothing was seen of this range, or hardly more is known by it than by the data sheet.
    """
    if not shown:
        return None
    seen = _connected(on, [s for s in seen if s.shown * shown > 0 and s.expected * shown > 0])
    if not seen:
        return None
    model = _Model(on, claims, seen)
    whole = model.estimate(abs(shown), 1.0, math.copysign(1.0, shown))
    u_data_sheet = claims[on].standard_uncertainty(shown, on.resolution)
    if whole.u > _WORTH_IT * u_data_sheet:
        return None
    mine = [s for s in seen if any(end == on for end, _, _ in s.ends())]
    by = [s.standard or next(end.meter for end, _, _ in s.ends() if end != on) for s in mine]
    return KnownError(
        tuple(dict.fromkeys(by)),
        min(s.age_s for s in mine),
        u_data_sheet,
        whole,
        model.estimate(1.0, 0.0, 1.0),
        model.estimate(0.0, 1.0, math.copysign(1.0, shown)),
    )


def _connected(on: MeterRange, seen: Sequence[Observation]) -> list[Observation]:
    """Those observations that say something of a range, directly or through other meters."""
    reached = {on}
    while True:
        used = [s for s in seen if any(end in reached for end, _, _ in s.ends())]
        now = {end for s in used for end, _, _ in s.ends()} | reached
        if now == reached:
            return used
        reached = now


class _Model:
    """Linear model of all gains and zeros: difference seen = error of one meter - error of the other + noise."""

    def __init__(
        self, on: MeterRange, claims: Mapping[MeterRange, Accuracy], seen: Sequence[Observation]
    ) -> None:
        self.on, self.seen = on, seen
        self.ranges = list(dict.fromkeys([on, *(end for s in seen for end, _, _ in s.ends())]))
        n = len(seen)
        self.rows = np.zeros((n, 2 * len(self.ranges)))
        moved = np.zeros((n, len(self.ranges)))  # standard uncertainty by the data sheet, with its sign
        self.noise = np.diag([s.scatter**2 for s in seen])
        self.priors = [np.zeros((2 * len(self.ranges),) * 2) for _ in range(2)]
        for k, end in enumerate(self.ranges):
            width = np.array([claims[end].fraction, max(claims[end].counts, 0.5) * end.resolution])
            at = slice(2 * k, 2 * k + 2)
            self.priors[0][at, at] = np.outer(width, width) / 3  # one fraction of the whole bound
            self.priors[1][at, at] = np.diag(width**2) / 3  # gain and zero apart
            for i, s in enumerate(seen):
                for other, sign, shown in s.ends():
                    if other == end:
                        self.rows[i, at] = sign * abs(shown), sign
                        moved[i, k] = sign * width @ (abs(shown), 1) / math.sqrt(3)
                        self.noise[i, i] += (AT_REST * end.resolution) ** 2
        ages = np.array([max(s.age_s, 0.0) for s in seen])
        years = np.minimum.outer(ages, ages) / YEAR_S
        daily = DAY_TO_DAY**2 * np.eye(n)
        self.drift = [np.outer(m, m) * (years + daily) for m in moved.T]
        of_standard = np.array([s.u_standard for s in seen])
        same = np.array([[bool(a.standard) and a.standard == b.standard for b in seen] for a in seen])
        self.standards = np.outer(of_standard, of_standard) * same
        self.rest = self.noise + self.standards + sum(self.drift)
        self.sign = math.copysign(1.0, seen[0].shown)
        self.seen_difference = self.sign * np.array([s.shown - s.expected for s in seen])
        self.totals = [self.rows @ prior @ self.rows.T + self.rest for prior in self.priors]
        self.misfit = _misfit(self.totals, self.seen_difference)

    def estimate(self, gain: float, zero: float, sign: float) -> _Estimate:
        """Estimate ``gain`` x gain error + ``zero`` x zero error; what it does today is in it."""
        wanted = np.zeros(2 * len(self.ranges))
        wanted[:2] = gain, zero
        weights = np.mean(
            [
                np.linalg.solve(total, self.rows @ prior @ wanted)
                for total, prior in zip(self.totals, self.priors, strict=True)
            ],
            axis=0,
        )
        left = wanted - weights @ self.rows
        worst = max(self.priors, key=lambda prior: float(left @ prior @ left))
        today = (AT_REST * self.on.resolution * zero) ** 2 + DAY_TO_DAY**2 * float(wanted @ worst @ wanted)
        own = self._own(left, worst, weights, 0) + float(weights @ self.noise @ weights) + today
        return _Estimate(
            sign * float(weights @ self.seen_difference),
            math.sqrt(own) * self.misfit,
            (*self._from_standards(weights, sign), *self._from_meters(left, worst, weights, sign)),
        )

    def _own(self, left: _Floats, prior: _Floats, weights: _Floats, k: int) -> float:
        """Variance through the errors of one range of a meter, and how they moved."""
        at = slice(2 * k, 2 * k + 2)
        return float(left[at] @ prior[at, at] @ left[at] + weights @ self.drift[k] @ weights)

    def _from_standards(self, weights: _Floats, sign: float) -> Iterable[_Part]:
        for tag in dict.fromkeys(s.standard for s in self.seen if s.standard):
            mine = [i for i, s in enumerate(self.seen) if s.standard == tag]
            u = sum(weights[i] * self.seen[i].u_standard for i in mine)
            moves = sign * self.sign * sum(weights[i] * self.seen[i].expected for i in mine)
            influence = Influence(Role.CHECK_STANDARD, tag, self.seen[mine[0]].on.function)
            yield _Part(influence, abs(float(u)) * self.misfit, float(moves))

    def _from_meters(self, left: _Floats, prior: _Floats, weights: _Floats, sign: float) -> Iterable[_Part]:
        for k, end in enumerate(self.ranges[1:], 1):
            u = math.sqrt(self._own(left, prior, weights, k))
            moves = (
                -sign
                * self.sign
                * sum(
                    weights[i] * s_sign * shown
                    for i, s in enumerate(self.seen)
                    for other, s_sign, shown in s.ends()
                    if other == end
                )
            )
            influence = Influence(Role.CROSS_CHECK, end.meter, end.function)
            yield _Part(influence, u * self.misfit, float(moves))


def _misfit(totals: Sequence[_Floats], seen: _Floats) -> float:
    """Factor of the uncertainty where the observations fit neither data sheets nor each other; else 1.

    Root of chi square over its 95.45 % point (Wilson and Hilferty's approximation), for the better fitting extreme.
    """
    n = len(seen)
    square = min(float(seen @ np.linalg.solve(total, seen)) for total in totals)
    point = n * (1 - 2 / (9 * n) + 1.690 * math.sqrt(2 / (9 * n))) ** 3
    return max(1.0, math.sqrt(square / point))
