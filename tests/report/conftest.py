"""What the tests of pages share."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchlog.clock import ManualClock
from benchlog.logbook import Logbook


@pytest.fixture
def book(tmp_path: Path):
    """An empty logbook."""
    with Logbook.open(tmp_path / "b.logbook", clock=ManualClock(1_800_000_000_000_000_000)) as made:
        yield made
