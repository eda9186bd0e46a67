"""Commands while a meter is in doubt: run, release, status and the one-shot checks say so."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.checked_meter import StandardsDesk
from helpers.plan_text import check, hold, part, plan_text


@pytest.fixture
def desk(tmp_path: Path) -> StandardsDesk:
    """Nothing measured yet."""
    return StandardsDesk(tmp_path)


def test_a_hold_does_not_open_on_a_meter_that_failed(desk: StandardsDesk) -> None:
    """Fail, measure, release: refused with the reason; new battery, measured again: released."""
    desk.run("standard", "MB-02", "CS-3", "5.50 V dc")
    said = desk.answer(desk.plan, "C02", ["", "5.00 V"])
    assert said.code == 3
    assert "until it passes" in said.words
    assert desk.status(desk.plan)["check"]["C02"]["state"] == "indeterminate"
    refused = desk.run("release", desk.plan, "H1")
    assert refused.code == 1
    assert "measured with MB-02 after it failed its check standard (entry" in refused.words
    desk.run("standard", "MB-02", "CS-3", "5.00 V dc", "--as-left")
    assert desk.status(desk.plan)["check"]["C02"]["state"] == "indeterminate"
    assert desk.answer(desk.plan, "C02", ["", "5.00 V"]).code == 0
    assert desk.run("release", desk.plan, "H1").code == 0


def test_a_list_keeps_every_function_a_meter_was_used_on(desk: StandardsDesk) -> None:
    """Volts, then ohms with one meter: the volts failed, so the list is in doubt, whatever was last."""
    both = [
        {"take": "reading", "name": name, "function": function, "meter": "MB-02", "limits": {"high": high}}
        for name, function, high in (("rail", "V=", "6 V"), ("lead", "ohm", "2 ohm"))
    ]
    tables = part("T1"), check("C02", "list", item=both), hold("H1", "open the case of T1", "C02")
    plan = desk.write("list.toml", plan_text(*tables))
    answers = ["C02/rail: 5.00 V", "C02/lead: 0.4 ohm"]
    assert desk.answer(plan, "C02", answers).code == 0
    desk.run("standard", "MB-02", "CS-3", "5.50 V dc")
    assert desk.answer(plan, "C02", answers).code == 3
    assert desk.status(plan)["hold"]["H1"]["state"] == "shut"


@pytest.mark.parametrize(
    "words",
    [
        ("supply", "--nameplate", "5 V dc 1 A regulated", "--reading", "5.00 V dc", "--meter", "MB-02"),
        ("continuity", "--reading", "50.0 mV dc", "--meter", "MB-02", "--current", "0.500 A dc", "--max", "1 ohm"),
        ("crosscheck", "--reading", "MA-01=5.00 V dc", "--reading", "MB-02=5.00 V dc"),
    ],
)  # fmt: skip
def test_one_shot_commands_say_so(desk: StandardsDesk, words: tuple[str, ...]) -> None:
    """A finding with the date and the way out, exit code 3; ohms are not concerned."""
    before = desk.run(*words, "--no-record", "--json")
    assert before.code == 0
    desk.run("standard", "MB-02", "CS-3", "5.50 V dc")
    said = desk.run(*words, "--json")
    assert said.code == 3
    assert said.json["findings"][0].startswith("MB-02 failed its check standard on 2026-03-02: its readings")
    ohms = desk.run(
        "continuity", "--reading", "0.4 ohm", "--meter", "MB-02", "--max", "2 ohm", "--json"
    )  # ratiometric
    assert not any("failed its check standard" in f for f in ohms.json.get("findings", ()))


def test_status_names_meters_never_checked(desk: StandardsDesk) -> None:
    """Meters of the bench file without a check standard, and a session that left no note."""
    desk.run("standard", "MB-02", "CS-3", "5.01 V dc")
    said = desk.run("status", desk.plan)
    assert "meter MA-01: never checked against a standard" in said.words
    assert "MB-02: never checked" not in said.words
    assert "after the last session: not stated" in said.words
    assert desk.status(desk.plan)["never_checked"] == ["MA-01"]
