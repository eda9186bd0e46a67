"""A check standard gives E_n in units of the specification and a chart in units of the repeatability."""

from __future__ import annotations

import pytest


def test_the_chart_warns_before_the_specification_is_left(desk) -> None:
    """5.01, 5.05, 5.19 V on 5.000 V ± 0.05 % with 0.8 % + 2: E_n 0.14, 0.72, 2.67; the chart acts at the second."""
    answers = []
    for day, reading in ((0, "5.01 V dc"), (34, "5.05 V dc"), (62, "5.19 V dc")):
        desk.days(day)
        answers.append(desk.run("standard", "MB-02", "CS-3", reading, "--json"))
    scores = [a.json["quantities"]["e_n"]["value"] for a in answers]
    assert scores == pytest.approx([0.14, 0.72, 2.67], abs=0.005)
    assert [a.json["verdict"] for a in answers] == ["pass", "pass", "fail"]
    assert [a.code for a in answers] == [0, 0, 1]
    charted = [any("chart alarm" in f for f in a.json["findings"]) for a in answers]
    assert charted == [False, True, True]
    assert answers[1].json["recall"] is None  # only a failed specification recalls


def test_status_stops_trusting_the_meter(desk) -> None:
    """After the fail, status says so; as left after a new battery it is trusted again."""
    plan = desk.write("plan.toml", '[project]\nname = "P"\n[[part]]\ntag = "X"\n')
    desk.run("standard", "MB-02", "CS-3", "5.19 V dc")
    assert [m["trust"] for m in desk.status(plan)["meters"]] == ["do not trust"]
    desk.run("standard", "MB-02", "CS-3", "5.01 V dc", "--as-left")
    assert [m["trust"] for m in desk.status(plan)["meters"]] == ["trust"]
