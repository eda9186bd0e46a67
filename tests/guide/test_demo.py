"""The demo end to end: real adapters, real bytes, real analysis; the story's turns come out of the circuit model."""

from __future__ import annotations

import contextlib
import os
import re
import select
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

from helpers.systems import skip_without_terminals

import benchlog
from benchlog.cli import main
from benchlog.logbook import Logbook
from benchlog.result import Result


def results(folder: Path) -> dict[str, list[Result]]:
    """All results by check id, in order."""
    found: dict[str, list[Result]] = {}
    from benchlog.clock import SystemClock

    with Logbook.open(folder / "kc1.logbook", clock=SystemClock(), mode="ro", create=False) as book:
        for entry in book.entries("result"):
            found.setdefault(entry.body["check_id"], []).append(Result.from_json(entry.body))
    return found


def test_the_demo_runs_in_time(demo):
    """Well under 30 s of processor time, whatever else the machine does, and everything is verified."""
    _, summary, seconds = demo
    assert seconds < 30
    assert summary["verified"]
    assert summary["certificate"]


def test_a_lead_is_found_behind_the_near_zero(demo):
    """C03: the first reading is near zero, the diagnosis blames a lead, two meters then agree."""
    folder, _, _ = demo
    (c03,) = results(folder)["C03"]
    diagnosis = c03.details["diagnosis"]
    assert diagnosis["stop"] == "decided"
    assert diagnosis["causes"][0]["family"] == "lead"
    assert c03.verdict == "pass"
    assert any("E_n" in f for f in c03.findings)


def test_load_point_gives_the_source_resistance(demo):
    """C04: 1.85 ohm within its U; the DC resistances give 1.88."""
    folder, _, _ = demo
    source = results(folder)["C04"][0].quantities["source_resistance"]
    assert abs(source.value - 1.87) < 2 * source.expanded_uncertainty


def test_a_miscount_is_caught_and_mended(demo):
    """C10: 101 turns instead of 100 fails, 100 then passes."""
    folder, _, _ = demo
    first, second = results(folder)["C10"]
    assert (first.verdict, first.turns["most_likely"]) == ("fail", 101)
    assert (second.verdict, second.turns["most_likely"]) == ("pass", 100)


def test_a_capacitor_is_replaced(demo):
    """C13: the reading passes, the 35 V rating fails; with 63 V both pass."""
    folder, _, _ = demo
    first, second = results(folder)["C13"][:2]
    assert (first.verdict, first.overall) == ("pass", "fail")
    assert (second.verdict, second.overall) == ("pass", "pass")


def test_the_bad_meter_recalls_exactly_two_checks(demo):
    """MB-02 fails on day 96: C05 and C13 were measured with it since day 34; C03, C04 and all ohms and scope results still count."""
    folder, _, _ = demo
    from benchlog.clock import SystemClock

    with Logbook.open(folder / "kc1.logbook", clock=SystemClock(), mode="ro", create=False) as book:
        (recall,) = book.entries("recall")
        standards = [(e.body["meter"], e.body["verdict"]) for e in book.entries("standard")]
    assert recall.body["meter"] == "MB-02"
    assert {item["check_id"] for item in recall.body["results"]} == {"C05", "C13"}
    assert ("MB-02", "fail") in standards


def test_holds_are_refused_then_released(demo):
    """H1 was refused before anything was measured; all four are released in order at the end."""
    folder, _, _ = demo
    from benchlog.clock import SystemClock

    with Logbook.open(folder / "kc1.logbook", clock=SystemClock(), mode="ro", create=False) as book:
        assert [e.body["hold"] for e in book.entries("release")] == ["H1", "H2", "H3", "H4"]
        assert [e.body["hold"] for e in book.entries("step")] == ["H1", "H2", "H3"]


def test_readings_came_over_the_link_and_by_hand(demo):
    """Linked frames keep their raw bytes, typed ones say that they were typed."""
    folder, _, _ = demo
    with benchlog.open(folder / "kc1.logbook") as book:
        readings = book.readings()
    assert set(readings["instrument"]) >= {"MA-01", "MB-02"}
    assert len(readings) > 20


