"""One key at a time from a terminal, left as it was found; where that can't be had, lines."""

from __future__ import annotations

import contextlib
import os
import select
from collections.abc import Iterator
from typing import TextIO

__all__ = ["key_now", "single_keys", "wait_for_key"]

ENTER = "\n"
END = "\x04"


@contextlib.contextmanager
def single_keys(stream: TextIO) -> Iterator[int | None]:
    """Let keys be read as they are pressed while the block lasts; yields the file descriptor, None if impossible."""
    try:
        import termios  # not to be had on every system
        import tty
    except ImportError:
        yield None
        return
    try:
        fd = stream.fileno()
        before = termios.tcgetattr(fd)
    except (OSError, ValueError, termios.error):
        yield None
        return
    try:
        tty.setcbreak(fd, termios.TCSADRAIN)
        yield fd
    finally:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)


def wait_for_key(fd: int) -> str:
    """Wait for the next key; Enter is ``"\\n"``, the end of input `END`, arrows and the like are passed over."""
    while True:
        key = _read(fd)
        if key:
            return key


def key_now(fd: int) -> str:
    """Return a key that was pressed already, or nothing."""
    ready, _, _ = select.select([fd], [], [], 0)
    return _read(fd) if ready else ""


def _read(fd: int) -> str:
    data = os.read(fd, 1)
    if not data:
        return END
    if data == b"\x1b":
        _pass_over_sequence(fd)
        return ""
    while data[0] & 0xC0 == 0xC0 and len(data) < 4:
        with contextlib.suppress(UnicodeDecodeError):
            return data.decode()
        data += os.read(fd, 1)
    key = data.decode(errors="ignore")
    return ENTER if key == "\r" else key


def _pass_over_sequence(fd: int) -> None:
    """Read the rest of what an arrow or function key sends at once (ECMA-48: up to a byte from @ to ~)."""
    first = True
    while select.select([fd], [], [], 0.02)[0]:
        byte = os.read(fd, 1)
        if not byte or (not (first and byte in (b"[", b"O")) and 0x40 <= byte[0] <= 0x7E):
            return
        first = False
