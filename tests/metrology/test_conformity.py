"""Conformance probability and the guard-band rule against JCGM 106, ISO 14253-1 and ILAC-G8 examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.displayed import parse_displayed
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.conformity import conformance_probability, judge
from benchlog.metrology.meter_reading import MeterReading
from benchlog.result import BudgetLine, Limits, Uncertain, Verdict


def known(value, u, df=None):
    """An uncertain value with k = 2."""
    return Uncertain(value, u, 2 * u, "V", 2.0, df)


@pytest.mark.parametrize("name", ["jcgm106_zener", "jcgm106_burst", "jcgm106_oil"])
def test_jcgm_106_clause_7(worked_examples, name):
    """JCGM 106:2012 clause 7 examples (from memory, recomputed)."""
    case = worked_examples[name]
    p = conformance_probability(case["y"], case["u"], case.get("lower_limit"), case.get("upper_limit"))
    assert p == pytest.approx(case["recomputed_pc"], abs=5e-6)


def test_jcgm_106_table_1(worked_examples):
    """z for a required one-sided conformance probability."""
    for p, z in worked_examples["jcgm106_table1_z"]["rows"]:
        assert conformance_probability(-z, 1.0, None, 0.0) == pytest.approx(p, abs=0.0025)


def test_iso_14253_neither_proved(worked_examples):
    """T_U = 20.05, U = 0.015, y = 20.040: neither conformity nor nonconformity is proved."""
    case = worked_examples["iso14253_example"]
    limits = Limits(None, case["upper_limit"], "mm")
    u = case["U"] / 2
    assert judge(known(case["y"], u), limits).verdict is Verdict.INDETERMINATE
    assert judge(known(case["acceptance_limit"], u), limits).verdict is Verdict.PASS
    assert judge(known(case["rejection_limit"] + 1e-9, u), limits).verdict is Verdict.FAIL


@pytest.mark.parametrize(("r", "false_accept"), [(0.0, 0.5), (0.83, 0.0485), (1.0, 0.0228), (1.5, 0.00135)])
def test_ilac_g8_false_accept_at_the_acceptance_limit(r, false_accept):
    """ILAC-G8:09/2019: a result at the acceptance limit of w = rU is falsely accepted this often."""
    assert 1 - conformance_probability(-2 * r, 1.0, None, 0.0) == pytest.approx(false_accept, abs=6e-5)


def test_close_to_the_limit_is_indeterminate():
    """28.7 V of 25.6 to 29.0 V with u = 0.19 V: P = 0.94 within, which does not decide."""
    judged = judge(known(28.7, 0.19), Limits(25.6, 29.0, "V"))
    assert judged.verdict is Verdict.INDETERMINATE
    assert judged.conformance_probability == pytest.approx(0.943, abs=0.001)
    assert judged.reason.endswith(
        "too close to the limit 29.00 V to tell: a margin of 380 mV is needed (94 % chance that it is within)"
    )


def test_no_margin_is_asked_for_that_the_limits_have_no_room_for() -> None:
    """U = 7.4 V between limits 3.3 V apart: no reading could pass."""
    judged = judge(known(27.6, 3.7), Limits(25.5, 28.8, "V"))
    assert "to tell: ± 7.4 V does not fit between the limits" in judged.reason


def test_cannot_tell_does_not_quote_a_chance_that_reads_like_a_verdict() -> None:
    """5.00 V, bound 0.1 V by data sheet, limit 4.90 V: surely within by the bound, but the rule asks for U = 2 u."""
    u = 0.1 / math.sqrt(3)
    line = BudgetLine("accuracy", u, half_widths=(0.1, 0.0, 0.0))
    judged = judge(Uncertain(5.0, u, 2 * u, "V", budget=(line,)), Limits(4.9, 5.5, "V"))
    assert judged.verdict is Verdict.INDETERMINATE
    assert judged.conformance_probability > 0.99
    assert judged.reason.endswith("to tell: a margin of 120 mV is needed")


@given(
    st.floats(-10, 10),
    st.floats(1e-3, 5),
    st.floats(-10, 10),
    st.floats(0, 10),
)
def test_a_pass_is_never_less_likely_than_95_percent(value, u, low, width):
    """Guard band w = U: whatever passes conforms with at least 95.45 % probability; what fails, with at most 4.55 %."""
    judged = judge(known(value, u), Limits(low, low + width, "V"))
    if judged.verdict is Verdict.PASS:
        assert judged.conformance_probability > 0.9544
    if judged.verdict is Verdict.FAIL:
        assert judged.conformance_probability < 0.0456


def test_few_degrees_of_freedom_use_student_t():
    """With two degrees of freedom the same z leaves more outside than with infinitely many."""
    assert conformance_probability(0, 1, -2, 2, df=2.0) < conformance_probability(0, 1, -2, 2)
    assert conformance_probability(0, 1, -4.303, 4.303, df=2.0) == pytest.approx(0.95, abs=1e-4)  # t table


def test_an_unmeasured_value_is_not_done():
    """Infinite uncertainty is not a verdict."""
    unknown = Uncertain(math.nan, math.inf, math.inf, "V")
    assert judge(unknown, Limits(0, 1, "V")).verdict is Verdict.NOT_DONE


def judged(text: str, statement: str, limit: float) -> float:
    """Probability of being within an upper limit, of a reading that a meter's data sheet says all of."""
    quantity = MeterReading(parse_displayed(text), parse_accuracy(statement)).settled()
    return judge(quantity, Limits(None, limit, "V")).conformance_probability