def test_every_entry_edit_is_caught(demo, tmp_path, capsys):
    """Any one changed field of any stored entry makes verify name it and exit 5."""
    folder, _, _ = demo
    copy = tmp_path / "copy.logbook"
    copy.write_bytes((folder / "kc1.logbook").read_bytes())
    with sqlite3.connect(copy) as db:
        db.execute("UPDATE entry SET time = '2026-03-02T09:00:00.000000001Z' WHERE seq = 40")
    db.close()
    assert main(["record", "verify", "--logbook", str(copy), "--json"]) == 5
    assert "40" in capsys.readouterr().out


def test_the_certificate_says_what_matters(demo):
    """Self-contained, no script, first line about recalls, digest of the head in text and code."""
    folder, _, _ = demo
    page = (folder / "certificate.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "://" not in page.replace("http://www.w3.org/", "")  # names of the SVG standard only
    assert page.count("<svg") >= 4
    for check_id in ("C01", "C16", "H4", "MB-02"):
        assert check_id in page


def test_the_four_jobs_alone(tmp_path: Path, capsys) -> None:
    """--short: the lead found, the turn too many, the drifted meter, the record; each step says why it is done."""
    assert main(["demo", "--short", "--out", str(tmp_path / "kc1")]) == 0
    said = capsys.readouterr().out
    assert all(f"Job {number} of 4" in said for number in (1, 2, 3, 4))
    verdicts = {check: [r.verdict for r in found] for check, found in results(tmp_path / "kc1").items()}
    assert verdicts["C03"] == ["pass"]
    assert verdicts["C10"] == ["fail"]
    assert "outside its specification" in said
    assert "entries are intact" in said


def on_a_terminal(folder: Path, *options: str, most: int, lines: int = 200) -> tuple[str, int]:
    """Run the demo on a terminal of some lines; at each wait but the last allowed one press Enter, then q."""
    skip_without_terminals()
    ours, theirs = os.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "benchlog", "demo", *options, "--out", str(folder)],
        env=os.environ | {"TERM": "xterm", "COLUMNS": "80", "LINES": str(lines)},
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
    )
    os.close(theirs)
    seen, pauses, end_s = "", 0, time.monotonic() + 90
    while child.poll() is None and time.monotonic() < end_s:
        if select.select([ours], [], [], 0.2)[0]:
            with contextlib.suppress(OSError):
                seen += os.read(ours, 1 << 16).decode("utf-8", "replace")
        if seen.count("[Enter goes on") > pauses:
            pauses += 1
            os.write(ours, b"\n" if pauses < most else b"q")
    with child:
        child.kill()
    os.close(ours)
    return seen, child.returncode


def test_on_a_terminal_it_waits_for_enter(tmp_path: Path) -> None:
    """Enter goes on, q ends; what was done until then stays."""
    seen, code = on_a_terminal(tmp_path / "kc1", most=2)
    assert seen.count("[Enter goes on") == 2, seen[-2000:]
    assert code == 130
    assert "check 1 of 17" in seen
    assert list(results(tmp_path / "kc1")) == ["C01", "C02"]


def test_no_more_than_a_screen_is_shown_at_once(tmp_path: Path) -> None:
    """C03 with its diagnosis has about fifty lines; of what fits on a screen nothing is broken."""
    seen, code = on_a_terminal(tmp_path / "kc1", "--check", "C03", most=99, lines=24)
    screens = re.split(r"\[Enter goes on, q ends\]\s+\x1b\[2K", seen.replace("\r\n", "\n"))
    assert code == 0, seen[-2000:]
    assert len(screens) > 2
    assert max(screen.count("\n") - screen.count("\x1b[1A") for screen in screens) < 24  # bars go up again
    assert any(re.match(r"(\x1b\[[\d;]*m)*  chance that the output is live", screen) for screen in screens)
