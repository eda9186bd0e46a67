"""A substituted part re-opens its checks and those of what it feeds, recomputes expectations, and nothing else."""

from __future__ import annotations

import pytest
from helpers.desk import Desk

SUBSTITUTION = """
[[substitution]]
part = "T1"
what = "18 V~ 40 VA instead of 24 V~ 40 VA"
reason = "24 V not to be had"
"""
#: T1's own; what it feeds: current channel and rectifier; and the finished controller behind them (C16 with C14).
TOUCHED = {"C01", "C02", "C03", "C04", "C04b", "C05", "C12", "C13", "C14", "C16"}


@pytest.fixture
def substituted(story_end: Desk) -> Desk:
    """The finished controller gets an 18 V transformer: the plan says so, nothing is measured yet."""
    plan = story_end.folder / "plan.toml"
    text = plan.read_text(encoding="utf-8").replace("24 V ac 40 VA", "18 V ac 40 VA")
    text = text.replace('capacitor = "63 V"', 'capacitor = "35 V"')
    text = text.replace(
        'limits.no_load_voltage = { low = "20 V", high = "35 V" }',
        'limits.no_load_voltage = { low = "15 V", high = "26 V" }',
    )
    plan.write_text(text + SUBSTITUTION, encoding="utf-8")
    return story_end


def test_exactly_what_it_touches_is_open_again(substituted: Desk) -> None:
    """From 24 to 18 V: T1, the channel and rectifier it feeds, the controller; toroids, burden and relay stay passed."""
    status = substituted.status(substituted.folder / "plan.toml")
    states = {check: s["state"] for check, s in status["check"].items()}
    assert {check for check, state in states.items() if state == "stale"} == TOUCHED
    assert {check for check, state in states.items() if state == "passed"} == {
        "C06",
        "C07",
        "C08",
        "C09",
        "C10",
        "C11",
        "C15",
    }
    for check in TOUCHED:
        assert "T1 was substituted" in status["check"][check]["reason"]
    assert status["next"].startswith("repeat C01 on T1")


def test_hold_points_that_need_it_are_closed_again_though_taken(substituted: Desk) -> None:
    """The new transformer's case is not open and never had mains on: H1 to H4 are closed, the next step refused."""
    plan = substituted.folder / "plan.toml"
    status = substituted.status(plan)
    assert {h: s["state"] for h, s in status["hold"].items()} == dict.fromkeys(
        ("H1", "H2", "H3", "H4"), "shut"
    )
    assert substituted.run("release", plan, "H4").code == 1
    assert substituted.run("release", plan, "H1", "--taken").code == 1
    # Written down by now, it says the same.
    again = substituted.status(plan)
    assert again["check"] == status["check"] or {c: s["state"] for c, s in again["check"].items()} == {
        c: s["state"] for c, s in status["check"].items()
    }
    assert "18 V~" in again["substitutions"][-1]["what"]


def test_the_burden_reopens_no_transformer_check(story_end: Desk) -> None:
    """Another burden resistor touches itself and the current channel only."""
    plan = story_end.folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + SUBSTITUTION.replace('"T1"', '"RB"'), encoding="utf-8")
    status = story_end.status(plan)
    assert {c for c, s in status["check"].items() if s["state"] == "stale"} == {"C11", "C12"}
    assert {h for h, s in status["hold"].items() if s["state"] == "shut"} == {"H3", "H4"}


def test_expectations_are_recomputed(kiln) -> None:
    """18 V, 40 VA, r = 0.13: 20.3 V without load at 230 V, rectified 30.9 V at +10 %; a 35 V capacitor is then enough."""
    text = kiln.plan.read_text(encoding="utf-8").replace("24 V ac 40 VA", "18 V ac 40 VA")
    text = text.replace('title = "no-load voltage"', 'title = "no-load voltage"\ncapacitor = "35 V"')
    kiln.plan.write_text(text, encoding="utf-8")
    said = kiln.answer(kiln.plan, "C03", ["C03/mains: 230 V", "C03/no_load: 20.34 V"], "--json")
    (result,) = said.lines
    assert "no-load 20.34 V" in said.err
    assert result["quantities"]["expected_no_load"]["value"] == pytest.approx(20.34, abs=0.005)
    assert result["quantities"]["rectified_peak_worst"]["value"] == pytest.approx(30.94, abs=0.01)
    (rating,) = result["design_checks"]
    assert (rating["verdict"], rating["limit"]) == ("pass", 35)
    assert said.code == 0
    before = kiln.run("supply", "--nameplate", "24 V ac 40 VA", "--mains", "230 V", "--mains-nominal", "230 V",
        "--reading", "27.12 V ac", "--meter", "MA-01", "--capacitor", "35 V", "--no-record")  # fmt: skip
    assert before.code == 1
