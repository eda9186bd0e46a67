"""The fitted model of a sweep against circuits of known truth."""

from __future__ import annotations

import numpy as np
import pytest

from benchlog.errors import UsageError
from benchlog.magnetics.sweep_fit import SweepPoint, SweepPriors, fit_sweep
from benchlog.magnetics.transformer import Transformer

TRUE = Transformer(60, 61e-6, 0.201, 44e-6, 120e-12)
TRUTH = {
    "winding_resistance": 0.201,
    "leakage": 44e-6,
    "inductance": 61e-6 * 3600,
    "capacitance": 120e-12,
}
GAIN = 1.01


def _sweep(
    rng: np.random.Generator, generator_ohm: float, *, noise: float = 3e-4, range_error: float = 0.0
) -> list[SweepPoint]:
    """Points with noise, a fitted-out delay of 2 ns, and a generator that is flat within 0.15 % (standard)."""
    frequency = np.geomspace(40, 3e5, 13)
    ratio = TRUE.drive_winding_ratio(frequency) * GAIN * np.exp(2j * np.pi * frequency * 2e-9)
    level = np.abs(TRUE.drive_winding_level(frequency, generator_ohm)) * 1.003
    points = []
    for f, r, v in zip(frequency, np.asarray(ratio), np.asarray(level), strict=True):
        off = 1 + (range_error if f < 300 else 0.0)
        points.append(
            SweepPoint(
                frequency_hz=float(f),
                ratio=float(abs(r) * off * (1 + noise * rng.normal())),
                u_ratio=noise,
                phase_deg=float(np.degrees(np.angle(r)) + 0.02 * rng.normal()),
                u_phase_deg=0.02,
                level=float(v * off * (1 + noise * rng.normal()) * (1 + 0.0015 * rng.normal())),
                winding_range=2.0 if f < 300 else 8.0,
                loop_range=0.2,
            )
        )
    return points


def _priors(generator_ohm: float, *, gain: float = GAIN) -> SweepPriors:
    return SweepPriors(60, gain, 0.003, 55e-6, generator_ohm, 0.003, 3e-9)


@pytest.mark.parametrize("generator_ohm", [50.0, 1050.0])
def test_stated_uncertainties_hold_the_truth_as_often_as_they_say(generator_ohm: float) -> None:
    """Pooled over quantities and 60 sweeps with gains and ranges drawn again; at least 90 % of 95 % intervals."""
    rng = np.random.default_rng(7)
    inside = dict.fromkeys(TRUTH, 0)
    for _ in range(60):
        points = _sweep(rng, generator_ohm, range_error=0.003 * rng.normal())
        model = fit_sweep(points, _priors(generator_ohm, gain=GAIN * (1 + 0.003 * rng.normal())))
        for name, truth in TRUTH.items():
            q = model.quantities[name]
            inside[name] += abs(q.value - truth) <= q.expanded_uncertainty
    assert all(count >= 54 for count in inside.values()), inside


def test_50_ohm_resolve_inductance_and_resistance_and_bound_the_rest() -> None:
    model = fit_sweep(_sweep(np.random.default_rng(1), 50.0), _priors(50.0))
    resolved = {name for name in TRUTH if model.resolved(name)}
    assert resolved == {"inductance", "winding_resistance"}
    assert model.quantities["inductance"].value == pytest.approx(TRUTH["inductance"], rel=0.02)


def test_1_kilohm_in_series_resolves_the_capacitance() -> None:
    model = fit_sweep(_sweep(np.random.default_rng(1), 1050.0), _priors(1050.0))
    assert model.resolved("capacitance")
    assert model.quantities["capacitance"].value == pytest.approx(120e-12, rel=0.15)
    assert model.delay_s == pytest.approx(2e-9, abs=1e-9)


def test_exact_points_give_the_circuit_back() -> None:
    rng = np.random.default_rng(1)
    points = [
        SweepPoint(p.frequency_hz, float(abs(r)), 1e-6, float(np.degrees(np.angle(r))), 1e-4, float(abs(v)))
        for p in _sweep(rng, 1050.0)
        for r in [complex(TRUE.drive_winding_ratio(p.frequency_hz))]
        for v in [complex(TRUE.drive_winding_level(p.frequency_hz, 1050.0))]
    ]
    model = fit_sweep(points, _priors(1050.0, gain=1.0))
    for name in ("inductance", "winding_resistance", "capacitance"):
        assert model.quantities[name].value == pytest.approx(TRUTH[name], rel=2e-3)
    curve = model.ratio(np.array([1e3]))
    assert curve[0] == pytest.approx(complex(TRUE.drive_winding_ratio(1e3)), rel=1e-5)


def test_a_gain_of_one_range_is_distinguished_from_the_circuit() -> None:
    model = fit_sweep(_sweep(np.random.default_rng(2), 50.0, range_error=0.004), _priors(50.0))
    assert model.range_gain[0] == pytest.approx(1.004, abs=1e-3)
    assert model.range_gain[-1] == 1.0


def test_a_bad_winding_shows_in_the_misfit() -> None:
    short = Transformer(60, 61e-6, 0.201, 44e-6, 0.0, shorted_turn_ohm=2.8e-3, shorted_turn_h=40e-9)
    sound = _sweep(np.random.default_rng(1), 50.0)
    assert fit_sweep(sound, _priors(50.0)).reduced_chi_squared < 2
    points = [
        SweepPoint(p.frequency_hz, float(abs(r)), 3e-4, float(np.degrees(np.angle(r))), 0.02, float(abs(v)))
        for p in sound
        for r in [complex(short.drive_winding_ratio(p.frequency_hz))]
        for v in [complex(short.drive_winding_level(p.frequency_hz, 50.0))]
    ]
    assert fit_sweep(points, _priors(50.0)).reduced_chi_squared > 100


def test_four_points_make_no_model() -> None:
    with pytest.raises(UsageError, match="too few"):
        fit_sweep(_sweep(np.random.default_rng(1), 50.0)[:4], _priors(50.0))
