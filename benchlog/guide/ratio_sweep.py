"""A frequency sweep of a turns ratio: one point from one record, and the fitted model beside the points."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchlog.capture import Capture
from benchlog.checks.ratio_model import RatioSetup
from benchlog.checks.scope_channels import CHANNEL_DELAY_S, DIVIDER_DELAY_S, fit_pair, with_probes
from benchlog.errors import AnalysisError
from benchlog.finding import Finding, FindingKind
from benchlog.magnetics.sweep_fit import SweepModel, SweepPoint, SweepPriors, fit_sweep
from benchlog.number_format import format_quantity
from benchlog.result import Result, Uncertain
from benchlog.wording import value_words

#: Points of the model's curve for a picture.
_CURVE = 80
#: Lot tolerance of a core's AL; outside this factor it is another core or there is a shorted turn.
_AL_FACTOR = 2.0
#: Above this the model does not fit.
_MISFIT = 4.0


@dataclass(frozen=True)
class SweptRatio:
    """Points of a sweep and the model fitted to them."""

    points: tuple[SweepPoint, ...]
    model: SweepModel
    turns: float

    @property
    def fits(self) -> bool:
        """Whether the model fits the measured points."""
        return self.model.reduced_chi_squared <= _MISFIT

    def quantities(self) -> dict[str, Uncertain]:
        """Inductance, AL and winding resistance, if the model fits and the sweep resolves them."""
        if not self.fits:
            return {}
        named = {
            name: self.model.quantities[name]
            for name in ("inductance", "winding_resistance")
            if self.model.resolved(name)
        }
        henry = named.get("inductance")
        if henry is not None:
            per = self.turns**2
            named["al"] = Uncertain(
                henry.value / per,
                henry.standard_uncertainty / per,
                henry.expanded_uncertainty / per,
                "H",
                henry.coverage_factor,
                henry.degrees_of_freedom,
            )
        return named

    def as_json(self) -> dict[str, Any]:
        """Plain values for a result's details."""
        f = np.array([p.frequency_hz for p in self.points])
        curve_hz = np.geomspace(f[0], f[-1], _CURVE)
        curve = self.model.ratio(curve_hz)
        return {
            "points": [
                {
                    "frequency_hz": p.frequency_hz,
                    "amplitude_vpp": p.amplitude_vpp,
                    "ratio": p.ratio,
                    "relative_uncertainty": p.u_ratio,
                    "range_gain": float(gain),
                    "phase_deg": p.phase_deg,
                    "phase_uncertainty_deg": p.u_phase_deg,
                    "level": p.level,
                }
                for p, gain in zip(self.points, self.model.range_gain, strict=True)
            ],
            "model": {
                name: {
                    "value": q.value,
                    "standard_uncertainty": q.standard_uncertainty,
                    "expanded_uncertainty": q.expanded_uncertainty,
                    "unit": q.unit,
                    "resolved": self.model.resolved(name),
                }
                for name, q in self.model.quantities.items()
            },
            "fits": self.fits,
            "reduced_chi_squared": self.model.reduced_chi_squared,
            "channel_delay_s": self.model.delay_s,
            "gain": self.model.gain,
            "curve": {
                "frequency_hz": curve_hz.tolist(),
                "ratio": np.abs(curve).tolist(),
                "phase_deg": np.degrees(np.angle(curve)).tolist(),
            },
        }


def ratio_point(capture: Capture, setup: RatioSetup, frequency_hz: float, amplitude_vpp: float) -> SweepPoint:
    """Ratio, phase and level of one record, gains not corrected.

    Parameters
    ----------
    capture : Capture
        As connected, not swapped.
    frequency_hz, amplitude_vpp : float
        Settings of the generator.

    Raises
    ------
    AnalysisError
        If the record can't be fitted or a finding blocks it.
    """
    capture = with_probes(capture, setup.probes)
    pair = fit_pair(capture, setup.secondary, setup.primary)
    if pair.blocking:
        raise AnalysisError(f"at {format_quantity(frequency_hz, 'Hz', 3)}: {pair.blocking[0]}")
    seen = pair.fit.ratio(0, 1)
    divider = setup.divider or 1.0
    winding, loop = (capture.channel(name) for name in (setup.secondary, setup.primary))
    phase = seen.phase_deg
    if abs(phase) > 90:  # a reversed winding is reported with the ratio; the curve is drawn anyway
        phase -= math.copysign(180.0, phase)
    return SweepPoint(
        frequency_hz=frequency_hz,
        ratio=setup.loop_turns * divider * seen.ratio,
        u_ratio=seen.u_ratio / seen.ratio,
        phase_deg=float(phase),
        u_phase_deg=float(seen.u_phase_deg),
        level=float(pair.fit.amplitude[0]) * divider / (amplitude_vpp / 2),
        winding_range=winding.range_max or winding.scale,
        loop_range=loop.range_max or loop.scale,
        amplitude_vpp=amplitude_vpp,
    )


def fitted_sweep(
    points: list[SweepPoint],
    normal: Capture,
    result: Result,
    setup: RatioSetup,
    al_h: float,
    expected_turns: float,
) -> SweptRatio:
    """Fit the model to a sweep, with turns and gain from the judged ratio.

    The most likely whole number of turns is used; the excess of the measured ratio, within its uncertainty, is leakage.
    """
    measured = result.quantities["turns_ratio"]
    counted = (result.turns or {}).get("most_likely") or expected_turns
    plain = ratio_point(normal, setup, result.quantities["frequency"].value, 1.0).ratio
    model = fit_sweep(
        points,
        SweepPriors(
            turns=float(counted),
            gain=plain / measured.value,
            u_gain=measured.standard_uncertainty / measured.value,
            al_h=al_h,
            generator_ohm=setup.generator_ohm,
            u_range=setup.range_gain / math.sqrt(3),
            u_delay_s=math.hypot(CHANNEL_DELAY_S, DIVIDER_DELAY_S if setup.divider is not None else 0.0)
            / math.sqrt(3),
        ),
    )
    return SweptRatio(tuple(points), model, float(counted))


def sweep_findings(swept: SweptRatio, al_h: float) -> list[Finding]:
    """Return findings about core and winding from the fitted model."""
    model = swept.model
    if not swept.fits:
        return [
            Finding(
                FindingKind.SHORTED_TURN,
                f"the sweep does not fit a good winding on one core (reduced chi-squared {model.reduced_chi_squared:.2g}): "
                "a shorted turn, core loss, or a sense loop that moved",
            )
        ]
    inductance = model.quantities["inductance"]
    factor = inductance.value / (al_h * swept.turns**2)
    if not 1 / _AL_FACTOR < factor < _AL_FACTOR:
        return [
            Finding(
                FindingKind.CORE,
                f"the sweep shows an inductance of {value_words(inductance)}, {factor:.2g} times AL "
                f"{format_quantity(al_h, 'H')} times {swept.turns:g}²: "
                + ("a shorted turn or another core" if factor < 1 else "another core"),
            )
        ]
    return []
