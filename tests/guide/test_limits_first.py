"""Limits come before the reading: without them it is exploratory, edited afterwards they prove nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.guided_project import ALL, BIAS, GuidedProject, box_plan
from helpers.plan_text import reading_check
from helpers.scripted_person import ScriptedPerson

from benchlog.errors import HoldRefusedError
from benchlog.project.state import CheckState
from benchlog.result import Verdict


def test_limits_are_fixed_before_the_reading(rig: GuidedProject) -> None:
    """Exploratory readings open nothing, and limits edited after the reading re-open the check and say why."""
    rig.run(ScriptedPerson(ALL))
    rig.release()
    rig.rewrite(box_plan(BIAS.replace("5.2 V", "5.3 V")))
    bias = rig.state.checks["C01"]
    assert bias.state is CheckState.STALE
    assert "edited after its reading" in bias.reason
    with pytest.raises(HoldRefusedError, match="C01"):
        rig.release()


def test_a_reading_without_limits_is_exploratory(tmp_path: Path) -> None:
    with GuidedProject(tmp_path, box_plan(reading_check("C01", "V="))) as rig:
        assert rig.run(ScriptedPerson(ALL)) is Verdict.NOT_DONE
        assert "exploratory" in rig.results[0].reason
        with pytest.raises(HoldRefusedError, match="C01"):
            rig.release()
