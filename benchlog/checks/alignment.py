"""Clocks of two logs: the offset and rate between them, from the parts where the quantity changes."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchlog.metrology.statistics import effective_number, lag1_autocorrelation, mean_and_sd, robust_sd

FloatArray = npt.NDArray[np.float64]
_LONGEST_GRID = 2**17
_LEAST_CORRELATION = 0.5  # below, the two do not show the same events; judgement
_WIDTHS = (1, 4, 16, 64)
_RIVAL = 0.9  # another offset almost as good makes the answer doubtful; judgement


@dataclass(frozen=True, slots=True)
class Alignment:
    """Second clock against the first."""

    #: offset_s, u_offset_s: Second clock minus first at the middle of the common time, second; and its standard
    #: uncertainty, infinite if the logs do not determine it.
    offset_s: float
    u_offset_s: float
    #: rate, u_rate: Seconds per second by which the second clock runs faster.
    rate: float = 0.0
    u_rate: float = math.inf
    correlation: float = 0.0  #: Of the changes, at the best offset.
    reason: str = ""  #: Why there is no offset, empty when there is one.
    middle_s: float = 0.0

    @property
    def significant(self) -> bool:
        """Whether the offset is more than twice its standard uncertainty."""
        return not self.reason and abs(self.offset_s) > 2 * self.u_offset_s

    @property
    def rate_significant(self) -> bool:
        """Whether the rate is more than three times its standard uncertainty."""
        return not self.reason and abs(self.rate) > 3 * self.u_rate

    def first_clock(self, second_time_s: FloatArray) -> FloatArray:
        """Convert times of the second clock to times of the first; only a significant offset or rate is applied."""
        offset = self.offset_s if self.significant or self.rate_significant else 0.0
        rate = self.rate if self.rate_significant else 0.0
        return np.asarray(
            (second_time_s - offset - self.middle_s) / (1 + rate) + self.middle_s, dtype=np.float64
        )


def _nothing(reason: str, correlation: float = 0.0) -> Alignment:
    return Alignment(0.0, math.inf, correlation=correlation, reason=reason)


def align(time_1: FloatArray, first: FloatArray, time_2: FloatArray, second: FloatArray) -> Alignment:
    """Estimate the second clock's offset and rate against the first.

    Cross-correlation of the changes on a common grid gives the offset to a step; least squares of
    first(t) = a + b second(t + offset + rate (t - middle)) refines it. The uncertainty includes the autocorrelation of
    the residuals. A lag of one instrument looks the same as an offset of its clock.

    Parameters
    ----------
    time_1, time_2 : array of shape (n_1,), (n_2,)
        Each in order, second.
    first, second : array of the same shapes
        Finite readings.
    """
    if time_1.size < 10 or time_2.size < 10:
        return _nothing("fewer than ten readings")
    step_1, step_2 = float(np.median(np.diff(time_1))), float(np.median(np.diff(time_2)))
    if step_2 > step_1:
        # The faster log is interpolated at the slower one's times, so that residuals stay independent.
        back = align(time_2, second, time_1, first)
        if back.reason:
            return back
        return replace(back, offset_s=-back.offset_s, rate=-back.rate, middle_s=back.middle_s + back.offset_s)
    step = step_1
    span = max(time_1[-1] - time_1[0], time_2[-1] - time_2[0])
    if not step > 0 or not span > 0:
        return _nothing("the times do not increase")
    step = max(step, span / _LONGEST_GRID)
    # If the quantity moves slowly, changes over one step are lost in noise: longer steps are tried too.
    trials = [
        (*_coarse_offset(time_1, first, time_2, second, step * width), step * width)
        for width in _WIDTHS
        if span / (step * width) >= 10
    ]
    if not trials:
        return _nothing("too short to tell")
    coarse, correlation, rival, step = max(trials, key=lambda trial: trial[1] - trial[2])
    if abs(correlation) < _LEAST_CORRELATION:
        return _nothing("their changes don't match, or nothing changes", correlation)
    if rival > _RIVAL * abs(correlation):
        return _nothing("several offsets fit almost equally well", correlation)
    return _refine(time_1, first, time_2, second, coarse, step, correlation)


def _changes(time_s: FloatArray, values: FloatArray, step: float) -> FloatArray:
    """Changes from one grid step to the next, of means over a step."""
    grid = np.arange(time_s[0], time_s[-1] + step / 2, step)
    area = np.concatenate(([0.0], np.cumsum(np.diff(time_s) * (values[1:] + values[:-1]) / 2)))
    change = np.diff(np.diff(np.interp(grid, time_s, area)) / step)
    change -= change.mean()
    return np.asarray(change, dtype=np.float64)


def _coarse_offset(
    time_1: FloatArray, first: FloatArray, time_2: FloatArray, second: FloatArray, step: float
) -> tuple[float, float, float]:
    """Return offset, correlation there, and that of the best offset far from it."""
    a, b = _changes(time_1, first, step), _changes(time_2, second, step)
    size = 1 << (a.size + b.size - 1).bit_length()
    products = np.fft.irfft(np.fft.rfft(b, size) * np.conj(np.fft.rfft(a, size)), size)
    lags = np.arange(-(a.size - 1), b.size)
    products = products[lags]
    # Correlation over the common part only, at least a third of the shorter log.
    energy_a, energy_b = np.concatenate(([0], np.cumsum(a * a))), np.concatenate(([0], np.cumsum(b * b)))
    begin, end = np.maximum(lags, 0), np.minimum(lags + a.size, b.size)
    overlap = end - begin
    shared = (energy_b[end] - energy_b[begin]) * (energy_a[end - lags] - energy_a[begin - lags])
    # An offset at which hardly anything changes in the common part proves nothing.
    enough = (overlap >= max(8, min(a.size, b.size) // 3)) & (shared > 0.04 * energy_a[-1] * energy_b[-1])
    values = np.where(enough, products / np.sqrt(np.maximum(shared, 1e-300)), 0.0)
    best = int(np.argmax(values))
    top = float(values[best])
    left, right = best, best
    while left > 0 and values[left - 1] <= values[left] and values[left] > 0:
        left -= 1
    while right < values.size - 1 and values[right + 1] <= values[right] and values[right] > 0:
        right += 1
    far = np.concatenate((values[:left], values[right + 1 :]))
    away = np.concatenate((lags[:left], lags[right + 1 :]))
    far = far[np.abs(away - lags[best]) > 3]
    rival = float(far.max()) if far.size else 0.0
    return float(lags[best]) * step + float(time_2[0] - time_1[0]), top, rival


def _refine(
    time_1: FloatArray,
    first: FloatArray,
    time_2: FloatArray,
    second: FloatArray,
    offset: float,
    step: float,
    correlation: float,
) -> Alignment:
    middle, rate = 0.0, 0.0
    scale = float(first.std()) or 1.0
    design = residual = slope = np.empty(0)
    for round_ in range(30):
        seen_at = time_1 + offset + rate * (time_1 - middle)
        inside = (seen_at >= time_2[0] + step) & (seen_at <= time_2[-1] - step)
        if inside.sum() < 10:
            return _nothing("hardly any overlap in time", correlation)
        if round_ == 0:
            middle = float(time_1[inside].mean())
        at, t = seen_at[inside], time_1[inside]
        value = np.interp(at, time_2, second)
        slope = (np.interp(at + step / 2, time_2, second) - np.interp(at - step / 2, time_2, second)) / step
        length = max(float(t[-1] - t[0]), step)
        gain = np.polyfit(value, first[inside], 1)[0] if value.std() > 0 else 1.0
        design = np.column_stack(
            (np.ones_like(t), value, gain * slope * step, gain * slope * (t - middle) / length * step)
        )
        solution, _, rank, _ = np.linalg.lstsq(design, first[inside], rcond=1e-9)
        residual = first[inside] - design @ solution
        if rank < 3:
            return _nothing("nothing changes", correlation)
        # Far from the solution a full step can overshoot.
        move = float(np.clip(solution[2], -2, 2)) * step
        turn = float(np.clip(solution[3], -2, 2)) * step / length
        offset, rate = offset + move, rate + turn
        if abs(move) < 1e-4 * step and abs(turn) * length < 1e-4 * step:
            break
    covariance = np.linalg.pinv(design.T @ design)
    # Part of the slope is noise of the second log, which carries no timing information.
    noise = robust_sd(np.diff(second, 2)) / math.sqrt(6)
    steepness = float((slope**2).mean())
    real = steepness - 2 * noise**2 / step**2
    if not real > 0.02 * steepness:
        return _nothing("the changes are smaller than the noise", correlation)
    sd = max(mean_and_sd(residual)[1], 1e-12 * scale)
    memory = residual.size / effective_number(residual.size, lag1_autocorrelation(residual))
    u = sd * np.sqrt(np.maximum(np.diag(covariance), 0.0) * memory) * (steepness / real)
    length = max(float(time_1[-1] - time_1[0]), step)
    return Alignment(
        offset_s=offset,
        u_offset_s=float(u[2]) * step,
        rate=rate,
        u_rate=float(u[3]) * step / length,
        correlation=correlation,
        middle_s=middle,
    )


def pair(
    time_1: FloatArray, time_2: FloatArray, second: FloatArray, longest_gap: float = 5.0
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Interpolate the second log at the first's times.

    Returns the values and where they are valid: inside the second log's time span, and not across a gap longer than
    `longest_gap` usual steps.
    """
    values = np.interp(time_1, time_2, second)
    inside = (time_1 >= time_2[0]) & (time_1 <= time_2[-1])
    steps = np.diff(time_2)
    limit = longest_gap * float(np.median(steps)) if steps.size else 0.0
    after = np.clip(np.searchsorted(time_2, time_1, side="left"), 1, time_2.size - 1)
    near = (steps[after - 1] <= limit) | np.isin(time_1, time_2)
    return np.asarray(values, dtype=np.float64), np.asarray(inside & near)
