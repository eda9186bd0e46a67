"""Turns ratio from captures whose truth is known."""

from __future__ import annotations

import math

import pytest
from helpers.budget_roles import roles
from helpers.two_channels import RATIO_HZ, Scope, ratio_captures
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.checks.turns_ratio import Injection, RatioSetup, Winding, check_turns_ratio
from benchlog.errors import UsageError
from benchlog.finding import FindingKind
from benchlog.influence import Role
from benchlog.magnetics.transformer import Transformer
from benchlog.magnetics.turns_posterior import counting_prior
from benchlog.result import Limits, Verdict

PLAIN = RatioSetup(primary="B", secondary="A")
MOTOR = "motor_3phase_current_60hz_headerless.csv"


def test_plan_100_measured_101_with_default_gains_stays_undecided() -> None:
    normal, _ = ratio_captures(101)
    result = check_turns_ratio(normal, PLAIN, expected_turns=100)
    assert result.verdict is Verdict.INDETERMINATE
    assert "99 to 109 turns fit" in result.reason
    assert result.reason.endswith("99 % is needed")
    # Two gains of ±3 % each: 2.45 % standard.
    ratio = result.quantities["turns_ratio"]
    assert ratio.standard_uncertainty / ratio.value == pytest.approx(0.0245, abs=2e-4)
    assert roles(ratio)[:2] == [Role.GAIN, Role.GAIN]
    assert {
        i.channel: line.sensitivity for line in ratio.budget if (i := line.influence) and i.role is Role.GAIN
    } == {
        "A": pytest.approx(ratio.value),
        "B": pytest.approx(-ratio.value),
    }


def test_what_would_settle_it_is_ranked_by_chance_per_minute() -> None:
    normal, swapped = ratio_captures(101)
    ways = check_turns_ratio(normal, PLAIN, expected_turns=100).details["would_settle"]
    assert [way["method"] for way in ways] == ["swap", "more sense turns", "divider"]
    gain = [way["probability"] / (way["minutes"] + 1) for way in ways]
    assert gain == sorted(gain, reverse=True)
    assert ways[-1]["relative_uncertainty"] == pytest.approx(
        0.0013, abs=2e-4
    )  # ±0.2 % as rectangular, ±0.1 % of the circuit
    after = check_turns_ratio(normal, PLAIN, expected_turns=100, swapped=swapped).details["would_settle"]
    assert "swap" not in [way["method"] for way in after]


def test_swap_and_divider_show_101() -> None:
    setup = RatioSetup(primary="B", secondary="A", divider=100.0, divider_tolerance=0.001)
    normal, swapped = ratio_captures(101, divider=100.0)
    result = check_turns_ratio(normal, setup, expected_turns=100, swapped=swapped)
    assert result.verdict is Verdict.FAIL
    assert "101" in result.reason
    assert result.turns is not None
    assert result.turns["most_likely"] == 101
    ratio = result.quantities["turns_ratio"]
    assert ratio.value == pytest.approx(101, abs=ratio.expanded_uncertainty)
    assert ratio.standard_uncertainty / ratio.value == pytest.approx(0.0009, abs=2e-4)


def test_an_unknown_divider_is_two_resistors_of_one_percent_and_the_answer_says_so() -> None:
    normal, swapped = ratio_captures(101, divider=100.0)
    setup = RatioSetup("B", "A", divider=100.0)
    result = check_turns_ratio(normal, setup, expected_turns=100, swapped=swapped)
    ratio = result.quantities["turns_ratio"]
    # 100:1 is 1 + R1/R2 with both resistors at the end of ±1 %: 1 + 99 * 1.01 / 0.99.
    (line,) = (line for line in ratio.budget if line.influence and line.influence.role is Role.DIVIDER)
    assert line.contribution / ratio.value == pytest.approx(
        (1 + 99 * 1.01 / 0.99) / 100 / 3**0.5 - 3**-0.5, rel=0.03
    )
    assert result.verdict is Verdict.INDETERMINATE
    assert [str(f) for f in result.findings if f.kind is FindingKind.ASSUMPTION] == [
        "tolerance of the divider is not known: ±2 % assumed, as of two 1 % resistors"
    ]
    stated = check_turns_ratio(
        normal,
        RatioSetup("B", "A", divider=100.0, divider_tolerance=0.002),
        expected_turns=100,
        swapped=swapped,
    )
    assert not [f for f in stated.findings if f.kind is FindingKind.ASSUMPTION]


