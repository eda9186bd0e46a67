"""Budgets against the GUM's worked examples and EA-4/02 S9."""

from __future__ import annotations

import csv
import math

import msgspec
import numpy as np
import pytest
from GTC import cos, multiple_ureal, sin, type_a

from benchlog.influence import Influence, Role
from benchlog.metrology.budget import coverage_factor, to_uncertain, uncertain, uniform


def test_gum_h1_end_gauge(worked_examples):
    """GUM H.1.6 and G.4: components and degrees of freedom READ; u_c 32 nm, nu_eff 16, U99 93 nm."""
    case = worked_examples["gum_h1_welch"]
    parts = [
        uncertain(0.0, u, df, label=f"part {i}")
        for i, (u, df) in enumerate(zip(case["components_nm"], case["dof"], strict=True))
    ]
    total = to_uncertain(sum(parts[1:], parts[0]), "nm")
    assert total.standard_uncertainty == pytest.approx(case["recomputed"]["u_c"], abs=5e-4)
    assert total.degrees_of_freedom == pytest.approx(case["recomputed"]["nu_eff"], abs=0.005)
    k99 = coverage_factor(total.degrees_of_freedom, 0.99)
    assert k99 == pytest.approx(case["expected"]["k99"], abs=0.005)
    # The guide takes nu_eff = 16 and rounds u_c first; unrounded the product is 92.5.
    assert k99 * case["expected"]["u_c"] == pytest.approx(case["recomputed"]["U99"], abs=0.1)


def test_gum_h2_keeps_correlation(worked_examples, golden):
    """GUM H.2: resistance, reactance, impedance from correlated readings; ignoring correlation gives 0.195 ohm."""
    case = worked_examples["gum_h2"]
    with (golden / "gum_h2.csv").open() as file:
        rows = [[float(v) for v in list(row)[-3:]] for row in list(csv.reader(file))[1:]]
    data = np.array(rows).T
    if data[1].mean() > 1:
        data[1] /= 1000.0
    mean_v, mean_i, mean_phi = type_a.multi_estimate_real(data.tolist(), labels=["V", "I", "phi"])
    resistance = mean_v / mean_i * cos(mean_phi)
    reactance = mean_v / mean_i * sin(mean_phi)
    impedance = mean_v / mean_i
    expected = case["recomputed_approach_1"]
    for number, name in ((resistance, "R"), (reactance, "X"), (impedance, "Z")):
        settled = to_uncertain(number, "ohm")
        assert settled.value == pytest.approx(expected[name], rel=1e-6)
        assert settled.standard_uncertainty == pytest.approx(expected[f"u_{name}"], abs=1e-5)
    v, i, phi = multiple_ureal(
        [case["means"]["V"], case["means"]["I_mA"] / 1000, case["means"]["phi"]],
        [case["u"]["V"], case["u"]["I_mA"] / 1000, case["u"]["phi"]],
        4,
    )
    alone = to_uncertain(v / i * cos(phi), "ohm")
    assert alone.standard_uncertainty == pytest.approx(
        case["recomputed_if_correlation_ignored"]["u_R"], rel=0.01
    )


def test_ea_4_02_s9_one_rectangular_part_dominates(worked_examples):
    """EA-4/02 S9: E_X = 0.1 V, u = 0.030 V; its k = 1.65 holds only because one rectangular part dominates."""
    case = worked_examples["ea402_s9"]
    parts = {p["name"]: p for p in case["inputs"]}
    indicated = uncertain(parts["V_iX"]["value"], 0.0)
    standard = uncertain(parts["V_S"]["value"], parts["V_S"]["u"], label="calibrator")
    resolution = uniform(0.0, parts["dV_iX"]["half_width"], label="resolution")
    effects = uniform(0.0, parts["dV_S"]["half_width"], label="calibrator effects")
    error = to_uncertain(indicated - standard + resolution - effects, "V")
    assert error.value == pytest.approx(case["expected"]["E_X"])
    assert error.standard_uncertainty == pytest.approx(case["recomputed"]["u"], abs=5e-6)
    assert error.budget[0].label == "resolution"
    k_rectangular = 0.95 * math.sqrt(3)
    assert k_rectangular == pytest.approx(case["recomputed"]["k_rectangular_95"], abs=5e-5)
    assert k_rectangular * error.standard_uncertainty == pytest.approx(case["recomputed"]["U"], abs=5e-5)
    # Our blanket k = 2 is the careful side of the true 95 % half-width 0.0506 V.
    assert error.expanded_uncertainty > case["recomputed"]["monte_carlo_95_half_width"]


@pytest.mark.parametrize(
    ("df", "k"), [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (50, 2.05), (math.inf, 2.0)]
)
def test_coverage_factor_of_gum_table_g2(df, k):
    """GUM table G.2, column 95.45 % (from memory): k from degrees of freedom."""
    assert coverage_factor(df) == pytest.approx(k, abs=0.006)


def test_shared_input_cancels_in_a_ratio():
    """The same gain error in numerator and denominator leaves the ratio exact."""
    gain = uniform(0.0, 0.03, label="gain")
    ratio = to_uncertain((10 * (1 + gain)) / (5 * (1 + gain)), "1")
    assert ratio.value == pytest.approx(2.0)
    assert ratio.standard_uncertainty == pytest.approx(0.0, abs=1e-15)


def test_budget_adds_up():
    """Contributions of independent inputs make the combined standard uncertainty."""
    total = to_uncertain(uncertain(3.0, 0.2, label="a") * 2 + uncertain(1.0, 0.3, label="b"), "V")
    assert math.hypot(*(line.contribution for line in total.budget)) == pytest.approx(
        total.standard_uncertainty
    )
    assert [line.label for line in total.budget] == ["a", "b"]


def test_a_line_says_which_thing_it_is_and_how_the_number_follows_it():
    gain = Influence(Role.GAIN, "MA-01", "V=")
    resistor = Influence(Role.LOAD_RESISTOR, "15 ohm load resistor")
    ohm = uniform(15.0, 0.0, label="R", influence=resistor, scale=15.0)
    volt = uncertain(12.0, 0.1, label="V", influence=gain, scale=12.0)
    lines = {line.influence: line for line in to_uncertain(volt * volt / ohm, "W").budget}
    assert lines[gain].sensitivity == pytest.approx(2 * 9.6)  # P = V^2 / R, d ln P / d ln V = 2
    # An exact resistor has no uncertainty, and is still a thing that can be found wrong.
    assert lines[resistor].sensitivity == pytest.approx(-9.6)
    assert lines[resistor].contribution < 1e-9


def test_readings_of_one_meter_follow_its_gain_together_and_scatter_apart():
    meter = Influence(Role.READING, "MA-01", "ohm")
    part, null = (uncertain(x, 0.1, label="MA-01", influence=meter, scale=x) for x in (5.0, 2.0))
    (line,) = to_uncertain(part - null, "ohm").budget
    assert line.contribution == pytest.approx(math.hypot(0.1, 0.1))
    assert line.sensitivity == pytest.approx(3.0)


def test_a_thing_whose_gain_cancels_is_not_in_the_budget():
    gain = uniform(1.0, 0.03, label="g", influence=Influence(Role.GAIN, "SC-03", "capture", "CH1"), scale=1.0)
    ratio = to_uncertain(uncertain(2.0, 0.01, label="n") * gain / gain, "1")
    assert [line.label for line in ratio.budget] == ["n"]


def test_a_role_of_a_later_version_is_read():
    plain = {"role": "humidity", "instrument": "H-1"}
    assert msgspec.convert(plain, Influence) == Influence(Role.OTHER, "H-1")
