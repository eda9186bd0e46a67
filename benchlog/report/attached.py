"""Thumbnails of attached photos: decoded, scaled down and encoded again, so that nothing else of the file is kept."""

from __future__ import annotations

import base64
import hashlib
import io
import warnings
from dataclasses import dataclass

from benchlog.errors import BenchlogError
from benchlog.logbook import Entry, Logbook
from benchlog.logbook.attachment import media_type

#: A larger picture is not decoded: a small file can claim a huge size.
MAX_PIXELS = 60_000_000
_SIDE_PX = 420
_FORMATS = {"image/jpeg": "JPEG", "image/png": "PNG"}
_MOST_PICTURES = 4


@dataclass(frozen=True, slots=True)
class Attached:
    """One attached file; `picture` is a data URI, empty where there is none to show."""

    entry: int
    name: str
    about: str
    sha256: str
    size: int
    picture: str = ""


def attached_files(book: Logbook, entries: list[Entry]) -> list[Attached]:
    """Files of `attachment` entries, the newest few photos among them with a thumbnail."""
    found: list[Attached] = []
    pictures = 0
    for entry in reversed(entries):
        body = entry.body
        digest = str(body["sha256"])
        picture = thumbnail(_stored(book, digest)) if pictures < _MOST_PICTURES else ""
        pictures += bool(picture)
        found.append(
            Attached(
                entry.seq,
                str(body["name"]),
                str(body.get("about", "")),
                digest,
                int(body.get("size", 0)),
                picture,
            )
        )
    return found[::-1]


def _stored(book: Logbook, digest: str) -> bytes:
    """Return the attachment with this digest; empty bytes if it is missing or altered."""
    try:
        data = book.attachment(digest)
    except BenchlogError:
        return b""
    return data if hashlib.sha256(data).hexdigest() == digest else b""


def thumbnail(data: bytes) -> str:
    """Return a small JPEG of a PNG or JPEG photo as data URI; empty for anything else, damaged or too large.

    Only the pixels go through: no place, camera or comment of the original.
    """
    kind = _FORMATS.get(media_type(data))
    if kind is None:
        return ""
    from PIL import Image, ImageOps

    out = io.BytesIO()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=[kind]) as image:
                if image.width * image.height > MAX_PIXELS:
                    return ""
                image.draft("RGB", (_SIDE_PX, _SIDE_PX))
                upright = ImageOps.exif_transpose(image)
                upright.thumbnail((_SIDE_PX, _SIDE_PX))
                flat = Image.new("RGB", upright.size, "white")
                shown = upright.convert("RGBA")
                flat.paste(shown, mask=shown.getchannel("A"))
                flat.save(out, format="JPEG", quality=80)
    except Exception:  # noqa: BLE001 - whatever a decoder makes of bytes that are not a picture after all
        return ""
    return f"data:image/jpeg;base64,{base64.b64encode(out.getvalue()).decode('ascii')}"
