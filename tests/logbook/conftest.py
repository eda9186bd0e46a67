"""Logbooks for the tests beside this file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers.small_logbook import START, make_full_logbook, make_small_logbook

from benchlog.clock import ManualClock
from benchlog.logbook import Logbook


@pytest.fixture
def clock() -> ManualClock:
    """A clock moved by hand."""
    return ManualClock(START)


@pytest.fixture
def book(tmp_path: Path, clock: ManualClock) -> Iterator[Logbook]:
    """An empty logbook, open."""
    with Logbook.open(tmp_path / "bench.logbook", clock=clock, project="KC-1") as opened:
        yield opened


@pytest.fixture(scope="session")
def small_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook file with one of everything; to be copied, not changed."""
    return make_small_logbook(tmp_path_factory.mktemp("small") / "small.logbook")


@pytest.fixture(scope="session")
def full_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A logbook file with every kind of entry that a project adds; to be copied, not changed."""
    return make_full_logbook(tmp_path_factory.mktemp("full") / "full.logbook")


@pytest.fixture
def small(small_file: Path, tmp_path: Path) -> Path:
    """A copy of it to spoil."""
    copy = tmp_path / "copy.logbook"
    copy.write_bytes(small_file.read_bytes())
    return copy
