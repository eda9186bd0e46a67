"""Fixtures of the guided run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.guided_project import GuidedProject


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[GuidedProject]:
    """The three checks of `box_plan`, nothing done yet."""
    with GuidedProject(tmp_path) as made:
        yield made
