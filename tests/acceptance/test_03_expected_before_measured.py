"""What is expected is written before the reading; limits made to fit afterwards prove nothing."""

from __future__ import annotations

from helpers.plan_text import check, hold, part, plan_text


def test_a_reading_without_limits_is_exploratory_and_releases_nothing(desk) -> None:
    """A check without limits can't be planned; limits typed beside the reading are marked and do not open the hold."""
    tables = part("T1"), check("A1", "reading", function="V~"), hold("H", "open it", "A1")
    no_limits = desk.write("no_limits.toml", plan_text(*tables))
    said = desk.answer(no_limits, "A1", ["27.75 V"])
    assert said.code != 0
    assert desk.run("release", no_limits, "H").code != 0
    typed = desk.run(
        "continuity", "--reading", "0.4 ohm", "--accuracy", "0.8 % + 2", "--max", "1 ohm", "--json"
    ).json
    assert typed["limits_set"] == "typed"


def test_limits_edited_after_the_reading_are_flagged(kiln) -> None:
    """Widening C04's limits after its reading makes the result stale, closes the hold and says why."""
    kiln.day_0()
    assert kiln.status(kiln.plan)["hold"]["H1"]["state"] == "ready to release"
    text = kiln.plan.read_text(encoding="utf-8")
    kiln.plan.write_text(
        text.replace('low = "1.4 ohm", high = "2.4 ohm"', 'low = "1.0 ohm", high = "2.8 ohm"'),
        encoding="utf-8",
    )
    status = kiln.status(kiln.plan)
    assert status["check"]["C04"]["state"] == "stale"
    assert "edited after its reading" in status["check"]["C04"]["reason"]
    refused = kiln.run("release", kiln.plan, "H1")
    assert refused.code == 1
    assert "edited after its reading" in refused.words


def test_the_expectation_is_in_the_record_before_the_reading(kiln) -> None:
    """In the chain, the entry with expectation and limits comes before the reading and the result."""
    kiln.day_0()
    kiln.run("record", "export", "--jsonl", kiln.folder / "out")
    lines = (kiln.folder / "out" / "entries.jsonl").read_text(encoding="utf-8").splitlines()
    kinds = [k for line in lines for k in ("expectation", "readings", "result") if f'"kind":"{k}"' in line]
    assert kinds[:3] == ["expectation", "readings", "readings"]
    assert kinds.index("expectation") < kinds.index("readings") < kinds.index("result")
