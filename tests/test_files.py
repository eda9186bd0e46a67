"""Files are written whole or not at all; nothing but ordinary files is read, and only so much of them."""

from __future__ import annotations

import os
import stat
import tracemalloc
from pathlib import Path

import pytest
from helpers.systems import make_link, needs_file_modes

from benchlog import files
from benchlog.cli import main


def test_an_older_file_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    """Whatever goes wrong while it is written; and nothing is left lying about."""
    path = tmp_path / "certificate.html"
    path.write_text("old")
    writing = files.whole_file(path)
    writing.__enter__().write("half of the n")
    assert path.read_text() == "old"
    assert not writing.__exit__(OSError, OSError("disk full"), None)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["certificate.html"]


def test_a_file_whose_sync_fails_is_not_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full disk may be noticed only then."""

    def fail(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="space"):
        files.write_whole(tmp_path / "x", "text")
    assert list(tmp_path.iterdir()) == []


def test_line_feeds_on_every_system(tmp_path: Path) -> None:
    files.write_whole(tmp_path / "x", "a\nb\n")
    assert (tmp_path / "x").read_bytes() == b"a\nb\n"


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real", tmp_path / "link"
    real.write_text("old")
    make_link(link, real)
    files.write_whole(link, "new")
    assert real.read_bytes() == b"new"
    assert link.is_symlink()


@needs_file_modes
def test_who_may_read_it_stays(tmp_path: Path) -> None:
    path = tmp_path / "x"
    path.write_text("old")
    path.chmod(0o640)
    files.write_whole(path, "new")
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_device_is_written_to_and_not_replaced(tmp_path: Path) -> None:
    """As with --out /dev/stdout."""
    with files.whole_file(Path(os.devnull)) as file:
        file.write("gone")
    assert not Path(os.devnull).is_file()
    with pytest.raises(IsADirectoryError):
        files.write_whole(tmp_path, "x")


@pytest.mark.parametrize("there", ["kc1.logbook", "plan.toml", "ct1.npz"])
def test_a_page_takes_the_place_of_nothing_but_a_page(
    there: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, demo: tuple[Path, dict[str, object], float]
) -> None:
    """Whatever --out or --card names; also in capitals where those name the same file."""
    monkeypatch.chdir(tmp_path)
    for name in ("kc1.logbook", "plan.toml", "bench.toml"):
        Path(name).write_bytes((demo[0] / name).read_bytes())
    Path("ct1.npz").write_bytes(b"PK\x03\x04")
    before = Path(there).read_bytes()
    names = [there, there.upper()] if Path(there.upper()).exists() else [there]
    for name in names:
        certificate = ["record", "certificate", "--logbook", "kc1.logbook", "--out", name]
        card = ["winding", "--core", "25x15x10", "--turns", "60", "--wire", "AWG 24", "--card", name]
        assert (main(certificate), main(card)) == (2, 2)
        assert Path(there).read_bytes() == before
    certificate[-1] = "page.html"
    for _ in range(2):  # an older page makes room
        assert main(certificate) == 0


def test_reading_is_bounded(tmp_path: Path) -> None:
    """Also where the file takes no room on the disk."""
    sparse = tmp_path / "sparse"
    with sparse.open("wb") as file:
        file.truncate(10**12)
    with pytest.raises(ValueError, match=r"1000000\.0 MB"):
        files.read_bounded(sparse, 1_000_000)


def test_new_leaves_no_half_of_a_project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The next try is not refused for what the first one left."""
    folder = tmp_path / "project"
    real = files.write_whole

    def fail_at_the_third(path: Path, content: str | bytes) -> None:
        if path.name == "plan.schema.json":
            raise OSError(28, "No space left on device")
        real(path, content)

    monkeypatch.setattr("benchlog.cli.new.write_whole", fail_at_the_third)
    assert main(["new", str(folder)]) == 2
    assert not folder.exists()
    monkeypatch.undo()
    assert main(["new", str(folder)]) == 0
    assert len(list(folder.iterdir())) == 4


def test_reading_claims_no_more_memory_than_the_file_needs(tmp_path: Path) -> None:
    """Under Wine 2 GB for a few bytes took seconds a file."""
    path = tmp_path / "x"
    path.write_bytes(b"1,2\n")
    tracemalloc.start()
    try:
        assert files.read_bounded(path, 2_000_000_000) == b"1,2\n"
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()
