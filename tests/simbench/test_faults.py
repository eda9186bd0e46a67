"""Faults show in readings as a person at the bench would see them, and go away with the right action."""

from __future__ import annotations

import pytest

from benchlog.clock import ManualClock
from benchlog.errors import UsageError
from benchlog.reading import Flag, Function
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.faults import CAUSES
from benchlog_drivers.simbench.person import Person

START_NS = 1_790_000_000_000_000_000


def faulty(cause: str, *, case: int = 0, meter: str = "MA-01", seed: int = 2) -> Person:
    bench = SimulatedBench(seed, ManualClock(START_NS))
    if meter == "MB-02":
        bench.connect("MB-02", at="T1.output")
    bench.fault(cause, case=case, meter=meter)
    return Person(bench, meter, plan_agrees=cause != "expectation_wrong")


def volt(text: str) -> float:
    number, unit, *_ = text.split()
    return float(number) * {"mV": 1e-3, "V": 1.0}[unit]


def test_a_healthy_bench_passes_every_action() -> None:
    person = faulty("all_good")
    assert volt(person.read()) == pytest.approx(27.1, abs=0.4)
    outcomes = {action: person.act(action) for action in person.actions}
    assert outcomes["look"] == "in order"
    assert outcomes["wiggle_leads"] == outcomes["wiggle_part"] == "steady"
    assert outcomes["lamp_in_outlet"] == "lit"
    assert outcomes["reread_nameplate"] == "agrees"
    assert volt(outcomes["short_tips"]) < 0.01
    assert volt(outcomes["fresh_cell"]) == pytest.approx(1.602, abs=0.01)
    assert outcomes["known_resistor"].endswith("kohm")
    assert float(outcomes["ohms_output"].split()[0]) == pytest.approx(1.2, abs=0.2)
    assert float(outcomes["ohms_plug"].split()[0]) == pytest.approx(63.6, abs=1.0)
    assert volt(outcomes["load_150"]) == pytest.approx(27.1 * 150 / 151.88, abs=0.4)
    assert volt(outcomes["second_meter"]) == pytest.approx(volt(outcomes["scope_output"]), rel=0.05)
    assert volt(outcomes["generator_50hz"]) == pytest.approx(5.0, abs=0.1)
    assert volt(outcomes["read_mains"]) == pytest.approx(230.0, rel=0.015)


@pytest.mark.parametrize(
    ("cause", "action", "outcome"),
    [
        ("lead_open", "short_tips_ohms", "OL"),
        ("lead_in_current_jack", "look", "lead in current jack"),
        ("wrong_function", "look", "wrong function"),
        ("range_slip", "look", "wrong range"),
        ("hold_engaged", "look", "hold shown"),
        ("relative_mode", "look", "relative shown"),
        ("other_mode", "look", "other mode shown"),
        ("outside_bandwidth", "look", "other mode shown"),
        ("lead_intermittent", "wiggle_leads", "jumps"),
        ("lead_intermittent", "short_tips_ohms", "jumps"),
        ("part_intermittent", "wiggle_part", "jumps"),
        ("part_open_primary", "ohms_plug", "OL"),
        ("part_open_output", "ohms_output", "OL"),
        ("no_mains", "lamp_in_outlet", "dark"),
        ("expectation_wrong", "reread_nameplate", "differs"),
    ],
)
def test_one_action_that_tells(cause: str, action: str, outcome: str) -> None:
    assert faulty(cause).act(action) == outcome


@pytest.mark.parametrize(
    ("cause", "action"),
    [
        ("wrong_function", "reselect_function"),
        ("range_slip", "reselect_function"),
        ("hold_engaged", "reselect_function"),
        ("relative_mode", "reselect_function"),
        ("other_mode", "reselect_function"),
        ("not_settled", "reread"),
        ("lead_open", "other_leads"),
        ("lead_in_current_jack", "other_leads"),
        ("contact_not_made", "remake_contact"),
        ("meter_battery_low", "new_battery"),
        ("meter_gain_drift", "second_meter"),
        ("meter_input_damaged", "second_meter"),
        ("ac_converter_dead", "second_meter"),
        ("display_frozen", "second_meter"),
        ("input_loading", "scope_output"),
    ],
)
def test_the_right_action_brings_the_right_reading_back(cause: str, action: str) -> None:
    person = faulty(cause)
    before = person.read()
    assert before == "OL" or "Hz" in before or before.endswith(" dc") or abs(volt(before) / 27.1 - 1) > 0.02
    after = volt(person.act(action))
    # A scope with a x10 probe still loads a source of hundreds of kilohm a little.
    assert after == pytest.approx(27.1, rel=0.12 if cause == "input_loading" else 0.025)


