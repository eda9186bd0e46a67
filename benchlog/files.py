"""Files on a disk: reads only ordinary files up to a limit, and writes them completely or not at all."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from benchlog.errors import UsageError

_KINDS: tuple[tuple[Callable[[int], bool], str], ...] = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def special_file(path: Path) -> str:
    """Say what a path is if it is not an ordinary file; ``""`` for an ordinary file and where there is nothing.

    Opening a pipe waits for ever, a device may never end, and a link that leads nowhere makes a file elsewhere.

    >>> special_file(Path("/"))
    'a folder'
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return "a link that leads nowhere" if path.is_symlink() else ""
    return next((word for is_kind, word in _KINDS if is_kind(mode)), "")


def read_bounded(path: Path, limit_bytes: int) -> bytes:
    """Read an ordinary file.

    Parameters
    ----------
    limit_bytes : int
        Most bytes it may have.

    Raises
    ------
    OSError
        If it can't be read.
    ValueError
        If it is not an ordinary file, or over the limit; the text says which.
    """
    if what := special_file(path):
        raise ValueError(f"is {what}, not a file")
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        if size > limit_bytes:
            raise ValueError(f"has {size / 1e6:.1f} MB; at most {limit_bytes / 1e6:g} MB are read")
        # Room for n bytes is claimed before `read(n)` reads; the rest is for files that give their size as 0.
        return file.read(min(limit_bytes, size + 65536))


@contextmanager
def whole_file(path: Path, mode: str = "w") -> Iterator[IO[Any]]:
    """Write a file that appears under its name only when all of it is on the disk; an older one stays until then.

    Parameters
    ----------
    path : Path
        Its folder must be there.
    mode : {"w", "wb"}
        Text is UTF-8, with line feeds on every system.

    Yields
    ------
    file
        To write into. If anything goes wrong, nothing is left behind and the older file is as it was.
    """
    target = Path(os.path.realpath(path))  # a link stays a link
    if what := special_file(target):
        if what == "a folder":
            raise IsADirectoryError(errno.EISDIR, "is a folder", str(path))
        with target.open(mode) as through:  # a device or pipe (`/dev/stdout`) takes what comes
            yield through
        return
    half = target.with_name(f".{target.name[:200]}.{os.getpid()}.part")
    text = {} if "b" in mode else {"encoding": "utf-8", "newline": "\n"}
    try:
        with half.open(mode, **text) as file:  # type: ignore[call-overload]  # the mode is a plain str
            yield file
            file.flush()
            os.fsync(file.fileno())
        with suppress(OSError):
            half.chmod(stat.S_IMODE(target.stat().st_mode))
        os.replace(half, target)
    finally:
        with suppress(OSError):
            half.unlink(missing_ok=True)
    sync_folder(target.parent)


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a text or bytes as `whole_file` does."""
    with whole_file(path, "w" if isinstance(content, str) else "wb") as file:
        file.write(content)


def write_page(path: Path, page: str) -> None:
    """Write an HTML page as `whole_file` does; it takes the place of nothing but a page.

    A mistyped name could otherwise overwrite a logbook, a plan or a capture.

    Raises
    ------
    UsageError
        If there is another kind of file under that name, in capitals or not where the system takes both for one.
    """
    if path.is_file():
        with path.open("rb") as older:
            begin = older.read(100).lstrip().lower()
        if begin and not begin.startswith(b"<!doctype html"):
            raise UsageError(
                f"{path} already exists and is not an HTML page", hint="name a new file, e.g. page.html"
            )
    write_whole(path, page)


def folder_writable(folder: Path) -> bool:
    """Tell whether a file can be made in a folder; nothing stays there."""
    if not os.access(folder, os.W_OK | os.X_OK):
        return False
    if os.name != "nt":
        return True
    import tempfile

    try:  # Windows says yes for every folder
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk, where the system has that: a new name is lost without it."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
