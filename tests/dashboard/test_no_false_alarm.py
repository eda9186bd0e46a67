"""Healthy meters are left alone, whatever the source does."""

from __future__ import annotations

import random

import pytest
from helpers.meters_on_node import FOUR, Node, busy, steady
from helpers.watched_node import changed, raised, with_value

from benchlog.reading import Function, Reading


@pytest.mark.parametrize("seed", [1, 2])
def test_healthy_meters_on_a_wandering_mains_are_left_alone(seed: int) -> None:
    assert raised(Node(seed).readings(600)) == []


def test_healthy_meters_are_left_alone_while_the_source_is_switched_and_set_anew() -> None:
    assert raised(Node(5, wander=busy).readings(900)) == []


@pytest.mark.parametrize("noise", [0.02, 0.3])
def test_a_steady_cell_on_coarse_displays_freezes_nobody(noise: float) -> None:
    node = Node(3, Function.DC_VOLTS, 5.0, steady, noise_counts=dict.fromkeys(FOUR, noise))
    assert raised(node.readings(500)) == []


def test_a_step_of_the_source_that_meters_follow_at_different_speed_is_not_a_disagreement() -> None:
    def slow(reading: Reading) -> Reading:
        # This meter needs 3 s for a step that the others follow at once.
        late = reading.mono_ns / 1e9 - 20
        return with_value(reading, 27.75 * 0.8) if late < 3 else with_value(reading, reading.value or 0.0)

    stepped = Node(1, wander=lambda seed, span: steady(seed, span)).readings(60)
    readings = (with_value(r, 0.8 * (r.value or 0.0)) if r.mono_ns < 20e9 else r for r in stepped)
    assert raised(changed(readings, "M2", 20, slow)) == []


def test_a_single_damaged_number_raises_nothing() -> None:
    def once(reading: Reading) -> Reading:
        return with_value(reading, 0.0) if 30e9 <= reading.mono_ns < 30.5e9 else reading

    assert raised(changed(Node(1).readings(60), "M1", 30, once)) == []


def test_all_meters_near_zero_is_the_source_switched_off() -> None:
    readings = (with_value(r, 0.0) if r.mono_ns > 30e9 else r for r in Node(1).readings(120))
    assert raised(readings) == []


def test_a_source_that_becomes_unsteady_is_not_a_meter_s_fault() -> None:
    g = random.Random(1)

    def jumpy(reading: Reading) -> Reading:
        jump = g.choice((-0.15, 0.15)) if reading.mono_ns > 60e9 else 0.0
        return with_value(reading, (reading.value or 0.0) + jump)

    assert raised(jumpy(r) for r in Node(1, tags=("M1", "M3")).readings(150)) == []