@pytest.mark.parametrize(("divider", "said"), [(58.0, True), (60.0, False)])
def test_a_pass_says_what_it_takes_for_the_loop_if_swapped_channels_would_give_another_number(
    divider: float, said: bool
) -> None:
    setup = RatioSetup("B", "A", divider=divider, divider_tolerance=0.001)
    normal, swapped = ratio_captures(60, divider=divider)
    result = check_turns_ratio(normal, setup, expected_turns=60, swapped=swapped)
    assert result.verdict is Verdict.PASS
    taken = [f for f in result.findings if f.kind is FindingKind.HOOKUP]
    assert len(taken) == said
    if said:  # 58^2 / 60 = 56.07; the ratio is measured to 0.1 %
        assert "B is taken to be on the loop" in taken[0]
        assert "56.06 turns" in taken[0]


def test_a_wrong_divider_that_no_usual_factor_explains_gets_a_next_step() -> None:
    setup = RatioSetup("B", "A", divider=100.0, divider_tolerance=0.002)
    result = check_turns_ratio(ratio_captures(60, divider=60.0)[0], setup, expected_turns=60)
    assert result.verdict is Verdict.FAIL
    (advice,) = (f for f in result.findings if f.kind is FindingKind.ADVICE)
    assert "that the divider is 100:1" in advice


def test_swap_cancels_channel_gains_but_not_the_gain_between_ranges() -> None:
    scope = Scope(gain={"A": 1.025, "B": 0.977}, range_error=0.004)
    normal, swapped = ratio_captures(60, scope=scope)
    result = check_turns_ratio(normal, PLAIN, expected_turns=60, swapped=swapped)
    ratio = result.quantities["turns_ratio"]
    assert roles(ratio)[0] is Role.RANGE_GAIN
    assert Role.GAIN not in roles(ratio)
    assert ratio.value == pytest.approx(60 / 1.004, rel=5e-4)
    assert abs(ratio.value - 60) < ratio.expanded_uncertainty
    assert any("channel A reads +4.9" in note for note in result.details["notes"])
    assert not any("channel A reads" in finding for finding in result.findings)


def test_channels_on_one_range_have_no_range_term() -> None:
    setup = RatioSetup(primary="B", secondary="A", loop_turns=5)
    normal, swapped = ratio_captures(6, loop=5)
    result = check_turns_ratio(normal, setup, expected_turns=6, swapped=swapped)
    assert Role.RANGE_GAIN not in roles(result.quantities["turns_ratio"])
    assert result.verdict is Verdict.PASS


def test_the_best_way_to_settle_is_a_finding() -> None:
    result = check_turns_ratio(ratio_captures(31.2, scope=Scope())[0], PLAIN, expected_turns=32)
    assert result.reason.startswith("30 to 32 turns fit: ")
    best, second, *_ = (way["action"] for way in result.details["would_settle"])
    assert sum(best in finding for finding in result.findings) == 1
    assert not any(second in finding for finding in result.findings)


def test_loop_turns_and_probe_factors_scale_the_ratio() -> None:
    setup = RatioSetup(primary="B", secondary="A", loop_turns=10, probes={"A": 10.0})
    scope = Scope()
    capture = scope.capture({"A": 0.35 + 0j, "B": 3.5 * 10 / 60 + 0j}, RATIO_HZ)
    ratio = check_turns_ratio(capture, setup, expected_turns=60).quantities["turns_ratio"]
    assert ratio.value == pytest.approx(60, rel=2e-3)


def test_a_pass_says_how_many_turns_and_how_surely() -> None:
    setup = RatioSetup(primary="B", secondary="A", divider=60.0, divider_tolerance=0.001)
    normal, swapped = ratio_captures(60, divider=60.0)
    result = check_turns_ratio(normal, setup, expected_turns=60, swapped=swapped)
    assert result.verdict is Verdict.PASS
    assert result.reason.startswith("60 turns")
    assert result.turns is not None
    assert result.turns["probability"] > 0.999
    assert result.limits["turns_ratio"] == Limits(59.5, 60.5, "1", result.limits["turns_ratio"].source)
    assert result.conformance_probability is not None
    assert result.conformance_probability > 0.999


