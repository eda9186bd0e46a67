"""Per check a hook-up card: which jack, function and lead; after a current every volts step asks about the jack."""

from __future__ import annotations

import pytest
from helpers.plan_text import check, part, plan_text, reading_check

PLAN = plan_text(
    part("X"),
    reading_check("A1", "A=", low="0.4 A", high="0.6 A", part="X", meter="MA-01"),
    reading_check(
        "A2", "V=", low="4 V", high="6 V", part="X", meter="MA-01", caution="the capacitor stays charged"
    ),
    mains="230 V",
)


@pytest.fixture
def plan(desk):
    """A current, then volts, with one meter."""
    return desk.write("plan.toml", PLAN)


def test_volts_after_current_demands_the_jacks(desk, plan) -> None:
    """No reading is asked for before the jacks are confirmed; "no" is not accepted; the answer file must say yes."""
    answers = desk.write("a.txt", "0.500 A\nn\ny\n5.00 V\n")
    said = desk.run("run", plan, "--check", "A1", "--check", "A2", "--answers", answers, "--no-cards")
    assert said.code == 0, said.words
    asked = said.words.index("are both its leads back in the volts jacks?")
    assert "short circuit" in said.words[asked:]
    assert asked < said.words.index("what does MA-01 show on V=")


def test_the_jacks_are_asked_about_in_another_session_too(desk, plan) -> None:
    """The lead may still be where it was left last time: a volts step without the confirmation does not go on."""
    assert desk.answer(plan, "A1", ["0.500 A"]).code == 0
    desk.days(3)
    said = desk.answer(plan, "A2", ["A2/voltage: 5.00 V"])
    assert said.code == 2
    assert "jacks" in said.words


def test_the_card_names_function_and_danger_before_anything_is_connected(desk, plan) -> None:
    """Card and danger line come before the first prompt."""
    answers = desk.write("a.txt", "5.00 V\n")
    said = desk.run("run", plan, "--check", "A2", "--answers", answers)
    before = said.words[: said.words.index("what does MA-01 show")]
    assert "the capacitor stays charged" in before
    assert "MA-01" in before
    assert "V=" in before


def test_a_scope_clip_on_a_mains_referenced_node_is_blocked(desk) -> None:
    """Its ground is protective earth: refused when the plan is read, whatever is connected."""
    clip = check(
        "A1",
        "ratio",
        part="X",
        expect="60",
        scope="SC-03",
        primary="CH1",
        secondary="CH2",
        mains_referenced=True,
    )
    plan = desk.write("plan.toml", plan_text(part("X"), clip))
    said = desk.run("run", plan, "--check", "A1", "--answers", desk.write("a.txt", "\n"))
    assert said.code == 2
    assert "scope clip on a node connected to mains (mains_referenced) is refused" in said.words
