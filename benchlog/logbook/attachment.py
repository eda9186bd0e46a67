"""Photos and files kept by their SHA-256; nothing in them is ever opened or run."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

from benchlog.errors import UsageError
from benchlog.files import read_bounded

MAX_ATTACHMENT_BYTES = 25_000_000
_MAX_NAME = 100
_NOT_IN_NAMES = r'[\x00-\x1f\x7f/\\:*?"<>|]'
_DEVICE_NAMES = r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?"  # not files on some systems
_SIGNATURES = (
    (b"\xff\xd8\xff", "image/jpeg"),
    (b"\x89PNG\r\n\x1a\n", "image/png"),
    (b"GIF87a", "image/gif"),
    (b"GIF89a", "image/gif"),
    (b"%PDF-", "application/pdf"),
)


def safe_name(name: str, fallback: str = "file") -> str:
    """Return a plain file name: no folders, no control characters, at most 100 characters.

    >>> safe_name("../../etc/passwd"), safe_name("T1 winding.jpg"), safe_name("..")
    ('passwd', 'T1 winding.jpg', 'file')
    """
    last = re.split(r"[/\\]", name)[-1]
    text = unicodedata.normalize("NFC", last.encode("utf-8", "replace").decode())
    # Format characters (direction overrides and the like) can make a name read as another.
    text = "".join(c for c in text if unicodedata.category(c) not in ("Cf", "Cs", "Co", "Cn", "Zl", "Zp"))
    text = re.sub(_NOT_IN_NAMES, "_", text).strip(" .")
    if len(text) > _MAX_NAME:
        stem, dot, suffix = text.rpartition(".")
        text = (
            stem[: _MAX_NAME - 1 - len(suffix)] + dot + suffix
            if dot and len(suffix) < 10
            else text[:_MAX_NAME]
        )
    if not text or re.fullmatch(_DEVICE_NAMES, text):
        return f"{fallback}_{text}" if text else fallback
    return text


def read_file(path: Path, limit_bytes: int = MAX_ATTACHMENT_BYTES) -> bytes:
    """Read an ordinary file of at most `limit_bytes`.

    Raises
    ------
    UsageError
        If there is none, it is not an ordinary file, or too large.
    """
    try:
        return read_bounded(path, limit_bytes)
    except OSError as error:
        raise UsageError(f"{path} can't be read: {error.strerror}", hint="check the path") from error
    except ValueError as error:
        raise UsageError(
            f"{path} {error}",
            hint="attach an ordinary file; keep a large one elsewhere and note its SHA-256",
        ) from None


def check_size(size: int, name: str, limit_bytes: int) -> None:
    """Refuse what is over the limit."""
    if size > limit_bytes:
        raise UsageError(
            f"{name} has {size / 1e6:.1f} MB; an attachment may have {limit_bytes / 1e6:g} MB",
            hint="attach a smaller picture, or keep the file elsewhere and note its SHA-256",
        )


def media_type(data: bytes) -> str:
    """Find the type from the first bytes, never from the name; pictures and PDF only."""
    for signature, name in _SIGNATURES:
        if data.startswith(signature):
            return name
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    return "application/octet-stream"
