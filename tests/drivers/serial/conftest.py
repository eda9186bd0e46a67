"""Fixtures of the serial tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from helpers.pty_meter import PtyMeter


@pytest.fixture
def meter() -> Iterator[PtyMeter]:
    """The meter's end of a serial line, silent until the test sends."""
    with PtyMeter() as end:
        yield end
