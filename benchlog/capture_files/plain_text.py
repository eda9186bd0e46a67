"""Bytes of a text file to UTF-8 with one kind of line end."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from benchlog.errors import CaptureFileError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
LONGEST_LINE = 262_144
_CONTROL = bytes(set(range(32)) - {9, 10, 13, 12, 26, 27}) + b"\x7f"


@dataclass(frozen=True, slots=True)
class PlainText:
    """A text file made plain."""

    data: bytes  #: UTF-8, lines ended by LF, no byte-order mark.
    encoding: str  #: What it was.

    def head(self, size: int = LONGEST_LINE) -> list[str]:
        """Whole lines from the beginning."""
        piece = self.data[:size]
        if len(self.data) > size:
            piece = piece[: piece.rfind(b"\n") + 1]
        return piece.decode("utf-8", "replace").split("\n")

    def lines_at(self, start: int, size: int) -> list[str]:
        """Whole lines out of the middle or the end; those cut at the edges are left out."""
        begin = self.data.find(b"\n", max(0, start)) + 1
        end = start + size
        piece = self.data[begin:end]
        if end < len(self.data):
            piece = piece[: piece.rfind(b"\n") + 1]
        return piece.decode("utf-8", "replace").split("\n")


def plain_text(data: bytes, name: str) -> PlainText:
    """Decode, and bring line ends (CR LF, CR, CR CR LF) to LF.

    Raises
    ------
    CaptureFileError
        If the bytes are not text.
    """
    encoding = ""
    for mark, found in _MARKS:
        if data.startswith(mark):
            data, encoding = data[len(mark) :], found
            break
    if not encoding:
        encoding = _without_mark(data, name)
    if encoding != "utf-8":
        try:
            data = data.decode(encoding).lstrip("\ufeff").encode("utf-8")
        except UnicodeDecodeError as error:
            raise CaptureFileError(
                f"{name}: marked as {encoding} but not readable as that (byte {error.start})",
                hint="save it again as UTF-8 text",
            ) from None
    if b"\r" in data:
        # A CR CR LF file is one whose CR LF were translated twice; there an empty line means nothing.
        data = data.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    _refuse_endless_line(data, name)
    if not data.isascii():
        # No-break space and the typographic minus mean what a blank and a hyphen mean.
        data = data.replace(b"\xc2\xa0", b" ").replace(b"\xe2\x88\x92", b"-")
    if data.endswith((b"\x00", b"\x1a")):
        data = data.rstrip(b"\x00\x1a")
    return PlainText(data, encoding)


def _refuse_endless_line(data: bytes, name: str) -> None:
    at = 0
    while len(data) - at > LONGEST_LINE:
        end = data.rfind(b"\n", at, at + LONGEST_LINE)
        if end < 0:
            raise CaptureFileError(
                f"{name} has a line of more than {LONGEST_LINE} bytes", hint="export one sample per line"
            )
        at = end + 1


def _without_mark(data: bytes, name: str) -> str:
    head = data[:4096]
    if b"\x00" in head.rstrip(b"\x00"):
        # UTF-16 text of Latin letters has a zero in every second byte.
        if head[1::2].count(0) > 0.6 * len(head[1::2]) and head[0::2].count(0) < 0.1 * len(head[0::2]):
            return "utf-16-le"
        if head[0::2].count(0) > 0.6 * len(head[0::2]) and head[1::2].count(0) < 0.1 * len(head[1::2]):
            return "utf-16-be"
    if len(head.translate(None, _CONTROL)) < len(head.rstrip(b"\x00")):
        raise CaptureFileError(
            f"{name} is binary, but no known kind of capture file; it begins {head[:16]!r}",
            hint="export the samples as CSV, NPZ, WAV or MAT",
        )
    if data.isascii():
        return "utf-8"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252" if _is_cp1252(data) else "latin-1"
    return "utf-8"


def _is_cp1252(data: bytes) -> bool:
    try:
        data.decode("cp1252")
    except UnicodeDecodeError:
        return False
    return True
