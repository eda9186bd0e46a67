"""Answers from a file: lines that name their prompt, and a line that comes out of order."""

from __future__ import annotations

import pytest
from helpers.guided_project import GuidedProject

from benchlog.guide.person import ScriptedPerson
from benchlog.result import Verdict


def test_a_file_may_hold_nothing_but_readings(rig: GuidedProject) -> None:
    """Lines that name their prompt leave the hook-ups to be taken as done."""
    lines = [
        "# bench of today",
        "C01/voltage: 5.00",
        "C02/current: 0.500",
        "C03/voltage/jacks: y",
        "C03/voltage: 12.0",
    ]
    assert rig.run(ScriptedPerson(lines)) is Verdict.PASS


def test_a_file_out_of_order_is_named_with_its_line(rig: GuidedProject) -> None:
    with pytest.raises(Exception, match="line 1 of the answers is for 'C02/current'") as error:
        rig.run(ScriptedPerson(["C02/current: 0.500"]))
    assert "C01/voltage: ..." in error.value.hint  # type: ignore[attr-defined]
