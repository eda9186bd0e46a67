"""Fixtures of the project's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.checked_meter import CheckedMeter


@pytest.fixture
def record(tmp_path: Path) -> Iterator[CheckedMeter]:
    """An empty record."""
    with CheckedMeter(tmp_path) as made:
        yield made