@pytest.mark.parametrize("counts", [0.3, 2, 5, 10, 30])
def test_a_meter_s_own_error_is_halfway_between_one_fraction_and_parts_apart(counts: float) -> None:
    """Against draws: one fraction of the whole bound, or gain and counts apart; rounding apart in both."""
    rng, n = np.random.default_rng(3), 400_000
    gain, rounding = 0.25, min(counts, 0.5) * 0.01
    zero = counts * 0.01 - rounding
    one = rng.uniform(-1, 1, n) * (gain + zero)
    apart = rng.uniform(-gain, gain, n) + rng.uniform(-zero, zero, n)
    drawn = np.concatenate([one, apart]) + rng.uniform(-rounding, rounding, 2 * n)
    for error in np.linspace(-1.1, 1.1, 23) * (gain + zero):
        stated = judged("25.00 V dc", f"1 % + {counts}", 25.0 + error)
        assert stated == pytest.approx(np.mean(drawn < error), abs=3e-3)


def test_errors_of_two_meters_are_convolved() -> None:
    """Against draws of a four-wire resistance, halfway between meters that all err in one way and all in the other."""
    rng, n = np.random.default_rng(4), 400_000
    one, apart = rng.normal(0, 0.1, (2, n))
    for gain, zero, rounding in (meters := [(1.0, 0.3, 0.1), (0.5, 0.15, 0.05)]):
        one += rng.uniform(-1, 1, n) * (gain + zero) + rng.uniform(-rounding, rounding, n)
        apart += rng.uniform(-gain, gain, n) + rng.uniform(-zero, zero, n)
        apart += rng.uniform(-rounding, rounding, n)
    for error in np.linspace(-2.2, 2.2, 23):
        stated = conformance_probability(0.0, 0.1, None, error, bounds=meters)
        assert stated == pytest.approx((np.mean(one < error) + np.mean(apart < error)) / 2, abs=3e-3)


def test_with_other_inputs_the_rectangle_is_smeared() -> None:
    """RECOMPUTED by numerical integration: rectangle of u = 0.8, the rest normal with 0.6."""
    half = 0.8 * math.sqrt(3)
    rectangle = np.linspace(-half, half, 20001)
    smeared = np.mean([0.5 * math.erfc(-(0.7 - r) / 0.6 / math.sqrt(2)) for r in rectangle])
    stated = conformance_probability(0.0, 0.6, None, 0.7, bounds=[(half, 0.0, 0.0)])
    assert stated == pytest.approx(smeared, abs=1e-4)


def test_without_counts_the_error_is_a_rectangle() -> None:
    assert judged("25.00 V dc", "1 %", 25.1) == pytest.approx(0.5 + 0.1 / 0.5, abs=2e-4)
