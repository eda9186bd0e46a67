"""benchlog new: its plan is done to the end on the simulated bench by somebody who presses Enter and types displays."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from helpers.desk import Desk

from benchlog.plan import read_plan

#: Enter, mains, ... for C01 and C02; what MB-02 shows in C03; C04, C05; the two closing lines.
TYPED = "\n230.4 V\n\n230.4 V\n\n\n\n27.3 V\n\n\n\n\nnothing\n\n"


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A desk with a new project on it."""
    first = Desk(tmp_path / "desk")
    assert first.run("new", tmp_path / "project").code == 0
    return Desk(tmp_path / "project", (tmp_path / "project" / "bench.toml").read_text(encoding="utf-8"))


def faulty(desk: Desk, fault: str) -> None:
    """Give MB-02 a fault, as the plan's comments say."""
    text = desk.bench.read_text(encoding="utf-8")
    desk.write("bench.toml", text.replace('address = "typed:"', f'address = "sim:MB-02?fault={fault}"'))


def test_all_five_checks_pass_and_the_hold_opens(desk: Desk) -> None:
    """Over a pipe: the load is there, the dial turns, the loop is wound, H1 is released."""
    plan = desk.folder / "plan.toml"
    said = desk.run("run", plan, "--no-cards", stdin=TYPED)
    assert said.code == 0, said.words
    assert [line.split()[2] for line in re.findall(r"● PASS  C\d\d", said.out)] == [*read_plan(plan).checks]
    assert desk.run("release", plan, "H1").code == 0


def test_what_is_to_be_typed_is_shown(desk: Desk) -> None:
    """A meter read by eye shows its display to whoever has to type it; so does the mains monitor."""
    said = desk.run("run", desk.folder / "plan.toml", "--no-cards", stdin=TYPED)
    assert re.search(r"on the bench: MB-02 shows 27\.\d V", said.out)
    assert re.search(r"on the bench: the mains monitor shows 2[23]\d\.\d V", said.out)


def test_the_start_round_puts_meters_on_their_standards(desk: Desk) -> None:
    """Tips together, then the surest standard of each reference."""
    lines = "\n\n\n" + "\n0.2 ohm\n\n5.01 V\n\n10.01 kohm\n" + TYPED
    said = desk.run("run", desk.folder / "plan.toml", "--standards", "--no-cards", stdin=lines)
    assert said.code == 0, said.words
    assert "MA-01 on CS-3: E_n" in said.out
    assert "on the bench: MB-02 shows 5.0" in said.out


def test_a_planted_fault_shows(desk: Desk) -> None:
    """A drifted meter disagrees with the other one, and fails its check standard."""
    faulty(desk, "meter_gain_drift")
    assert desk.run("run", desk.folder / "plan.toml", "--check", "C03", stdin="\n\n\n").code == 1
    assert desk.run("standard", "MB-02", "CS-3").code == 1
    assert desk.run("standard", "MA-01", "CS-3").code == 0


def test_a_doubtful_reading_is_diagnosed(desk: Desk) -> None:
    """MA-01 has drifted: the diagnosis has its checks done, then the other meter is put on and its display shown."""
    text = desk.bench.read_text(encoding="utf-8")
    desk.write("bench.toml", text.replace('"sim:MA-01"', '"sim:MA-01?fault=meter_gain_drift"'))
    plan = desk.folder / "plan.toml"
    said = desk.run("run", plan, "--check", "C01", "--no-cards", stdin="\n230.4 V\n" + 8 * "\n")
    assert "expected. Part or meter?" in said.out
    assert re.search(r"on the bench: MB-02 shows 27\.\d V", said.out)


def test_an_unknown_fault_lists_those_there_are(desk: Desk) -> None:
    faulty(desk, "gremlins")
    said = desk.run("run", desk.folder / "plan.toml", "--check", "C03", stdin="\n")
    assert said.code == 2
    assert "no fault 'gremlins'" in said.err
    assert "meter_battery_low" in said.err


def test_one_shot_commands_turn_the_dial(desk: Desk) -> None:
    """On the part that is named; ohms on the live output are refused with what to say instead."""
    winding = desk.run("continuity", "--meter", "MA-01", "--part", "CT1", "--max", "1 ohm")
    assert winding.code == 0, winding.words
    live = desk.run("continuity", "--meter", "MA-01", "--max", "1 ohm")
    assert live.code == 2
    assert "--part CT1" in live.err


def test_what_the_bench_lacks_is_said(desk: Desk) -> None:
    """A part that is only in the plan: one line says so."""
    plan = desk.folder / "plan.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace('"CT1"', '"L7"'), encoding="utf-8")
    said = desk.run("run", plan, "--check", "C04", stdin="\n")
    assert "the simulated bench has no point 'L7'" in said.out
