"""Limits shown and written down before a reading are those the result is judged by, in every kind of check."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from benchlog.logbook import Logbook


def test_every_result_is_judged_by_the_limits_written_down_before_it(
    demo: tuple[Path, dict[str, Any], float],
) -> None:
    """The demo: all kinds of checks but one; limits that follow the mains are fixed when it has been read."""
    with Logbook.open(demo[0] / "kc1.logbook", mode="ro") as book:
        entries = list(book.entries(("expectation", "readings", "capture", "result")))
    fixed: dict[str, dict[str, Any]] = {}
    judged = 0
    for entry in entries:
        if entry.kind == "expectation":
            fixed[str(entry.body["check_id"])] = entry.body["limits"]
        elif entry.kind == "result" and entry.body["check_id"]:
            assert entry.body["limits"] == fixed[entry.body["check_id"]], entry.body["check_id"]
            judged += len(entry.body["limits"])
    assert judged > 20
