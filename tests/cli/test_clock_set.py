"""A clock set forward and back again: everything that shows dates says that they are wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.desk import Desk
from helpers.plan_text import part, plan_text, reading_check


@pytest.fixture
def desk(tmp_path: Path) -> tuple[Desk, Path]:
    """A check and a check standard, recorded on 2026-03-02."""
    desk = Desk(tmp_path)
    plan = desk.write(
        "plan.toml", plan_text(part("T1"), reading_check("C01", "V=", low="4 V", high="6 V", valid_days=30))
    )
    return desk, plan


def _work(desk: Desk, plan: Path) -> None:
    desk.run("standard", "MB-02", "CS-3", "5.00 V dc")
    desk.answer(plan, "C01", ["", "5.00 V"])


def test_nothing_is_said_of_a_clock_that_runs(desk: tuple[Desk, Path]) -> None:
    """Days pass; ages are given in days."""
    at, plan = desk
    _work(at, plan)
    at.days(1)
    status = at.status(plan)
    assert status["clock"] == []
    (meter,) = status["meters"]
    assert (meter["tag"], meter["trust"]) == ("MB-02", "trust")
    assert meter["reason"] == "agreed with its check standard on V dc 1 day ago"
    assert meter["checked"] == [
        {"function": "V~", "standard": None, "agreed_with": None, "date": None, "passed": None},
        {"function": "V=", "standard": "CS-3", "agreed_with": None, "date": "2026-03-02", "passed": True},
        {"function": "ohm", "standard": None, "agreed_with": None, "date": None, "passed": None},
    ]
    assert "Dates:" not in _page(at, plan)


def test_work_dated_after_now_proves_nothing_of_today(desk: tuple[Desk, Path]) -> None:
    """Recorded 44 days ahead, looked at with the right clock: no trust from the future, no age, and it is said."""
    at, plan = desk
    at.days(44)
    _work(at, plan)
    at.days(-44)
    status = at.status(plan)
    (clock,) = status["clock"]
    assert "is dated 2026-04-15 09:00 UTC, 44 days in the future (now 2026-03-02 09:00 UTC)" in clock
    assert status["check"]["C01"]["state"] == "stale"
    assert "on 2026-04-15, which is in the future" in status["check"]["C01"]["reason"]
    assert [m["trust"] for m in status["meters"]] == ["check first"]
    verified = at.run("record", "verify", "--json").json
    assert verified["ok"] is True
    assert verified["clock"] == [clock]
    assert clock in at.run("status", plan).words
    assert clock in at.run("record", "verify").words
    assert clock in at.run("record", "list").words
    assert clock in _page(at, plan)


def test_a_clock_set_back_is_shown_where_it_happened(desk: tuple[Desk, Path]) -> None:
    """The record goes on with the right clock: list, status, verify and certificate name the entry and both times."""
    at, plan = desk
    at.days(44)
    _work(at, plan)
    at.days(-44)
    _work(at, plan)
    (clock,) = at.status(plan)["clock"]
    assert clock.startswith("the clock was set back by 44 days at entry ")
    assert "(from 2026-04-15 09:00 UTC to 2026-03-02 09:00 UTC)" in clock
    assert at.status(plan)["check"]["C01"]["state"] == "passed"
    assert [m["trust"] for m in at.status(plan)["meters"]] == ["trust"]
    assert clock in at.run("record", "verify").words
    assert clock in _page(at, plan)
    assert "set back by 44 days, from" in at.run("record", "list", "--all").words


def _page(desk: Desk, plan: Path) -> str:
    page = desk.folder / "page.html"
    desk.run("record", "certificate", "--plan", plan, "--out", page)
    return page.read_text(encoding="utf-8")
