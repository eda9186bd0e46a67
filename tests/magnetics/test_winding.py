"""How a winding lies on a toroid."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.errors import UsageError
from benchlog.magnetics.core import Toroid, parse_core
from benchlog.magnetics.winding import corner_allowance_m, layer_capacity, plan_winding, turn_length_m
from benchlog.magnetics.wire import Wire, parse_wire

CORE = parse_core("25x15x10", coating_m=0.5e-3)


def test_turn_length_with_rounded_and_with_square_corners() -> None:
    """34.74 mm taut round rounded corners, up to 36.0 mm square round them, by geometry."""
    wire = Wire("0.51 mm", 0.51e-3, 0.57e-3)
    assert turn_length_m(CORE, wire) * 1e3 == pytest.approx(34.74, abs=0.005)
    square = 2 * (10 + 2 * 0.755) + 2 * (5 + 2 * 0.755)
    assert (turn_length_m(CORE, wire) + corner_allowance_m(CORE, wire)) * 1e3 == pytest.approx(
        square, abs=1e-6
    )


def test_first_layer_holds_73_turns_where_the_short_form_says_74() -> None:
    """pi (ID - 2c - d) / d gives 74.02; wires sit on a polygon, not on a circle."""
    wire = Wire("0.51 mm", 0.51e-3, 0.57e-3)
    assert layer_capacity(CORE, wire, 1) == 73
    assert math.pi * (14 - 0.57) / 0.57 == pytest.approx(74.02, abs=0.005)
    assert layer_capacity(CORE, parse_wire("AWG 24"), 1) == 73


def test_published_single_layer_example() -> None:
    """READ formula and data: 16 mm inside diameter, 1 mm wire; 47.09 (recomputed), so 47.

    A winder's rule in print, pi ID / d, gives 50.3: too many.
    """
    core = Toroid(30e-3, 16e-3, 10e-3)
    assert math.pi / math.asin(1 / 15) == pytest.approx(47.09, abs=0.005)
    assert layer_capacity(core, Wire("1 mm", 0.95e-3, 1e-3), 1) == 47


def test_seven_wires_fill_a_hole_of_three_diameters() -> None:
    """Six round one is exact in geometry; rounding must not lose the sixth, and the seventh makes a layer."""
    core = Toroid(10e-3, 3e-3, 5e-3)
    wire = Wire("1 mm", 0.9e-3, 1e-3)
    assert layer_capacity(core, wire, 1) == 6
    assert layer_capacity(core, wire, 2) == 0


def test_length_to_cut_is_turns_times_one_measured_turn_plus_both_leads_rounded_up() -> None:
    """Common practice, no source: no slack on a measured turn."""
    plan = plan_winding(CORE, parse_wire("AWG 24"), 60, lead_m=0.3, one_turn_m=34.6e-3)
    assert plan.cut_m == pytest.approx(2.68)  # 60 x 34.6 mm + 600 mm = 2676 mm
    assert plan.slack == 0


def test_length_to_cut_has_three_percent_slack_by_hand() -> None:
    plan = plan_winding(CORE, parse_wire("AWG 24"), 60, lead_m=0.3)
    assert plan.cut_m == pytest.approx(2.75)  # 60 x 34.746 x 1.03 + 600 = 2747 mm


def test_a_length_that_is_already_whole_is_not_rounded_further() -> None:
    plan = plan_winding(CORE, parse_wire("AWG 24"), 50, lead_m=0.25, one_turn_m=34.0e-3)
    assert plan.cut_m == 2.2


@pytest.mark.parametrize(("gauge", "turns", "milliohm"), [(24, 60, 201), (26, 100, 499), (22, 16, 46)])
def test_resistance_of_turns_and_leads(gauge: int, turns: int, milliohm: float) -> None:
    """Turns x one first-layer turn + 0.15 m at each end, 20 °C; the second layer's longer turns add 0.6 %."""
    wire = parse_wire(f"AWG {gauge}")
    plan = plan_winding(CORE, wire, turns, lead_m=0.15)
    first_layer_only = (plan.wire_m - plan.outer_layers_m) * wire.resistance_per_m()
    assert first_layer_only * 1e3 == pytest.approx(milliohm, rel=0.007)
    assert 0 <= plan.outer_layers_m < 0.01 * plan.wire_m


def test_outer_layers_may_use_half_of_the_slack_and_are_added_beyond_it() -> None:
    wire = parse_wire("AWG 26")
    few = plan_winding(CORE, wire, 100)
    assert [layer.turns for layer in few.layers] == [91, 9]
    assert 0 < few.outer_layers_m < 0.015 * 100 * few.turn_length_m
    assert few.cut_m == pytest.approx(math.ceil((100 * few.turn_length_m * 1.03 + 0.3) * 100) / 100)
    many = plan_winding(CORE, wire, 234)
    half_slack = 0.015 * 234 * many.turn_length_m
    assert many.cut_m - many.wire_m == pytest.approx(half_slack, abs=0.01)
    measured = plan_winding(CORE, wire, 100, one_turn_m=few.turn_length_m)
    assert 0 <= measured.cut_m - measured.wire_m < 0.01


def test_window_fill_counts_wire_over_enamel() -> None:
    plan = plan_winding(CORE, Wire("x", 0.9e-3, 1e-3), 40)
    assert plan.window_fill == pytest.approx(40 / 14**2)


def test_more_turns_than_the_hole_takes_are_refused_with_the_number_that_fit() -> None:
    with pytest.raises(UsageError, match=r"only \d+ of 5000 turns"):
        plan_winding(CORE, parse_wire("AWG 24"), 5000)


@pytest.mark.parametrize("one_turn_mm", [3.46, 346.0, 10.0])
def test_a_measured_turn_that_does_not_go_round_the_core_is_refused(one_turn_mm: float) -> None:
    with pytest.raises(UsageError, match="does not fit"):
        plan_winding(CORE, parse_wire("AWG 24"), 60, one_turn_m=one_turn_mm * 1e-3)


@pytest.mark.parametrize("turns", [0, -3])
def test_no_turns_are_refused(turns: int) -> None:
    with pytest.raises(UsageError):
        plan_winding(CORE, parse_wire("AWG 24"), turns)


@settings(max_examples=40)
@given(
    turns=st.integers(1, 300),
    lead_mm=st.floats(0, 1000),
    slack=st.floats(0, 0.2),
    inner_mm=st.floats(15, 30),
    wire_mm=st.floats(0.1, 0.6),
)
def test_the_cut_is_never_shorter_than_the_wire_needed(
    turns: int, lead_mm: float, slack: float, inner_mm: float, wire_mm: float
) -> None:
    core = Toroid(inner_mm * 1.6e-3, inner_mm * 1e-3, 10e-3)
    plan = plan_winding(core, parse_wire(f"{wire_mm:.4f} mm"), turns, lead_m=lead_mm * 1e-3, slack=slack)
    turns_and_slack = plan.turns * plan.turn_length_m * (1 + slack)
    assert plan.cut_m >= max(plan.wire_m, turns_and_slack + 2 * plan.lead_m) - 1e-9
    assert plan.cut_m <= turns_and_slack + plan.outer_layers_m + 2 * plan.lead_m + 0.01 + 1e-9
    assert sum(layer.turns for layer in plan.layers) == turns
    assert all(layer.turns == layer.capacity for layer in plan.layers[:-1])
    assert plan.window_fill < 0.91  # no packing of circles is denser than pi / sqrt(12)
