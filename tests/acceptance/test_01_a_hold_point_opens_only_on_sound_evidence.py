"""A hold point opens only while every check it needs is passed, current, not recalled, on this very part."""

from __future__ import annotations

from pathlib import Path

from helpers.desk import Desk

BAD = ("standard", "MA-01", "--bad", "a second meter reads 8 % higher", "--function", "V~", "--error", "-8 %")


def test_a_recall_before_the_act_closes_the_hold_and_names_the_check(kiln) -> None:
    """MA-01's V~ is recalled while H1 is released but its step is not done: H1 is closed again and names C03.

    C04 is a ratio and still counts; so do C01 and C02, whose V= shares the reference but lies far inside its limits.
    """
    kiln.day_0()
    assert kiln.run("release", kiln.plan, "H1").code == 0
    recalled = kiln.run(*BAD, "--plan", kiln.plan, "--json").json
    kinds = {item["check_id"]: item["class"] for item in recalled["results"]}
    assert {check for check, kind in kinds.items() if not kind.startswith("stands")} == {"C03"}
    assert "C04" in kinds
    status = kiln.status(kiln.plan)
    assert status["hold"]["H1"]["state"] == "shut"
    assert [line.split()[0] for line in status["hold"]["H1"]["missing"]] == ["C03"]
    assert status["check"]["C04"]["state"] == "passed"
    refused = kiln.run("release", kiln.plan, "H1", "--taken")
    assert refused.code == 1
    assert "H1 is not released" in refused.words
    assert "C03 is recalled" in refused.words


def test_a_recall_after_the_act_says_what_the_step_was_taken_on(kiln) -> None:
    """The case is open already: "taken on recalled evidence", first of all actions, and in the certificate's first line."""
    kiln.day_0()
    kiln.run("release", kiln.plan, "H1")
    assert kiln.run("release", kiln.plan, "H1", "--taken").code == 0
    kiln.run(*BAD, "--plan", kiln.plan)
    status = kiln.status(kiln.plan)
    assert status["hold"]["H1"]["state"] == "taken on recalled evidence"
    assert status["next"].startswith("H1 was taken on evidence that was recalled since")
    made = kiln.run(
        "record", "certificate", "--plan", kiln.plan, "--out", kiln.folder / "c.html", "--json"
    ).json
    assert "C03 (T1, entry " in made["headline"]
    assert "recalled (relied on something found bad)" in made["headline"]
    assert "H1 (open T1's case) taken on recalled evidence" in made["headline"]


def test_a_pass_on_another_tag_does_not_open_it(kiln) -> None:
    """The same four checks passed on a part T2 do not open T1's hold point."""
    text = kiln.plan.read_text(encoding="utf-8")
    other = kiln.write(
        "other.toml",
        text.replace('tag = "T1"', 'tag = "T2"').replace('part = "T1"', 'part = "T2"'),
    )
    mine, kiln.plan = kiln.plan, other
    kiln.day_0()
    assert kiln.status(other)["hold"]["H1"]["state"] == "ready to release"
    status = kiln.status(mine)
    assert status["hold"]["H1"]["state"] == "shut"
    assert "T2, not for T1" in status["check"]["C03"]["reason"]
    assert kiln.run("release", mine, "H1").code == 1


def test_a_concession_needs_a_typed_reason_and_shows_on_the_certificate(kiln) -> None:
    """No reason, no release; with one it shows in the first line and in full, also after the step was taken."""
    page = kiln.folder / "c.html"
    for empty in ("", "ok"):
        assert kiln.run("release", kiln.plan, "H1", "--concession", empty).code == 2
    assert kiln.run("release", kiln.plan, "H1", "--concession", "spare supply at hand").code == 0
    assert kiln.run("release", kiln.plan, "H1", "--taken").code == 0
    _first_line_and_reason(kiln, page)


def _first_line_and_reason(desk: Desk, page: Path) -> None:
    desk.run("record", "certificate", "--plan", desk.folder / "plan.toml", "--out", page)
    text = page.read_text(encoding="utf-8")
    assert "spare supply at hand" in text
    assert "C01 to do" in text