def test_near_zero_readings_on_a_live_output_are_small_but_seldom_exactly_zero() -> None:
    """Pick-up of the floating input, induced millivolts, or a dead converter: never the live 27 V."""
    for cause in (
        "lead_open",
        "contact_not_made",
        "wrong_function",
        "ac_converter_dead",
        "lead_in_current_jack",
    ):
        assert abs(volt(faulty(cause).read())) < 1.5


def test_an_averaging_meter_is_right_on_a_sine_and_wrong_on_a_peaky_wave() -> None:
    person = faulty("average_responding", meter="MB-02")
    assert volt(person.read()) < 0.96 * volt(person.act("second_meter"))


def test_a_sagging_battery_leaves_ohms_alone_and_shows_its_symbol_about_half_the_time() -> None:
    person = faulty("meter_battery_low")
    assert volt(person.act("fresh_cell")) > 1.02 * 1.602
    assert float(person.act("known_resistor").split()[0]) == pytest.approx(10.0, abs=0.09)
    shown = sum(faulty("meter_battery_low", case=k).act("look") == "battery symbol" for k in range(40))
    assert 10 <= shown <= 30


def test_a_dirty_range_switch_reads_differently_after_every_turn() -> None:
    person = faulty("range_switch_dirty")
    readings = {round(volt(person.act("reselect_function")), 1) for _ in range(4)}
    assert len(readings) >= 3


def test_a_dc_supply_shows_nothing_on_ac_and_its_peak_on_dc() -> None:
    person = faulty("part_dc")
    assert volt(person.read()) < 0.1
    assert volt(person.act("dc_same_points")) == pytest.approx(27.1 * 2**0.5 - 1.0, abs=0.8)
    assert person.bench.meter("MA-01").function is Function.AC_VOLTS


def test_ac_of_ac_plus_dc_hides_the_dc_part() -> None:
    person = faulty("ac_of_ac_plus_dc")
    assert volt(person.read()) == pytest.approx(27.1, rel=0.02)
    assert 4.9 < volt(person.act("dc_same_points")) < 30.3


def test_a_blown_fuse_reads_no_current_and_true_volts() -> None:
    bench = SimulatedBench(2, ManualClock(START_NS))
    bench.load("T1.output", None)
    bench.set_function("MA-01", "A~")
    bench.scene.points["load end"] = ("T1.s1", "load.far")
    bench.load(("load.far", "T1.s2"), 15.0)
    bench.connect("MA-01", at="load end", jack="current")
    assert float(bench.read_display("MA-01").split()[0]) == pytest.approx(27.05 / 16.9, abs=0.06)
    bench.fault("current_fuse_blown")
    assert float(bench.read_display("MA-01").split()[0]) < 0.006  # a few digits of zero error remain
    bench.set_function("MA-01", "V~")
    bench.connect("MA-01", at="T1.output", jack="volts")
    assert volt(bench.read_display("MA-01")) == pytest.approx(27.1, abs=0.4)


def test_amperes_into_a_stiff_source_blow_the_fuse() -> None:
    bench = SimulatedBench(2, ManualClock(START_NS))
    bench.set_function("MA-01", "A~")
    bench.connect("MA-01", at="outlet", jack="current")
    bench.read_display("MA-01")
    assert bench.meter("MA-01").fuse_blown


def test_volts_on_the_outlet_with_the_lead_in_the_current_jack_blow_the_fuse_too() -> None:
    bench = SimulatedBench(2, ManualClock(START_NS))
    bench.connect("MA-01", at="outlet", jack="current")
    assert volt(bench.read_display("MA-01")) < 0.01
    assert bench.meter("MA-01").fuse_blown


def test_every_cause_and_every_seed_end_in_a_readable_display() -> None:
    for cause in CAUSES:
        person = faulty(cause, case=3, seed=7)
        shown = person.bench.meter("MA-01").display(person.bench.scene, person.bench.scene.now_s() + 3, 0)
        assert shown.counts is None or abs(shown.counts) <= 9999
        assert Flag.HOLD not in shown.flags or cause == "hold_engaged"
    with pytest.raises(UsageError) as caught:
        faulty("gremlins")
    assert "lead_open" in caught.value.hint
    with pytest.raises(UsageError):
        faulty("all_good").act("kick_it")
