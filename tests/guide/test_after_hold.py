"""A check that the plan puts behind a hold point waits for it; one that is not put there does not."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.desk import Desk
from helpers.plan_text import hold, part, plan_text, reading_check

from benchlog.errors import ConfigError
from benchlog.plan import read_plan


def text(**second: str) -> str:
    """Three like checks and a hold that needs the first; `second` is what else the plan says of C02."""
    return plan_text(
        part("T1"),
        reading_check("C01", "V=", high="6 V"),
        reading_check("C02", "V=", high="6 V", **second),
        reading_check("C03", "V=", high="6 V"),
        hold("H1", "solder T1 in", "C01"),
    )


PLAN = text(after_hold="H1")


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@pytest.fixture
def plan(desk: Desk) -> Path:
    return desk.write("plan.toml", PLAN)


def test_only_the_check_that_says_so_waits(desk: Desk, plan: Path) -> None:
    """The run does C01 and C03, names the hold, and does C02 once it is released."""
    first = desk.run("run", plan, "--no-cards", stdin="5.0 V\n5.0 V\n")
    assert "== C03" in first.out
    assert "== C02" not in first.out
    assert f"C02 waits for hold point H1: benchlog release {plan} H1" in first.out
    assert desk.status(plan)["check"]["C02"]["state"] == "blocked"
    assert desk.run("release", plan, "H1").code == 0
    assert "== C02" in desk.run("run", plan, "--no-cards", stdin="5.0 V\n").out


def test_a_check_asked_for_by_name_waits_too(desk: Desk, plan: Path) -> None:
    said = desk.run("run", plan, "--check", "C02", "--no-cards", stdin="5.0 V\n")
    assert said.code == 3
    assert "== C02" not in said.out
    assert "C02 waits for hold point H1" in said.out


def test_the_usual_caution_is_shown_once_then_that_of_the_step(desk: Desk) -> None:
    """A step without a caution of its own keeps the usual one."""
    holds = (hold("H1", "a", "C01"), hold("H2", "b", "C01", caution="charged"), hold("H3", "c", "C01"))
    plan = desk.write("plan.toml", plan_text(part("T1"), reading_check("C01", "V=", high="6 V"), *holds))
    assert "prove it dead" not in desk.run("release", plan, "H1").words  # refused
    release = ("--concession", "measured by a friend")
    shown = [desk.run("release", plan, name, *release).words for name in ("H1", "H2", "H3")]
    assert ["prove it dead" in words for words in shown] == [True, False, True]
    assert "caution: charged" in shown[1]


def test_a_hold_that_is_not_there_is_refused(desk: Desk) -> None:
    plan = desk.write("plan.toml", text(after_hold="H9"))
    with pytest.raises(ConfigError, match="C02 comes after hold 'H9'"):
        read_plan(plan)


def test_a_check_is_the_same_behind_a_hold(desk: Desk) -> None:
    """Its place in the plan is not part of what is measured: results from before count on."""
    behind = read_plan(desk.write("a.toml", PLAN)).check("C02").revision
    free = read_plan(desk.write("b.toml", text())).check("C02").revision
    assert behind == free


def test_an_empty_reason_is_asked_for_again(desk: Desk, plan: Path) -> None:
    said = desk.run("run", plan, "--check", "C01", "--no-cards", stdin="s\n\n\nno time\n")
    assert said.out.count("why is it skipped?") == 3
    assert "skipped: no time" in said.out
