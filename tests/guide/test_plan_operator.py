"""Whoever works the simulated bench in a practice run does what the prompt says, with the meter it is about."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchlog.bench import read_bench
from benchlog.cli import main
from benchlog.clock import ManualClock
from benchlog.demo.plan_operator import PlanOperator
from benchlog.demo.story_operator import story_plan
from benchlog.guide.person import Prompt
from benchlog.plan import read_plan
from benchlog.reading import Function
from benchlog.simulation import shared_bench
from benchlog.units import parse_quantity


@pytest.fixture
def operator(tmp_path: Path) -> Iterator[PlanOperator]:
    assert main(["new", str(tmp_path / "p")]) == 0
    sheets = read_bench(tmp_path / "p" / "bench.toml")
    with shared_bench(sheets.simulated, ManualClock(0)) as bench:
        yield PlanOperator(bench, read_plan(tmp_path / "p" / "plan.toml"), sheets, lambda text, style: None)


def volts(text: str) -> float:
    return parse_quantity(text.removesuffix(" ac").removesuffix(" dc"), "V").value


def test_the_meter_that_is_doubted_goes_on_the_known_source(operator: PlanOperator) -> None:
    """Of two on one node the second may be the doubted one; the first stays where it is."""
    operator.answer(Prompt("hookup", "both on the output", "C03/hookup"))
    before = volts(operator.answer(Prompt("display", "?", "C03/MB-02", "MB-02", Function.AC_VOLTS)))
    assert before == pytest.approx(27.0, abs=1.5)
    operator.answer(Prompt("hookup", "a fresh cell", "C03/doubt/more/fresh_cell", "MB-02"))
    shown = operator.answer(
        Prompt("display", "?", "C03/doubt/more/fresh_cell/reading", "MB-02", Function.DC_VOLTS)
    )
    assert volts(shown) == pytest.approx(1.6, abs=0.1)  # a fresh alkaline cell: common practice, no source
    operator.answer(Prompt("hookup", "as before", "C03/doubt/mended", "MB-02"))
    again = volts(operator.answer(Prompt("display", "?", "C03/doubt/again", "MB-02", Function.AC_VOLTS)))
    assert again == pytest.approx(before, abs=0.5)


def test_what_was_left_on_the_bench_is_switched_off(operator: PlanOperator) -> None:
    """On going on after a stop."""
    operator.answer(Prompt("hookup", "clips on, plug in", "C01/hookup"))
    assert volts(operator.answer(Prompt("display", "?", "C01/no_load", "MA-01", Function.AC_VOLTS))) > 20
    operator.answer(Prompt("hookup", "switch it off, unplug it", "start/off"))
    assert volts(operator.answer(Prompt("display", "?", "", "MA-01", Function.AC_VOLTS))) < 1


def test_the_demos_own_plan_is_connected_as_in_the_demo(tmp_path: Path) -> None:
    """C01 reads T1's primary at the pins of its plug, which no drawing names: about 67 ohm, not the 1 ohm of its output."""
    assert main(["new", str(tmp_path / "p")]) == 0
    sheets = read_bench(tmp_path / "p" / "bench.toml")
    with shared_bench(sheets.simulated, ManualClock(0)) as bench:
        operator = PlanOperator(bench, story_plan(), sheets, lambda text, style: None)
        operator.answer(Prompt("hookup", "tips on the plug", "C01/primary/hookup"))
        shown = operator.answer(Prompt("display", "?", "C01/primary", "MA-01", Function.OHMS))
        assert parse_quantity(shown, "ohm").value == pytest.approx(67, abs=5)
