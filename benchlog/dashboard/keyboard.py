"""Keys as they are pressed on a terminal, or lines over a pipe; the terminal is left as it was found."""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Iterator
from types import TracebackType
from typing import Any, Self, TextIO

__all__ = ["Keyboard", "Lines"]


class Keyboard:
    """Single keys from a terminal, collected into an entry line once one is begun.

    ``t`` or Enter begins an entry; then Enter gives it, Escape drops it. Outside an entry ``q`` asks to stop.

    Parameters
    ----------
    stream : text stream, optional
        Standard input by default; one that is not a terminal gives nothing.
    typing : bool
        Whether t begins an entry.
    """

    def __init__(self, stream: TextIO | None = None, *, typing: bool = True) -> None:
        self._stream = stream or sys.stdin
        self._typing = typing
        self._saved: list[Any] | None = None
        self._fd = -1
        self.entry: str | None = None
        self.stop = False

    def __enter__(self) -> Self:
        with contextlib.suppress(ImportError, OSError, ValueError, AttributeError):
            import termios  # not to be had on every system
            import tty

            self._fd = self._stream.fileno()
            if os.isatty(self._fd):
                self._saved = termios.tcgetattr(self._fd)
                tty.setcbreak(self._fd)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        if self._saved is not None:
            import termios

            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._saved)
            self._saved = None

    def wait(self, timeout_s: float) -> bool:
        """Wait for keys at most that long; tells whether there are any."""
        if self._saved is None:
            return False
        ready, _, _ = select.select([self._fd], [], [], timeout_s)
        return bool(ready)

    @property
    def works(self) -> bool:
        """Whether keys can be read at all."""
        return self._saved is not None

    def entries(self) -> Iterator[str]:
        """Take the keys that are there; yields the entries finished by them."""
        while self.wait(0.0):
            data = os.read(self._fd, 1024)
            if not data:
                self.stop = True
                return
            if data.startswith(b"\x1b") and len(data) > 1:
                continue  # an arrow or function key
            for key in data.decode("utf-8", "ignore"):
                if done := self._key(key):
                    yield done

    def _key(self, key: str) -> str:
        if self.entry is None:
            if key in "qQ":
                self.stop = True
            elif self._typing and key in "tT\r\n":
                self.entry = ""
            return ""
        if key in "\r\n":
            done, self.entry = self.entry.strip(), None
            return done
        if key == "\x1b":
            self.entry = None
        elif key in "\x7f\b":
            self.entry = self.entry[:-1]
        elif key.isprintable():
            self.entry += key
        return ""


class Lines:
    """Lines from a stream that may be a pipe, a file or a terminal in line mode; never waits longer than asked.

    Parameters
    ----------
    stream : text stream, optional
        Standard input by default.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self.ended = False
        self._rest = b""
        try:
            self._fd = (stream or sys.stdin).fileno()
        except (OSError, ValueError, AttributeError):
            self._fd, self.ended = -1, True

    def take(self, timeout_s: float) -> list[str]:
        """Return the lines that come within that time; an empty list when none do or the stream has ended."""
        if self.ended:
            return []
        try:
            ready, _, _ = select.select([self._fd], [], [], timeout_s)
            data = os.read(self._fd, 65536) if ready else None
        except (OSError, ValueError):  # closed meanwhile, or not a thing to wait for
            self.ended = True
            return []
        if data is None:
            return []
        if not data:
            self.ended = True
            data = b"\n" if self._rest else b""
        *lines, self._rest = (self._rest + data).split(b"\n")
        return [line.decode("utf-8", "replace").strip() for line in lines if line.strip()]
