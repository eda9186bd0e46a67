"""Entries in one line each, for a list that a person reads."""

from __future__ import annotations

import io
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from helpers.desk import Desk
from rich.console import Console

from benchlog.cli import main
from benchlog.cli.entry_words import summary
from benchlog.cli.show import show_result
from benchlog.logbook.chain import Entry
from benchlog.result import Result, Verdict


def entry(kind: str, **body: Any) -> Entry:
    """An entry of some kind."""
    return Entry(seq=7, kind=kind, session=1, time="2026-03-02T09:00:00Z", body=body, digest="", previous="")


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (
            entry("release", hold="H1", step="open the case", rests_on=[{"check_id": "C01", "entry": 4}], by="R. M."),
            "H1, open the case; by R. M.; evidence: C01 (entry 4)",
        ),
        (
            entry("concession", hold="H1", step="open the case", rests_on=[], by="", reason="spare at hand"),
            "H1, open the case; reason: spare at hand",
        ),
        (
            entry(
                "standard", meter="MB-02", standard="CS-3", displayed="5.19 V dc", verdict="fail", e_n=2.671,
                chart={"signal": "act"}, **{"as": "found"},
            ),
            "MB-02 on CS-3: 5.19 V dc, fail, E_n 2.67, as found, chart alarm",
        ),
        (
            entry("recall", meter="MB-02", function="V=", reason="E_n 2.67", results=[]),
            "MB-02 V=, E_n 2.67: no earlier result used it",
        ),
        (entry("readings", count=2, first_time="2026-03-02T09:00:00.123456789Z", uses=["reading", "lead null"]), "2 readings from 09:00:00.123: reading, lead null"),
        (entry("readings", count=1, first_time="2026-03-02T09:00:00.123456789Z"), "1 reading from 09:00:00.123"),
        (entry("doubt", event="begins", instruments=["MA-01", "MB-02"], reason="E_n 1.68"), "MA-01 and MB-02 in doubt: E_n 1.68"),
        (entry("stop", check_id="C03", part="T1"), "C03 T1: broken off"),
        (entry("note", text="clip was loose", about="T1"), "T1: clip was loose"),
        (entry("recall undone", entry=57, meter="MB-02", reason="wrong standard"), "recall 57 undone: wrong standard"),
        (entry("session end", left="capacitor at 38 V", next=""), "left on or charged: capacitor at 38 V"),
        (entry("recall", of="another program's making", depth={"a": 1}), "of: another program's making, depth.a: 1"),
        (entry("capture", channels=[]), ""),
        (entry("odd", text="a\x1b[2Jb"), "text: a\ufffd[2Jb"),
    ],
)  # fmt: skip
def test_what_a_line_says(made: Entry, words: str) -> None:
    """The few things that matter of its kind; of an unknown body what there is, and nothing that steers a terminal."""
    assert summary(made) == words


def test_no_line_of_the_demo_shows_digests_or_raw_keys(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path
) -> None:
    """All kinds of entries that a project makes have words of their own."""
    desk = Desk(tmp_path / "desk")
    desk.logbook = tmp_path / "kc1.logbook"
    shutil.copy(demo[0] / "kc1.logbook", desk.logbook)
    listed = desk.run("record", "list", "--all").out
    for raw in ("rests_on", "check_id", "chart.", "checks.", "limits."):
        assert raw not in listed


def test_status_names_the_logbook_that_is_there(tmp_path: Path) -> None:
    """Nothing recorded yet, where another logbook is beside it: the reader is informed."""
    desk = Desk(tmp_path / "desk")
    desk.run("new", desk.folder / "p")
    (desk.folder / "other.logbook").touch()
    desk.logbook = desk.folder / "bench.logbook"
    assert "other.logbook" in desk.run("status", desk.folder / "p" / "plan.toml").out


def test_the_only_logbook_of_a_folder_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A second one beside it makes the choice the person's again."""
    monkeypatch.chdir(tmp_path)
    assert main(["record", "note", "first", "--logbook", "kc1.logbook"]) == 0
    assert main(["record", "note", "second"]) == 0
    assert [p.name for p in tmp_path.glob("*.logbook")] == ["kc1.logbook"]
    shutil.copy("kc1.logbook", "copy.logbook")
    assert main(["record", "note", "third"]) == 0
    assert (tmp_path / "bench.logbook").exists()
    capsys.readouterr()
    supply = ["supply", "--nameplate", "24 V ac 40 VA", "--reading", "27.75 V ac", "--accuracy", "1 % + 5"]
    assert main(supply) == 0
    assert "Saved in bench.logbook as entry" in capsys.readouterr().out