def test_limits_by_tolerance_and_from_a_plan() -> None:
    normal, _ = ratio_captures(60)
    by_tolerance = check_turns_ratio(normal, PLAIN, expected_turns=60, tolerance=0.05)
    assert by_tolerance.limits["turns_ratio"].low == pytest.approx(57)
    assert by_tolerance.limits_set == "computed"
    planned = Limits(50.0, 70.0, "1", "plan")
    by_plan = check_turns_ratio(normal, PLAIN, expected_turns=60, limits=planned)
    assert by_plan.limits["turns_ratio"] == planned
    assert by_plan.limits_set == "plan"
    assert by_plan.verdict is Verdict.PASS


def test_a_fractional_expectation_has_no_whole_turns() -> None:
    normal, _ = ratio_captures(9.66)
    result = check_turns_ratio(normal, PLAIN, expected_turns=9.66, tolerance=0.2)
    assert result.turns is None
    assert result.verdict is Verdict.PASS


def test_phase_is_positive_when_the_secondary_leads_and_a_reversed_winding_is_a_finding() -> None:
    scope = Scope(delay_s={"A": 0.0, "B": 2e-6})
    normal, _ = ratio_captures(60, scope=scope)
    phase = check_turns_ratio(normal, PLAIN, expected_turns=60).quantities["phase"]
    assert phase.value == pytest.approx(2e-6 * RATIO_HZ * 360, abs=0.3)
    reversed_winding, _ = ratio_captures(60, sign=-1)
    result = check_turns_ratio(reversed_winding, PLAIN, expected_turns=60)
    assert abs(result.quantities["phase"].value) > 179
    assert any(finding.startswith("polarity") for finding in result.findings)


def test_the_mean_of_both_captures_is_free_of_channel_delay_even_across_180_degrees() -> None:
    scope = Scope(delay_s={"A": 0.0, "B": 1e-6})
    normal, swapped = ratio_captures(60, scope=scope, sign=-1)
    phase = check_turns_ratio(normal, PLAIN, expected_turns=60, swapped=swapped).quantities["phase"]
    assert abs(abs(phase.value) - 180) < 0.3
    assert -180 < phase.value <= 180


def test_known_winding_corrects_what_the_circuit_adds() -> None:
    """At 100 Hz half an ohm makes 50 turns read 50.41; with the model known it reads 50."""
    truth = Transformer(50, 2.5e-6, winding_ohm=0.5, leakage_h=1.25e-6)
    seen = complex(truth.drive_winding_ratio(100.0))
    scope = Scope(interval_s=5e-5)
    winding, sense = 3.5 + 0j, 3.5 / seen
    captures = (
        scope.capture({"A": winding, "B": sense}, 100.0),
        scope.capture({"A": sense, "B": winding}, 100.0),
    )
    known = RatioSetup(primary="B", secondary="A", winding=Winding(2.5e-6, 0.5, 1.25e-6))
    raw = check_turns_ratio(captures[0], PLAIN, expected_turns=50, swapped=captures[1])
    corrected = check_turns_ratio(captures[0], known, expected_turns=50, swapped=captures[1])
    assert raw.quantities["turns_ratio"].value == pytest.approx(50.41, abs=0.03)
    assert corrected.quantities["turns_ratio"].value == pytest.approx(50.0, abs=0.03)
    assert any("is below" in finding for finding in corrected.findings)


def test_current_injection_with_burden() -> None:
    """Primary current seen on 1 ohm, burden 50 ohm, N = 50 of 2.5 uH at 100 kHz and with correction at 10 kHz."""
    truth = Transformer(50, 2.5e-6, winding_ohm=0.5)
    injection = Injection(burden_ohm=50.0, shunt_ohm=1.0)
    setup = RatioSetup(
        primary="B", secondary="A", winding=Winding(2.5e-6, 0.5), injection=injection, gain_accuracy=0.005
    )
    for frequency, interval in ((100e3, 1e-7), (30e3, 3e-7)):
        current = 0.8 + 0j
        burden = current * complex(truth.injection_transfer(frequency, 50.0))
        capture = Scope(interval_s=interval).capture({"B": current * 1.0, "A": burden}, frequency)
        result = check_turns_ratio(capture, setup, expected_turns=50, rated_current_percent=100.0)
        ratio = result.quantities["turns_ratio"]
        assert ratio.value == pytest.approx(50, rel=1e-3)
        lead = math.degrees(math.atan(1285.97 / frequency))
        assert result.quantities["phase"].value == pytest.approx(lead, abs=0.15)
        assert "several kilovolts" in result.cautions[0]
        assert {Role.BURDEN, Role.CURRENT_RESISTOR} <= set(roles(ratio))
        errors = result.details["accuracy_class"]
        assert errors["phase_displacement_minutes"] == pytest.approx(60 * lead, abs=9)
        assert "points" in errors["words"] or "no accuracy class" in errors["words"]


