"""Logbooks of every schema version there was: read as they are, brought up to date with a copy kept."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.logbook import Logbook
from benchlog.logbook.database import SCHEMA_VERSION
from benchlog.logbook.verify import verify
from benchlog.logbook.view import LogbookView

OLD = sorted((Path(__file__).parents[1] / "old_logbooks").glob("version_*.logbook"))
HEADS = {1: "979c8160ca77191e5c3548288874534b2beba5f4dcf7cfad249f386652f179f9"}


@pytest.fixture(params=OLD, ids=lambda path: path.stem)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A copy of an old logbook."""
    return Path(shutil.copy(request.param, tmp_path))


def test_there_is_an_old_logbook_of_every_version() -> None:
    """Before this schema version is left behind, one of its files joins the others."""
    assert [path.stem for path in OLD] == [f"version_{n}" for n in range(1, SCHEMA_VERSION)]
    assert sorted(HEADS) == list(range(1, SCHEMA_VERSION))


def test_an_old_logbook_is_read_without_being_changed(old: Path) -> None:
    """For reading, no migration is needed."""
    before = old.read_bytes()
    version = int(old.stem.removeprefix("version_"))
    with Logbook.open(old, mode="ro") as book:
        assert book.head().digest == HEADS[version]
        frame = LogbookView(book).readings()
        assert len(frame) == 123
        assert frame["value"].dropna().between(27.7, 27.8).all()
        assert [r.verdict for _, r in book.results()] == ["fail", "pass"]
        assert book.capture(next(book.entries("capture")).seq).n_samples == 500
    assert verify(old, head=HEADS[version]).ok
    assert old.read_bytes() == before


def test_an_old_logbook_is_migrated_with_a_copy_kept(old: Path) -> None:
    """Entries stay digest for digest; the migration is an entry; the old file lies beside, intact."""
    version = int(old.stem.removeprefix("version_"))
    clock = ManualClock(parse_rfc3339("2026-06-01T09:00:00Z"))
    with Logbook.open(old, clock=clock) as book:
        step = book.entry(book.head().seq)
        assert step.kind == "migration"
        assert step.previous == HEADS[version]
        kept = old.with_name(step.body["kept_copy"])
        book.append_readings(book.readings_of(next(book.entries("readings")).seq), stream="new", position=0)
    assert verify(old, head=HEADS[version]).ok
    assert verify(kept, head=HEADS[version]).ok
    with Logbook.open(kept, mode="ro") as book:
        assert book.head().digest == HEADS[version]
    with Logbook.open(old, clock=clock) as book:
        assert len(list(book.entries("migration"))) == 1
