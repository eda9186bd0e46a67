"""Uncertainty, guard band and four verdicts come without the user's arithmetic."""

from __future__ import annotations

import pytest
from helpers.plan_text import part, plan_text, reading_check

SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", "--mains", "236 V", "--mains-nominal", "230 V")


def test_the_meters_statement_gives_u(desk) -> None:
    """27.75 V on a meter of 1 % + 5 counts: ± 0.38 V."""
    result = desk.run(*SUPPLY, "--reading", "27.75 V ac", "--meter", "MA-01", "--json").json
    assert result["quantities"]["no_load_voltage"]["expanded_uncertainty"] == pytest.approx(0.38, abs=0.005)
    assert result["verdict"] == "pass"


def test_near_a_limit_it_is_indeterminate_with_its_probability(desk) -> None:
    """28.7 V within 25.6 to 29.0 V: inside, but not by U: indeterminate with its probability, exit 3.

    By hand, 1 % + 5 counts of 28.70 V: one error within ± 0.337 V leaves 0.945; a gain within ± 0.287 V and a zero within
    ± 0.050 V, apart, leave 0.988.
    """
    near = reading_check("A1", "V~", low="25.6 V", high="29.0 V", meter="MA-01")
    plan = desk.write("plan.toml", plan_text(part("T1"), near))
    said = desk.answer(plan, "A1", ["28.70 V"], "--json")
    (result,) = said.lines
    assert (said.code, result["verdict"]) == (3, "indeterminate")
    assert 0.945 <= result["conformance_probability"] <= 0.988
    assert "guard band" in result["rule"]


def test_what_a_digit_can_not_resolve_names_the_better_method(desk) -> None:
    """0.2 ohm on a digit of 0.1 ohm: not resolvable, use four wires."""
    said = desk.run(
        "continuity", "--reading", "0.4 ohm", "--meter", "MA-01", "--lead-null", "0.2 ohm",
        "--wire", "AWG 24", "--length", "2.4 m",
    )  # fmt: skip
    assert said.code == 3
    assert "can't be resolved: use four wires" in said.words


@pytest.mark.parametrize(
    ("reading", "verdict", "code"),
    [("27.75 V ac", "pass", 0), ("20.00 V ac", "fail", 1), ("29.30 V ac", "indeterminate", 3)],
)
def test_every_verdict_has_its_exit_code(desk, reading: str, verdict: str, code: int) -> None:
    """Pass 0, fail 1, indeterminate 3, each with its reason."""
    said = desk.run(*SUPPLY, "--reading", reading, "--meter", "MA-01", "--json")
    assert (said.json["verdict"], said.code) == (verdict, code)
    assert said.json["reason"]


def test_what_was_skipped_is_not_done_and_never_passed(kiln) -> None:
    """Skipping C03 with a reason leaves it due."""
    said = kiln.answer(kiln.plan, "C03", ["s", "no mains today"])
    assert said.code == 3
    assert kiln.status(kiln.plan)["check"]["C03"]["state"] == "due"