def test_class_within_reach_of_a_good_measurement() -> None:
    setup = RatioSetup(primary="B", secondary="A", divider=100.0, divider_tolerance=0.001)
    normal, swapped = ratio_captures(100, divider=100.0)
    result = check_turns_ratio(
        normal, setup, expected_turns=100, swapped=swapped, rated_current_percent=100.0
    )
    errors = result.details["accuracy_class"]
    assert errors["class_within"] in ("0.2", "0.5")
    assert abs(errors["ratio_error_percent"]) < 0.2


def test_gains_at_opposite_edges_do_not_reject_a_winding() -> None:
    """Two gains of ±3 % can make 6 %, more than 2 u; the planned count is then not excluded."""
    normal, _ = ratio_captures(79, scope=Scope(gain={"A": 1.0299, "B": 0.9701}))
    result = check_turns_ratio(normal, PLAIN, expected_turns=79)
    assert result.verdict is Verdict.INDETERMINATE
    assert result.turns is not None
    assert "79" in (str(result.turns["most_likely"]), *result.turns["alternatives"])


def test_a_ratio_that_is_not_a_whole_number_is_neither_passed_nor_failed() -> None:
    """1.9000 ± 0.0022, gains known: no whole number of turns fits, whatever is nearest."""
    normal, _ = ratio_captures(1.9, scope=Scope())
    setup = RatioSetup("B", "A", gain_accuracy=0.0, range_gain=0.0)
    result = check_turns_ratio(normal, setup, expected_turns=2)
    assert result.verdict is Verdict.INDETERMINATE
    assert result.reason.startswith("no whole number of turns fits")
    assert result.turns is not None
    assert result.turns["fits"] is False


@pytest.mark.parametrize(("true", "expected"), [(1.9, 1.5), (0.5, 0.25)])
def test_half_a_turn_is_a_limit_for_whole_expectations_only(true: float, expected: float) -> None:
    """A ratio that is not a number of turns gives no limits; a tolerance gives some."""
    normal, swapped = ratio_captures(true, scope=Scope())
    without = check_turns_ratio(normal, PLAIN, expected_turns=expected, swapped=swapped)
    assert without.verdict is Verdict.INDETERMINATE
    assert "--tolerance" in without.reason
    assert not without.limits
    judged = check_turns_ratio(normal, PLAIN, expected_turns=expected, swapped=swapped, tolerance=0.02)
    assert judged.verdict is Verdict.FAIL


def test_a_strong_prior_alone_passes_nothing() -> None:
    """101 turns measured plainly for a plan of 100: the data alone give 100 a seventh, whatever is known before."""
    normal, _ = ratio_captures(101, scope=Scope())
    result = check_turns_ratio(normal, PLAIN, expected_turns=100, prior=counting_prior(0.999))
    assert result.turns is not None
    assert result.turns["probability"] > 0.99
    assert result.verdict is Verdict.INDETERMINATE
    assert "by the measurement alone" in result.reason


def test_a_turn_too_many_is_said_once_and_with_what_helps() -> None:
    """101 for 100, surely: the chance by the data alone is left out where it is the same; own and bought windings differ."""
    normal, swapped = ratio_captures(101, scope=Scope(), divider=100.0)
    setup = RatioSetup("B", "A", divider=100.0, divider_tolerance=0.002)
    result = check_turns_ratio(normal, setup, expected_turns=100, swapped=swapped)
    assert result.verdict is Verdict.FAIL
    assert "by the measurement alone" not in result.reason
    (advice,) = (f for f in result.findings if f.kind is FindingKind.ADVICE)
    assert "your own winding: take 1 turn off and measure again; a bought one:" in advice
    assert "which channel is on the loop" in advice  # exchanged channels behind a divider count wrong, too


