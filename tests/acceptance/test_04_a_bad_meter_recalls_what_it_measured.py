"""A meter found bad recalls what was measured with it, through derived values to decisions, and nothing else."""

from __future__ import annotations

import json
from typing import Any

from helpers.desk import Desk


def entries(desk: Desk) -> list[dict[str, Any]]:
    """The whole record, from its export."""
    desk.run("record", "export", "--jsonl", desk.folder / "out")
    text = (desk.folder / "out" / "entries.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def test_exactly_the_two_volts_results_in_the_window_are_flagged(story_end: Desk) -> None:
    """MB-02 fails V= on day 96, last good on day 34: C05 and C13; not C03 and C04, not ohms, scope or MA-01."""
    record = entries(story_end)
    (recall,) = [e["body"] for e in record if e["kind"] == "recall"]
    assert (recall["meter"], recall["function"]) == ("MB-02", "V=")
    assert {item["check_id"] for item in recall["results"]} == {"C05", "C13"}
    by_seq = {e["seq"]: e for e in record}
    for seq, day in ((recall["after_entry"], "2026-04-05"), (recall["to_entry"], "2026-06-06")):
        assert by_seq[seq]["kind"] == "standard"
        assert by_seq[seq]["time"].startswith(day)
    flagged = {item["entry"] for item in recall["results"]}
    rested = {
        e["seq"]
        for e in record
        if e["kind"] == "result"
        and "MB-02" in e["body"]["instruments"]
        and recall["after_entry"] < e["seq"] < recall["to_entry"]
    }
    assert flagged == rested


def test_measured_again_with_another_meter_nothing_hangs_on_it(story_end: Desk) -> None:
    """At the end both checks were measured with MA-01, are passed, and are not recalled."""
    status = story_end.status(story_end.folder / "plan.toml")
    for check in ("C05", "C13"):
        assert status["check"][check]["state"] == "passed"
        assert status["check"][check]["recall"] == ""
