"""Best linear estimate of a meter's error from what check standards and other meters showed of it.

See `benchlog.metrology.known_error` for what is known and how.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from benchlog.influence import Influence, Role
from benchlog.metrology.accuracy import Accuracy
from benchlog.metrology.known_error import (
    AT_REST,
    DAY_TO_DAY,
    YEAR_S,
    Estimate,
    KnownError,
    MeterRange,
    Observation,
    Part,
)

#: An estimate that leaves more of the data sheet's uncertainty than this is not worth a correction (judgement).
_WORTH_IT = 0.9

_Floats = npt.NDArray[np.float64]


def known_error(
    on: MeterRange,
    shown: float,
    claims: Mapping[MeterRange, Accuracy],
    seen: Sequence[Observation],
) -> KnownError | None:
    """Estimate the error of a reading from observations of its meter.

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
        None if this range was never observed, or the estimate is hardly better than the data sheet.
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
    """Observations of a range, directly or through other meters."""
    reached = {on}
    while True:
        used = [s for s in seen if any(end in reached for end, _, _ in s.ends())]
        now = {end for s in used for end, _, _ in s.ends()} | reached
        if now == reached:
            return used
        reached = now


def _seen_at(end: MeterRange, seen: Sequence[Observation]) -> Iterator[tuple[int, float, float]]:
    """Number, sign and value of each observation with this meter range at one of its ends."""
    for number, observation in enumerate(seen):
        for other, sign, shown in observation.ends():
            if other == end:
                yield number, sign, shown


def _drift(seen: Sequence[Observation], moved: _Floats) -> list[_Floats]:
    """Covariance of the observations by drift, per range: two of them share the drift since the older one."""
    ages = np.array([max(s.age_s, 0.0) for s in seen])
    years = np.minimum.outer(ages, ages) / YEAR_S
    return [np.outer(m, m) * (years + DAY_TO_DAY**2 * np.eye(len(seen))) for m in moved.T]


def _of_standards(seen: Sequence[Observation]) -> _Floats:
    """Covariance by the standards' own errors: one standard is off by the same amount each time."""
    u = np.array([s.half_width for s in seen]) / math.sqrt(3)
    same = np.array([[bool(a.standard) and a.standard == b.standard for b in seen] for a in seen])
    covariance: _Floats = np.outer(u, u) * same
    return covariance


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
        self.widths = [
            np.array([claims[end].fraction, max(claims[end].fixed(end.resolution) - end.resolution / 2, 0.0)])
            for end in self.ranges
        ]  # the counts contain the rounding of the display, which is among the noise
        for k, (end, width) in enumerate(zip(self.ranges, self.widths, strict=True)):
            at = slice(2 * k, 2 * k + 2)
            self.priors[0][at, at] = np.outer(width, width) / 3  # one fraction of the whole bound
            self.priors[1][at, at] = np.diag(width**2) / 3  # gain and zero apart
            for i, sign, shown in _seen_at(end, seen):
                self.rows[i, at] = sign * abs(shown), sign
                moved[i, k] = sign * width @ (abs(shown), 1) / math.sqrt(3)
                self.noise[i, i] += (AT_REST * end.resolution) ** 2
        self.drift = _drift(seen, moved)
        self.standards = _of_standards(seen)
        self.rest = self.noise + self.standards + sum(self.drift)
        self.sign = math.copysign(1.0, seen[0].shown)
        self.seen_difference = self.sign * np.array([s.shown - s.expected for s in seen])
        self.totals = [self.rows @ prior @ self.rows.T + self.rest for prior in self.priors]
        self.misfit = _misfit(self.totals, self.seen_difference)

    def estimate(self, gain: float, zero: float, sign: float) -> Estimate:
        """Estimate ``gain`` x gain error + ``zero`` x zero error, drift until today included."""
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
        return Estimate(
            sign * float(weights @ self.seen_difference),
            math.sqrt(own) * self.misfit,
            self._bound(left, 0),
            (*self._from_standards(weights, sign), *self._from_meters(left, worst, weights, sign)),
        )

    def _own(self, left: _Floats, prior: _Floats, weights: _Floats, k: int) -> float:
        """Variance through the errors of one range of a meter, and how they moved."""
        at = slice(2 * k, 2 * k + 2)
        return float(left[at] @ prior[at, at] @ left[at] + weights @ self.drift[k] @ weights)

    def _bound(self, left: _Floats, k: int) -> tuple[float, float, float]:
        """Signed half-widths of the gain and zero error that remain for one range; its rounding counts as noise."""
        gain, zero = left[2 * k : 2 * k + 2] * self.widths[k] * self.misfit
        return float(gain), float(zero), 0.0

    def _from_standards(self, weights: _Floats, sign: float) -> Iterable[Part]:
        for tag in dict.fromkeys(s.standard for s in self.seen if s.standard):
            mine = [i for i, s in enumerate(self.seen) if s.standard == tag]
            width = abs(float(sum(weights[i] * self.seen[i].half_width for i in mine))) * self.misfit
            moves = sign * self.sign * sum(weights[i] * self.seen[i].expected for i in mine)
            influence = Influence(Role.CHECK_STANDARD, tag, self.seen[mine[0]].on.function)
            yield Part(influence, width / math.sqrt(3), (width, 0.0, 0.0), float(moves))

    def _from_meters(self, left: _Floats, prior: _Floats, weights: _Floats, sign: float) -> Iterable[Part]:
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
            yield Part(influence, u * self.misfit, self._bound(left, k), float(moves))


def _misfit(totals: Sequence[_Floats], seen: _Floats) -> float:
    """Factor that widens the uncertainty if the observations fit neither data sheets nor each other; else 1.

    Root of chi square over its 95.45 % point (Wilson and Hilferty's approximation), for the better fitting extreme.
    """
    n = len(seen)
    square = min(float(seen @ np.linalg.solve(total, seen)) for total in totals)
    point = n * (1 - 2 / (9 * n) + 1.690 * math.sqrt(2 / (9 * n))) ** 3
    return max(1.0, math.sqrt(square / point))