def test_a_list_at_forty_columns_keeps_its_words(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each entry begins with its number, time and kind on one line; what it says is below it, whole or nearly."""
    desk = Desk(tmp_path)
    desk.run("record", "note", "the clip on TP4 was loose, so the readings before this one mean nothing")
    monkeypatch.setenv("COLUMNS", "40")
    lines = desk.run("record", "list").out.splitlines()
    assert all(len(line) <= 40 for line in lines)
    assert re.fullmatch(r"2  \d{4}-\d\d-\d\d \d\d:\d\d  note", lines[0])
    assert lines[1:4] == [
        "    the clip on TP4 was loose, so the",
        "    readings before this one mean",
        "    nothing",
    ]


def diagnosed(desk: Desk, *evidence: str) -> str:
    """Number of the entry of a meter that reads high, diagnosed with some evidence."""
    words = [word for text in evidence for word in ("--evidence", text)]
    desk.run("diagnose", "--expect", "27 V ac", "--reading", "31.4 V ac", *words)
    return str(desk.run("record", "list", "--json").json["entries"][0]["entry"])


BATTERY = ("fresh_cell=1.839 V dc", "new_battery=27.1 V ac")


def test_a_diagnosis_on_record_reads_like_one(tmp_path: Path) -> None:
    """What was read, each check with its answer, the likely causes, what was decided; all fields only when asked for."""
    desk = Desk(tmp_path)
    said = desk.run("record", "show", diagnosed(desk, *BATTERY)).out
    lines = said.splitlines()
    assert lines[1] == "31.4 V ac read, 27 V ac expected"
    assert lines[3:5] == ["  fresh cell: 1.839 V dc", "  new battery: 27.1 V ac"]
    assert "> 99 %  the meter's battery is low and it reads high (meter)" in said
    assert "high; confirmed" in " ".join(said.split())
    assert len(lines) < 20
    assert "causes[0].family" not in said
    assert "causes[0].family: meter" in desk.run("record", "show", "2", "--long").out
    seen = diagnosed(desk, "look=battery symbol", BATTERY[0])
    assert "high; not yet confirmed" in " ".join(desk.run("record", "show", seen).out.split())
    open_one = desk.run("record", "show", diagnosed(desk, *BATTERY[:1])).out
    assert "not decided; next check:" in open_one


def test_recalls_and_expectations_on_record_are_words(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path
) -> None:
    """Each recalled result with its class and reason, each limit as it was shown; not the keys of the body."""
    desk = Desk(tmp_path / "desk")
    desk.logbook = tmp_path / "kc1.logbook"
    shutil.copy(demo[0] / "kc1.logbook", desk.logbook)
    entries = {e["kind"]: e["entry"] for e in desk.run("record", "list", "--all", "--json").json["entries"]}
    recall = " ".join(desk.run("record", "show", entries["recall"]).out.split())
    assert re.search(r"entry \d+, C05 T1: measure again no-load voltage 27\.70", recall)
    assert "results[0]" not in recall
    assert (
        "  primary: 40.0 … 110.0 Ω (from the plan)\n"
        in desk.run("record", "show", entries["expectation"]).out
    )


def test_the_list_says_which_numbers_it_leaves_out(
    demo: tuple[Path, dict[str, Any], float], tmp_path: Path
) -> None:
    """A gap in the numbers is explained; with the kinds named there, nothing is missing."""
    desk = Desk(tmp_path / "desk")
    desk.logbook = tmp_path / "kc1.logbook"
    shutil.copy(demo[0] / "kc1.logbook", desk.logbook)
    said = " ".join(desk.run("record", "list", "--all").out.split())
    found = re.search(r"not shown: (\d+) entries between these", said)
    kinds = re.findall(r"\(--kind (\w+)\)", said)
    hidden = [
        len(desk.run("record", "list", "--all", "--kind", kind, "--json").json["entries"]) for kind in kinds
    ]
    assert found
    assert int(found[1]) == sum(hidden)
    assert "not shown" not in desk.run("record", "list", "--all", "--kind", kinds[0]).out


def test_an_entry_of_the_list_uses_the_width_there_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 80 columns a verdict and what it is about are in the first lines, and a text of three lines is whole."""
    desk = Desk(tmp_path)
    diagnosed(desk, *BATTERY)
    for width in (40, 80):
        monkeypatch.setenv("COLUMNS", str(width))
        said = desk.run("record", "list").out
        assert max(map(len, said.splitlines())) <= width
        words = " ".join(said.split())
        assert (
            "31.4 V ac read, 27 V ac expected: decided: the meter's battery is low and it reads high" in words
        )


def test_the_logbook_at_a_glance_pools_no_readings(tmp_path: Path) -> None:
    """0.4 ohm and the lead null of 0.2 ohm have a least and a greatest; their mean would be of nothing."""
    desk = Desk(tmp_path)
    desk.run("continuity", "--reading", "0.4 ohm", "--lead-null", "0.2 ohm", "--max", "1 ohm")
    said = desk.run("record", "show").out
    assert re.search(r"ohm +2 +200\.0 mΩ +400\.0 mΩ", said)
    assert "300.0" not in said


@pytest.mark.parametrize("name", ["labels_only", "version_1"])
def test_every_entry_of_an_old_logbook_is_shown(name: str, tmp_path: Path) -> None:
    """Its results lack fields of today's, such as how likely a number of turns was taken to be."""
    desk = Desk(tmp_path)
    desk.logbook = tmp_path / "old.logbook"
    shutil.copy(Path(__file__).parents[1] / "old_logbooks" / f"{name}.logbook", desk.logbook)
    entries = desk.run("record", "show", "--json").json["entries"]
    for entry in range(1, entries + 1):
        for more in ((), ("--long",)):
            shown = desk.run("record", "show", str(entry), *more)
            assert (shown.code, shown.err) == (0, "")
            assert f"entry {entry}, " in shown.out


def test_a_result_whose_next_steps_have_another_form_is_shown() -> None:
    """Methods by name, without chance and minutes."""
    old = {
        "method": "swap",
        "action": "swap the probes",
        "relative_uncertainty": 1e-3,
        "rounding_right": 0.99,
    }
    details = {"would_settle": [old, old]}
    result = Result(
        check="turns_ratio", verdict=Verdict.INDETERMINATE, reason="60 or 61 turns", details=details
    )
    console = Console(file=io.StringIO(), width=80)
    show_result(console, result)
    assert "60 or 61 turns" in console.file.getvalue()  # type: ignore[attr-defined]
