"""Kind of a file, from its first bytes and not its name."""

from __future__ import annotations

import zipfile
from enum import StrEnum
from pathlib import Path

from benchlog.errors import CaptureFileError, did_you_mean
from benchlog.files import read_bounded


class FileKind(StrEnum):
    """Kinds of file that can hold a capture or a log."""

    TEXT = "text"
    NPZ = "npz"
    NPY = "npy"
    WAV = "wav"
    MAT = "mat"


# First bytes from the published file format descriptions (PNG, JFIF, PDF, ZIP application note...).
_FOREIGN = (
    (b"\x89PNG\r\n\x1a\n", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"BZh", "a bzip2 archive"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"\xfd7zXZ\x00", "an xz archive"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old binary office document (spreadsheet?)"),
    (b"SQLite format 3\x00", "an SQLite data base"),
    (b"\x89HDF\r\n\x1a\n", "an HDF5 file (MAT version 7.3 is one)"),
    (b"PAR1", "a Parquet file"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"{\\rtf", "an RTF document"),
)
MAX_BYTES = 2_000_000_000
_WHAT_TO_DO = "export the samples from the scope as CSV, NPZ, WAV or MAT and give that file"


def read_bytes(path: Path) -> bytes:
    """Return the file's bytes; `CaptureFileError` if it is missing, a folder, unreadable or empty."""
    try:
        data = read_bounded(path, MAX_BYTES)
    except FileNotFoundError:
        beside = [file.name for file in path.parent.iterdir()] if path.parent.is_dir() else []
        hint = did_you_mean(path.name, beside, "check the name and the folder")
        raise CaptureFileError(f"no file {str(path)!r}", hint=hint) from None
    except ValueError as error:
        raise CaptureFileError(f"{str(path)!r} {error}", hint="give one capture file") from None
    except OSError as error:
        raise CaptureFileError(
            f"{str(path)!r} can't be read: {error.strerror or error}", hint="check its permissions"
        ) from error
    if not data[:65536].strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise CaptureFileError(f"{path.name}: the file is empty ({len(data)} bytes)", hint="export it again")
    return data


def file_kind(data: bytes, path: Path) -> FileKind:
    """Return the kind from the content.

    Raises
    ------
    CaptureFileError
        If it is a kind of file without samples; the message names it.
    """
    if data.startswith(b"\x93NUMPY"):
        return FileKind.NPY
    if data.startswith(b"MATLAB 5.0 MAT-file"):
        return FileKind.MAT
    if data[:4] in (b"RIFF", b"RF64") and data[8:12] == b"WAVE":
        return FileKind.WAV
    if data.startswith(b"PK\x03\x04"):
        return _zip_kind(path)
    for magic, what in _FOREIGN:
        # Two-letter marks may also begin plain text ("BMW..."): require a NUL byte nearby.
        if data.startswith(magic) and (len(magic) > 2 or b"\x00" in data[:64]):
            raise CaptureFileError(f"{path.name} is {what}, not a capture", hint=_WHAT_TO_DO)
    if data[:512].lstrip(b"\xef\xbb\xbf \r\n\t")[:1] == b"<":
        raise CaptureFileError(
            f"{path.name} is a web page or XML, not a capture: it begins {data[:40]!r}", hint=_WHAT_TO_DO
        )
    return FileKind.TEXT


def _zip_kind(path: Path) -> FileKind:
    try:
        with zipfile.ZipFile(path) as archive:
            names = archive.namelist()
    except (zipfile.BadZipFile, OSError) as error:
        raise CaptureFileError(
            f"{path.name} begins like a ZIP or NPZ file but is damaged: {error}",
            hint="copy or export it again",
        ) from None
    if names and all(name.endswith(".npy") for name in names):
        return FileKind.NPZ
    if "[Content_Types].xml" in names or "mimetype" in names:
        raise CaptureFileError(
            f"{path.name} is an office document (a spreadsheet workbook?), not a capture",
            hint="save the sheet as CSV and give that file",
        )
    shown = ", ".join(names[:3]) + (" ..." if len(names) > 3 else "")
    raise CaptureFileError(
        f"{path.name} is a ZIP archive ({shown}), not a capture", hint="unpack it and give the file inside"
    )