def test_the_prior_is_shown_and_can_be_set() -> None:
    """A plain capture says hardly anything; the prior and what the data say alone are shown beside the posterior."""
    normal, _ = ratio_captures(60, scope=Scope())
    usual = check_turns_ratio(normal, PLAIN, expected_turns=60).turns
    sure = check_turns_ratio(normal, PLAIN, expected_turns=60, prior=counting_prior(0.99)).turns
    assert usual is not None
    assert sure is not None
    assert (usual["prior"], sure["prior"]) == (pytest.approx(0.919), pytest.approx(0.99))
    assert sure["probability"] > usual["probability"] > 0.9
    assert usual["by_data"]["60"] < 0.35
    assert usual["by_data"] == sure["by_data"]


def test_what_captures_tell_of_ranges_outweighs_a_divider() -> None:
    """A divider that leaves the channels on two ranges does not remove the gain between them."""
    scope = Scope(range_error=0.004)
    normal, swapped = ratio_captures(60, scope=scope, divider=3.0)
    setup = RatioSetup("B", "A", divider=3.0)
    result = check_turns_ratio(normal, setup, expected_turns=60, swapped=swapped)
    ratio = result.quantities["turns_ratio"]
    assert abs(ratio.value - 60) < ratio.expanded_uncertainty
    assert Role.RANGE_GAIN in {line.influence.role for line in ratio.budget if line.influence}


@settings(max_examples=25)
@given(
    turns=st.integers(5, 150),
    gain_a=st.floats(0.97, 1.03),
    gain_b=st.floats(0.97, 1.03),
    seed=st.integers(0, 1000),
)
def test_the_stated_interval_holds_the_truth_and_swapping_the_roles_inverts_the_ratio(
    turns: int, gain_a: float, gain_b: float, seed: int
) -> None:
    scope = Scope(gain={"A": gain_a, "B": gain_b}, seed=seed)
    normal, swapped = ratio_captures(turns, scope=scope)
    single = check_turns_ratio(normal, PLAIN, expected_turns=turns)
    ratio = single.quantities["turns_ratio"]
    # Gains up to the very edge, 0.97 over 1.03: an error of 5.83 % against U = 2 sqrt(2) 3 % / sqrt(3) of 94.2 %, 1.263 U; noise adds 0.02.
    assert abs(ratio.value - turns) < 1.3 * ratio.expanded_uncertainty
    assert single.verdict is not Verdict.FAIL
    both = check_turns_ratio(normal, PLAIN, expected_turns=turns, swapped=swapped).quantities["turns_ratio"]
    assert abs(both.value - turns) < both.expanded_uncertainty
    inverse = check_turns_ratio(
        normal, RatioSetup(primary="A", secondary="B"), expected_turns=1 / turns, tolerance=0.5
    ).quantities["turns_ratio"]
    assert inverse.value == pytest.approx(1 / ratio.value)


@pytest.mark.parametrize(
    "call",
    [
        lambda c: check_turns_ratio(c, PLAIN, expected_turns=0.0),
        lambda c: check_turns_ratio(c, PLAIN, expected_turns=60, tolerance=0.0),
        lambda c: check_turns_ratio(c, RatioSetup(primary="A", secondary="A"), expected_turns=60),
        lambda c: check_turns_ratio(c, RatioSetup(primary="A", secondary="X"), expected_turns=60),
        lambda c: check_turns_ratio(c, RatioSetup("A", "B", gain_accuracy=2.0), expected_turns=60),
        lambda c: check_turns_ratio(c, RatioSetup("A", "B", probes={"A": 0.0}), expected_turns=60),
        lambda c: RatioSetup("A", "B", loop_turns=0),
        lambda c: RatioSetup("A", "B", divider=0.5),
        lambda c: RatioSetup("A", "B", divider_tolerance=1.0),
        lambda c: RatioSetup("A", "B", injection=Injection(0.0, 1.0)),
    ],
)
def test_what_does_not_fit_together_is_refused(call) -> None:  # type: ignore[no-untyped-def]
    normal, _ = ratio_captures(60)
    with pytest.raises(UsageError):
        call(normal)


# --- the command ---
