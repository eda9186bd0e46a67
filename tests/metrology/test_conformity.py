"""Conformance probability and the guard-band rule against JCGM 106, ISO 14253-1 and ILAC-G8 examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchlog.influence import Influence, Role
from benchlog.metrology.conformity import conformance_probability, judge
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
    """28.7 V of 25.6 to 29.0 V with u = 0.19 V: P = 0.94 within, not to be told."""
    judged = judge(known(28.7, 0.19), Limits(25.6, 29.0, "V"))
    assert judged.verdict is Verdict.INDETERMINATE
    assert judged.conformance_probability == pytest.approx(0.943, abs=0.001)


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


@pytest.mark.parametrize("share", [1.0, 0.85, 0.6, 0.5], ids=lambda s: f"gain is {s:g} of the bound")
def test_a_meter_s_own_error_is_neither_rectangle_nor_normal(share: float) -> None:
    """Draws of both extremes: one fraction of the whole bound, and gain and zero apart; the stated P is within 0.05 of each."""
    rng, n, bound = np.random.default_rng(3), 200_000, 0.3
    gain, zero = bound * share, bound * (1 - share)
    one = rng.uniform(-bound, bound, n)
    apart = rng.uniform(-gain, gain, n) + rng.uniform(-zero, zero, n)
    u = bound / math.sqrt(3)
    for error in np.linspace(-1.1 * bound, 1.1 * bound, 23):
        stated = conformance_probability(0.0, u, None, error, u_rectangle=u)
        assert abs(stated - np.mean(one < error)) < 0.05
        if share > 0.6:  # with as much zero as gain nothing fits both
            assert abs(stated - np.mean(apart < error)) < 0.06


def test_with_other_inputs_the_rectangle_is_smeared() -> None:
    """RECOMPUTED by numerical integration: half normal, half rectangle plus normal, u = 1, rectangle 0.8, rest 0.6."""
    rectangle = np.linspace(-0.8 * math.sqrt(3), 0.8 * math.sqrt(3), 20001)
    smeared = np.mean([0.5 * math.erfc(-(0.7 - r) / 0.6 / math.sqrt(2)) for r in rectangle])
    normal = 0.5 * math.erfc(-0.7 / math.sqrt(2))
    assert conformance_probability(0.0, 1.0, None, 0.7, u_rectangle=0.8) == pytest.approx(
        (smeared + normal) / 2, abs=1e-5
    )


def test_the_meter_s_line_of_the_budget_is_what_counts() -> None:
    def judged(applied: float) -> float:
        line = BudgetLine("accuracy", 0.2, Influence(Role.READING, "MA-01", "V="), 5.0, applied)
        return judge(
            Uncertain(5.0, 0.2, 0.4, "V", budget=(line,)), Limits(None, 5.2, "V")
        ).conformance_probability

    assert judged(0.0) == pytest.approx(conformance_probability(5.0, 0.2, None, 5.2, u_rectangle=0.2))
    assert judged(0.01) == pytest.approx(0.8413, abs=1e-4)
