"""Power cuts, a few; `tests/performance/power_cuts.py` makes thousands."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest
from performance.power_cuts import tried

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        sys.platform != "linux" or not shutil.which("cc"),
        reason="records with a library made by a C compiler",
    ),
]


def test_nothing_acknowledged_is_lost_and_no_file_is_half(tmp_path: Path) -> None:
    """Whatever of the unsynced writes reached the disk."""
    assert set(tried(tmp_path, 40, "", rounds=1)) == {"whole"}


def test_the_bench_sees_losses_where_sqlite_allows_them(tmp_path: Path) -> None:
    """With synchronous=NORMAL a commit is not on the disk when it returns."""
    assert "acknowledged entries lost" in tried(tmp_path, 40, "PRAGMA synchronous=NORMAL", rounds=1)
