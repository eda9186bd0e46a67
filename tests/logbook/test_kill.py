"""Killed while recording: nothing acknowledged is lost. ``tests/performance/logbook_torture.py`` does it a thousand times."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.logbook_torture import kill_while_recording


@pytest.mark.slow
def test_twenty_kills_lose_and_double_nothing(tmp_path: Path) -> None:
    """Killed at random moments; the program resumes from what was acknowledged, and every logbook verifies."""
    tally = kill_while_recording(tmp_path / "bench.logbook", kills=20, seed=3, longest_s=0.1)
    assert (tally.lost, tally.doubled, tally.faulty_logbooks) == (0, 0, 0)
    assert tally.acknowledged > 0
