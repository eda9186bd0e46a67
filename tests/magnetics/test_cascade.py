"""Two stages against worked vectors."""

from __future__ import annotations

import math

import pytest

from benchlog.magnetics.cascade import Cascade
from benchlog.magnetics.transformer import Transformer

STAGES = Cascade(
    Transformer(60, 62e-6, winding_ohm=0.201),
    Transformer(100, 62e-6, winding_ohm=0.499),
    burden_ohm=10.0,
    lead_ohm=0.06,
)


def test_vectors_of_60_by_100_at_50_hertz() -> None:
    answer = STAGES.respond(50.0, 12.6)
    assert answer.ideal_first_a * 1e3 == pytest.approx(210.0, abs=0.05)
    assert answer.ideal_second_a * 1e3 == pytest.approx(2.100, abs=5e-4)
    assert answer.reflected_ohm * 1e3 == pytest.approx(1.050, abs=5e-4)
    assert answer.first_corner_hz == pytest.approx(0.1869, abs=5e-5)
    assert answer.second_corner_hz == pytest.approx(2.695, abs=5e-4)
    assert answer.magnitude == pytest.approx(0.99854, abs=5e-6)
    assert answer.lead_deg == pytest.approx(3.300, abs=6e-4)
    assert answer.burden_v * 1e3 == pytest.approx(20.969, abs=5e-4)
    assert answer.ideal_burden_v * 1e3 == pytest.approx(21.000, abs=5e-4)
    assert answer.apparent_ratio == pytest.approx(6008.76, abs=5e-3)


def test_flux_densities() -> None:
    first, second = STAGES.flux_densities_t(50.0, 12.6, 37.5e-6, 37.5e-6)
    assert first == pytest.approx(0.1101, abs=5e-5)
    assert second == pytest.approx(0.02643, abs=5e-6)


def test_two_32_turn_stages_step_down_by_1024() -> None:
    """Common practice, no source."""
    assert Cascade(Transformer(32, 62e-6), Transformer(32, 62e-6), burden_ohm=10.0).ratio == 1024


def test_a_miscount_in_both_stages_can_hide_in_the_product() -> None:
    """59 x 101 differs from 60 x 100 by 0.7 % only: each stage is tested alone first."""
    product = Cascade(Transformer(59, 62e-6), Transformer(101, 62e-6), burden_ohm=10.0).ratio
    assert 1 - product / 6000 == pytest.approx(0.007, abs=5e-4)


def test_corners_add_in_the_phase_lead() -> None:
    answer = STAGES.respond(50.0, 12.6)
    corners = (answer.first_corner_hz, answer.second_corner_hz)
    assert answer.lead_deg == pytest.approx(sum(math.degrees(math.atan(c / 50.0)) for c in corners), abs=1e-3)


def test_short_droops_add_and_a_long_pulse_is_lost() -> None:
    answer = STAGES.respond(50.0, 12.6)
    rate = 2 * math.pi * (answer.first_corner_hz + answer.second_corner_hz)
    assert STAGES.droop(1e-4) == pytest.approx(rate * 1e-4, rel=1e-3)
    # A transformer passes no direct current: after a second stage the output even undershoots.
    assert STAGES.droop(0.5) > 0.99
    assert STAGES.droop(0.0) == 0


def test_equal_stages_droop_by_the_limit_of_unequal_ones() -> None:
    def stages(second_al: float) -> Cascade:
        # Winding resistance zero; the first stage's corner is then that of the reflected burden.
        return Cascade(
            Transformer(10, 1e-6, winding_ohm=1.0), Transformer(10, second_al), burden_ohm=1e-9, lead_ohm=0.0
        )

    equal = Cascade(
        Transformer(10, 1e-6, winding_ohm=1.0),
        Transformer(10, 1e-6, winding_ohm=1.0 / 0.99),
        burden_ohm=1e-12,
    )
    near = Cascade(
        Transformer(10, 1e-6, winding_ohm=1.0),
        Transformer(10, 1e-6, winding_ohm=1.0 / 0.99 * (1 + 1e-5)),
        burden_ohm=1e-12,
    )
    assert stages(1e-6).droop(1e-5) > 0
    assert equal.droop(50e-6) == pytest.approx(near.droop(50e-6), rel=1e-4)
