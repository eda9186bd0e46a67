"""Reading check standards by command: one by one, in a round, in a session; slips are asked about first."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from helpers.checked_meter import StandardsDesk

from benchlog.displayed import parse_displayed
from benchlog.logbook import Logbook


class Terminal(io.StringIO):
    """Text that passes for a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


@pytest.fixture
def desk(tmp_path: Path) -> StandardsDesk:
    """Nothing measured yet."""
    return StandardsDesk(tmp_path)


@pytest.mark.parametrize(("shown", "asked"), [("5.01 mV dc", "prefix"), ("-5.01 V dc", "leads swapped")])
def test_a_slip_starts_no_recall_in_a_script(desk: StandardsDesk, shown: str, asked: str) -> None:
    """A lost prefix, swapped leads: exit 3, the question in words, no recall; --as-read holds it against the meter."""
    said = desk.run("standard", "MB-02", "CS-3", shown, "--json")
    assert said.code == 3
    assert said.json["verdict"] == "not done"
    assert said.json["recall"] is None
    assert asked in said.json["reason"]
    with Logbook.open(desk.logbook, clock=desk.clock, mode="ro", create=False) as book:
        assert [e.kind for e in book.entries()][-1] == "exploratory"
        assert not list(book.entries(("standard", "recall")))
    kept = desk.run("standard", "MB-02", "CS-3", shown, "--as-read", "--json")
    assert kept.code == 1
    assert kept.json["recall"] is not None


def test_the_question_comes_first_at_a_terminal(desk: StandardsDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    """A person who reads the display again types it anew."""
    monkeypatch.setattr("helpers.desk.io.StringIO", Terminal)
    said = desk.run("standard", "MB-02", "CS-3", "5.01 mV dc", "--json", stdin="5.01 V dc\n")
    assert said.code == 0
    assert "what does the display show" in said.err


@pytest.mark.parametrize("shown", ["462 V dc", "46.2 V dc", "0.462 V dc"])
def test_a_slip_on_a_meter_that_is_itself_some_percent_off_is_asked_about(
    desk: StandardsDesk, shown: str
) -> None:
    """The meter really shows 4.62 V on 5 V: a wrong power of ten must not recall results by 9000 %."""
    said = desk.run("standard", "MB-02", "CS-3", shown, "--json")
    assert said.code == 3
    assert said.json["recall"] is None
    real = desk.run("standard", "MB-02", "CS-3", "4.62 V dc", "--json")
    assert real.code == 1
    assert real.json["quantities"]["e_n"]["value"] > 1  # its sign is in the difference
    assert real.json["quantities"]["difference"]["value"] < 0


def test_the_round_ends_in_exit_3_when_nothing_was_read(desk: StandardsDesk) -> None:
    """At the end of the input it says what is missing, on a line of its own."""
    nothing = desk.run("standard", "MB-02", stdin="")
    assert nothing.code == 3
    assert "the input ended: CS-3, CS-9, CS-10 not read" in nothing.err.splitlines()
    left_out = desk.run("standard", "MB-02", stdin="\n\n\n")
    assert left_out.code == 3
    assert "no standard was read" in left_out.err
    half = desk.run("standard", "MB-02", stdin="5.01\n")
    assert half.code == 3
    failed = desk.run("standard", "MB-02", stdin="5.50\n")
    assert failed.code == 1


def test_the_round_reads_a_linked_meter(desk: StandardsDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    """Enter takes the reading over the link, s leaves a standard out."""
    text = desk.bench.read_text(encoding="utf-8")
    desk.bench.write_text(text.replace('address = "typed:"', 'address = "sim:MB-02"'), encoding="utf-8")
    asked = []

    def link(ctx: object, meter: str, function: Any = None, **more: Any) -> Any:
        asked.append((meter, str(function)))
        return parse_displayed("5.01 V dc", instrument=meter)

    monkeypatch.setattr("benchlog.cli.standard.live_reading", link)
    said = desk.run("standard", "MB-02", "--json", stdin="\ns\ns\n")
    assert said.code == 0
    assert asked == [("MB-02", "V=")]
    assert [line["details"]["standard"] for line in said.lines] == ["CS-3"]


def test_a_second_failure_in_a_round_points_to_the_list_above(desk: StandardsDesk) -> None:
    """What is listed is not denied by the next line."""
    desk.run("supply", "--nameplate", "5 V dc 1 A", "--reading", "5.00 V dc", "--meter", "MB-02")
    said = desk.run("standard", "MB-02", stdin="5.50\n9.90\n\n")
    assert said.code == 1
    assert "nothing more than listed above" in said.words
    assert "no result in the logbook used it" not in said.words


def test_no_chart_alarm_before_there_is_a_base_line(desk: StandardsDesk) -> None:
    """One earlier reading is not a base line: only with E_n near its limit does the chart speak."""
    desk.run("standard", "MB-02", "CS-3", "5.00 V dc")
    quiet = desk.run("standard", "MB-02", "CS-3", "5.03 V dc", "--json").json
    assert quiet["findings"] == []
    assert quiet["details"]["chart"]["signal"] == "quiet"
    loud = desk.run("standard", "MB-02", "CS-3", "5.06 V dc", "--json").json
    assert loud["findings"][0].startswith("chart alarm: ")
    assert loud["findings"][0].endswith(" standard deviations from its own base line (alarm above 3)")


def test_the_round_of_a_scripted_session_asks_about_a_prefix_too(desk: StandardsDesk) -> None:
    """run --standards from a file: millivolts on 5 V are kept as exploratory, nothing is recalled."""
    said = desk.answer(
        desk.plan,
        "C02",
        ["start/MB-02/tips/reading: 0.2 ohm", "start/MB-02/CS-3/reading: 5.01 mV",
         "start/MB-02/CS-10/reading: 10.00 kohm", "C02/reading: 5.00 V"],
        "--standards",
    )  # fmt: skip
    assert "prefix" in said.words
    with Logbook.open(desk.logbook, clock=desk.clock, mode="ro", create=False) as book:
        assert [e.body["displayed"] for e in book.entries("exploratory")] == ["5.01 mV"]
        assert not list(book.entries("recall"))
