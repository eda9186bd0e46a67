"""Winding resistance, leakage, magnetising inductance and capacitance from a frequency sweep, by least squares.

Generator (with its resistance Rs) on the N-turn winding, a separate sense loop. Two things are seen at each
frequency: the complex ratio of winding to loop, N (1 + (Rw + jw Ls) / (jw L)), and how the level at the winding
follows Z / (Rs + Z). The level shows L where wL is near Rs and C where 1/wC is; the phase of the ratio shows Rw / wL.
Leakage changes the ratio by the constant Ls / L: it is separable from turns and gain only as far as these are known.

Gains of the ranges used, the delay between the channels and the gain of the set-up are parameters too, held by what
is known of them, so that the uncertainties of the physical ones contain them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from benchlog.errors import UsageError
from benchlog.magnetics.transformer import Transformer
from benchlog.metrology.budget import coverage_factor
from benchlog.result import Uncertain

FloatArray = npt.NDArray[np.float64]

#: Half-width of a generator's level error against frequency and setting, relative (common practice, no source).
GENERATOR_FLATNESS = 0.005
#: Sense loop with probe: (w/w0)^2 of it may remain in a ratio; 150 nH with 100 pF resonate at 41 MHz.
_LOOP_RESONANCE_HZ = 41e6
FEWEST_POINTS = 5


@dataclass(frozen=True, slots=True)
class SweepPoint:
    """What was measured at one frequency."""

    frequency_hz: float
    #: ratio, u_ratio: Turns as measured, not corrected, and relative standard uncertainty by noise.
    ratio: float
    u_ratio: float
    #: phase_deg, u_phase_deg: Of winding against loop, and standard uncertainty by noise.
    phase_deg: float
    u_phase_deg: float
    level: float  #: Peak voltage at the winding over the open-circuit peak the generator was set to.
    #: winding_range, loop_range: Full scales the two channels were on; they show which points share a gain.
    winding_range: float = 1.0
    loop_range: float = 1.0
    amplitude_vpp: float = 0.0  #: Setting of the generator.


@dataclass(frozen=True, slots=True)
class SweepPriors:
    """What is known beforehand."""

    turns: float  #: True turns N, counted; the sweep itself can't separate them from gain and leakage.
    #: gain, u_gain: Measured over true ratio by the channels' gains, and its relative standard uncertainty.
    gain: float
    u_gain: float
    al_h: float  #: Expected inductance of one turn; where the search starts, not a constraint.
    generator_ohm: float
    #: u_range, u_delay_s: Standard uncertainty of a range's gain (relative) and of the delay between the
    #: channels.
    u_range: float
    u_delay_s: float


@dataclass(frozen=True)
class SweepModel:
    """Fitted model of a winding on its core."""

    #: ``winding_resistance`` (ohm), ``leakage`` and ``inductance`` (H), ``capacitance`` (F).
    quantities: dict[str, Uncertain]
    #: Near 1 where model and stated uncertainties describe what was seen; uncertainties are widened above 1.
    reduced_chi_squared: float
    #: Shape (n_points,). Fitted gain of the ranges of each point against those of most points; a measured
    #: ratio is divided by it.
    range_gain: FloatArray
    delay_s: float  #: Fitted lead of the winding's channel.
    gain: float  #: Fitted gain of the set-up.
    circuit: Transformer  #: With the fitted values, negative ones set to zero.

    def resolved(self, name: str) -> bool:
        """Whether a quantity is larger than its expanded uncertainty."""
        return self.quantities[name].value > self.quantities[name].expanded_uncertainty

    def ratio(self, frequency_hz: FloatArray) -> npt.NDArray[np.complex128]:
        """Complex ratio the model gives, gain and delay of the set-up included."""
        w = 2 * np.pi * frequency_hz
        return np.asarray(
            self.gain * self.circuit.drive_winding_ratio(frequency_hz) * np.exp(1j * w * self.delay_s)
        )


def fit_sweep(points: Sequence[SweepPoint], priors: SweepPriors) -> SweepModel:
    """Fit the circuit to a sweep.

    Parameters
    ----------
    points : sequence of SweepPoint
        At least five.

    Raises
    ------
    UsageError
        If there are too few points.
    """
    from scipy.optimize import least_squares

    if len(points) < FEWEST_POINTS:
        raise UsageError(
            f"{len(points)} points are too few for a model", hint=f"sweep {FEWEST_POINTS} or more"
        )
    problem = _Problem(points, priors)
    solution = least_squares(problem.residuals, problem.start(), x_scale="jac", method="lm", max_nfev=20_000)
    chi_squared = float(2 * solution.cost)
    # A prior adds one residual for each parameter that it holds, so only the free ones take away.
    freedom = len(solution.fun) - len(solution.x)
    reduced = chi_squared / freedom
    slopes = np.asarray(solution.jac, dtype=np.float64)
    covariance = np.linalg.pinv(slopes.T @ slopes) * max(1.0, reduced)
    return problem.model(solution.x, covariance, reduced, freedom)


class _Problem:
    """Residuals over their standard uncertainties; the first six parameters are those of the circuit and level."""

    def __init__(self, points: Sequence[SweepPoint], priors: SweepPriors) -> None:
        self.priors = priors
        self.f = np.array([p.frequency_hz for p in points])
        self.log_ratio = np.log([p.ratio for p in points])
        self.phase = np.radians([p.phase_deg for p in points])
        self.log_level = np.log([p.level for p in points])
        noise = np.array([p.u_ratio for p in points])
        self.u_log_ratio = np.hypot(noise, (self.f / _LOOP_RESONANCE_HZ) ** 2)
        self.u_phase = np.radians([p.u_phase_deg for p in points])
        self.u_log_level = np.hypot(noise, GENERATOR_FLATNESS / math.sqrt(3))
        self.winding = _Ranges([p.winding_range for p in points])
        self.loop = _Ranges([p.loop_range for p in points])
        self.reactance = 2 * math.pi * priors.al_h * priors.turns**2  # per hertz
        # Logarithm of L over the expected, Rw / ohm, Ls / L, C^2 / F^2, logarithm of the level; the rest in units of what
        # is known of them beforehand: delay, gain, gains of ranges.
        self.units = np.array([1.0, 0.1, 1e-3, 1e-20, 1.0, priors.u_delay_s])

    def start(self) -> FloatArray:
        own = np.array([0.0, 1.0, 0.0, 1.0, 0.0, 0.0])
        return np.concatenate([own, np.zeros(1 + self.winding.free + self.loop.free)])

    def residuals(self, x: FloatArray) -> FloatArray:
        log_l, rw, leakage, farad_squared, log_level, delay = x[:6] * self.units
        log_gain = self._log_gain(x)
        of_winding, of_loop = self._range_gains(x)
        reactance = self.reactance * self.f * math.exp(log_l)
        series = rw + 1j * reactance * leakage
        seen = 1 + series / (1j * reactance)
        level = self._level(series + 1j * reactance, farad_squared)
        gains = self.winding.spread(of_winding)
        ratio = math.log(self.priors.turns) + log_gain + np.log(np.abs(seen)) + gains
        ratio = ratio - self.loop.spread(of_loop)
        phase = np.angle(seen) + 2 * np.pi * self.f * delay
        apart = np.angle(np.exp(1j * (self.phase - phase)))
        return np.concatenate(
            [
                (self.log_ratio - ratio) / self.u_log_ratio,
                apart / self.u_phase,
                (self.log_level - log_level - level - gains) / self.u_log_level,
                x[5:],
            ]
        )

    def _log_gain(self, x: FloatArray) -> float:
        return math.log(self.priors.gain) + self.priors.u_gain * float(x[6])

    def _range_gains(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        gains = self.priors.u_range * x[7:]
        return gains[: self.winding.free], gains[self.winding.free :]

    def _level(self, impedance: npt.NDArray[np.complex128], farad_squared: float) -> FloatArray:
        """Logarithm of the level behind the generator's resistance.

        Where capacitance hardly shows, its effect goes with the square: taken as a parameter, that may pass zero.
        """
        ohm = self.priors.generator_ohm
        charging = 2j * np.pi * self.f * math.sqrt(abs(farad_squared))
        without = -np.log(np.abs(1 + ohm / impedance))
        along = -np.log(np.abs(1 + ohm * (1 / impedance + charging)))
        return np.asarray(along if farad_squared >= 0 else 2 * without - along)

    def model(
        self, x: FloatArray, covariance: npt.NDArray[np.floating[Any]], reduced: float, freedom: int
    ) -> SweepModel:
        spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        log_l, rw, leakage, farad_squared, _, delay = x[:6] * self.units
        u_log_l, u_rw, u_leakage, u_farad_squared = (spread[:6] * self.units)[:4]
        of_winding, of_loop = self._range_gains(x)
        henry = self.priors.al_h * self.priors.turns**2 * math.exp(log_l)
        k = coverage_factor(float(freedom))

        def settled(value: float, u: float, unit: str) -> Uncertain:
            return Uncertain(float(value), float(u), float(k * u), unit, k, float(freedom))

        farad = math.sqrt(max(farad_squared, 0.0))
        most = math.sqrt(max(farad_squared, 0.0) + k * u_farad_squared)
        u_farad = u_farad_squared / (2 * farad) if farad**2 > k * u_farad_squared else (most - farad) / k
        u_leak_h = henry * math.hypot(u_leakage, leakage * u_log_l)
        return SweepModel(
            quantities={
                "winding_resistance": settled(rw, u_rw, "ohm"),
                "leakage": settled(henry * leakage, u_leak_h, "H"),
                "inductance": settled(henry, henry * u_log_l, "H"),
                "capacitance": settled(farad, u_farad, "F"),
            },
            reduced_chi_squared=reduced,
            range_gain=np.exp(self.winding.spread(of_winding) - self.loop.spread(of_loop)),
            delay_s=float(delay),
            gain=math.exp(self._log_gain(x)),
            circuit=Transformer(
                self.priors.turns,
                henry / self.priors.turns**2,
                max(0.0, float(rw)),
                max(0.0, float(henry * leakage)),
                max(0.0, float(farad)),
            ),
        )


class _Ranges:
    """Gains of one channel's ranges: one parameter for each but the range used most, which is the reference."""

    def __init__(self, full_scales: Sequence[float]) -> None:
        names = [f"{scale:.4g}" for scale in full_scales]
        reference = max(dict.fromkeys(names), key=names.count)
        others = [name for name in dict.fromkeys(names) if name != reference]
        self.free = len(others)
        self._place = np.array([others.index(n) if n != reference else self.free for n in names])

    def spread(self, gains: FloatArray) -> Any:
        """Gain (logarithm) of each point, array of shape (n_points,)."""
        return np.append(gains, 0.0)[self._place]
