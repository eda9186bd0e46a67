"""A reading whose expected value is another meter's reading of the same points: 24.0 V beside 27.75 V."""

from __future__ import annotations

import pytest

from benchlog.diagnosis import Case, diagnose
from benchlog.diagnosis.answer import Diagnosis

COMPARED, ON_RECORD = "compared with a meter", "meters disagreed"


def found(*context: str, steps: tuple[tuple[str, str], ...] = ()) -> Diagnosis:
    """The answer for the meter that shows 24.0 V."""
    return diagnose(Case.from_text("27.75 V ac", "24.0 V ac", evidence=steps, context=context))


def test_neither_mains_nor_part_explain_a_difference() -> None:
    """Two meters on the same points at the same time see the same source."""
    plain, beside = found(), found(COMPARED)
    alike = {"mains_off_nominal", "part_low", "all_good"}
    share = [sum(c.probability for c in s.causes if c.id in alike) for s in (plain, beside)]
    assert share[1] < 0.01 < share[0]
    assert beside.causes[0].family in ("meter", "lead", "setting")


@pytest.mark.parametrize(("cell", "at_fault"), [("1.605", False), ("1.388", True)])
def test_either_meter_may_be_wrong(cell: str, at_fault: bool) -> None:
    """13.5 % apart: a new cell (1.60 to 1.65 V, common practice) shows which of the two is wrong."""
    steps = (
        *(("fresh_cell", f"{cell} V dc"), ("reread", "24.0 V ac"), ("known_resistor", "10.0 kohm")),
        *(("load_150", "23.0 V ac"), ("dc_same_points", "0.002 V dc"), ("read_mains", "230 V ac")),
    )
    state = found(COMPARED, ON_RECORD, steps=steps)
    assert state.meter_at_fault is at_fault
    assert state.causes[0].family == ("meter" if at_fault else "other meter")
    assert not {"reread_nameplate", "read_mains"} & {check.action for check in state.next}


def test_a_third_meter_decides_and_confirms_that_the_other_one_is_wrong() -> None:
    """The meter reads a new cell right (1.60 to 1.65 V, common practice), and a third one shows what it shows."""
    steps = (
        *(("reread", "24.0 V ac"), ("short_tips", "0.00 V ac"), ("fresh_cell", "1.605 V dc")),
        *(("look", "in order"), ("reselect_function", "24.0 V ac"), ("second_meter", "24.1 V ac")),
    )
    state = found(COMPARED, steps=steps)
    assert (state.stop, state.causes[0].family, state.confirmed) == ("decided", "other meter", True)
    assert not state.meter_at_fault
    plain = found(steps=steps)
    assert plain.causes[0].family != "other meter"  # without another meter there is none to blame


def test_a_disagreement_counts_once() -> None:
    """The comparison that gave the expected value is the one on record."""
    assert found(COMPARED, ON_RECORD) == found(COMPARED)
