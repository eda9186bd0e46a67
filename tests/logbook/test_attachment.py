"""Attachments: any bytes kept, names harmless, limits kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from helpers.systems import make_device_link, make_pipe
from hypothesis import given, settings
from hypothesis import strategies as st

from benchlog.errors import UsageError
from benchlog.logbook import Logbook
from benchlog.logbook.attachment import media_type, safe_name


def test_bytes_come_back_by_their_digest(book: Logbook, tmp_path: Path) -> None:
    """The same content attached twice is stored once, under both names."""
    photo = tmp_path / "T1.jpg"
    photo.write_bytes(b"\xff\xd8\xff" + bytes(1000))
    first, second = book.attach(photo, about="T1"), book.attach(photo.read_bytes(), "again.jpg")
    bodies = [book.entry(ref.seq).body for ref in (first, second)]
    assert [b["name"] for b in bodies] == ["T1.jpg", "again.jpg"]
    assert bodies[0]["media_type"] == "image/jpeg"
    assert bodies[0]["about"] == "T1"
    assert book.attachment(bodies[0]["sha256"]) == photo.read_bytes()
    with book.querying() as db:
        assert db.execute("SELECT count(*) FROM attachment").fetchone() == (1,)


@settings(max_examples=200)
@given(st.text(max_size=150) | st.from_regex(r"(\.\./)*[a-z/\\:]{0,20}\.[a-z]{1,4}", fullmatch=True))
def test_a_safe_name_stays_in_its_folder(name: str) -> None:
    """No separator, no dots alone, no control or direction-changing character, not too long, never empty."""
    safe = safe_name(name)
    assert 1 <= len(safe) <= 110
    assert not set(safe) & set('/\\:*?"<>|\x00\n\r\t\u202e\u200b')
    assert not safe.startswith(".")
    assert safe.strip(" .") == safe
    assert (Path("/folder") / safe).parent == Path("/folder")
    assert safe_name(safe) == safe


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\photos\\a.jpg", "a.jpg"),
        ("CON.txt", "file_CON.txt"),
        ("\u202egpj.exe", "gpj.exe"),
        ("x" * 1_000_000 + ".jpg", "x" * 96 + ".jpg"),
        ("\udc80.jpg", "_.jpg"),
    ],
)
def test_hostile_names_become_plain_ones(name: str, safe: str) -> None:
    """Path escapes, device names, overrides of direction, a million characters."""
    assert safe_name(name) == safe


def test_what_is_not_an_ordinary_small_file_is_refused(book: Logbook, tmp_path: Path) -> None:
    """Folders, missing and over-large files: one clear error each, nothing written."""
    big = tmp_path / "big.bin"
    with big.open("wb") as file:
        file.truncate(30_000_000)
    for bad in (tmp_path, tmp_path / "none.jpg", big):
        with pytest.raises(UsageError):
            book.attach(bad)
    with pytest.raises(UsageError, match="an attachment may have"):
        book.attach(bytes(11), "x", limit_bytes=10)
    assert book.head().seq == 1


@pytest.mark.parametrize("make", [make_pipe, make_device_link])
def test_what_may_never_end_is_not_an_attachment(
    make: Callable[[Path], None], book: Logbook, tmp_path: Path
) -> None:
    make(tmp_path / "endless")
    with pytest.raises(UsageError, match="not a file"):
        book.attach(tmp_path / "endless")
    assert book.head().seq == 1


def test_the_type_comes_from_the_content() -> None:
    """A page that calls itself a picture is not shown as one."""
    assert media_type(b"<script>alert(1)</script>") == "application/octet-stream"
    assert media_type(b"\x89PNG\r\n\x1a\n...") == "image/png"
    assert media_type(b"RIFF\x00\x00\x00\x00WEBP") == "image/webp"
