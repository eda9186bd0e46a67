"""Keyboard input: single keys on a terminal of any system, lines from a pipe.

Keys come from the terminal's own driver (termios, or the console functions of Windows' C library). A line editor's
input layer would do the same, with an event loop and a few hundred milliseconds of imports.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import sys
import time
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterator
from threading import Condition, Thread
from typing import Any, Protocol, TextIO

from benchlog.errors import UsageError

ENTER = "\n"
END = "\x04"
ESCAPE = "\x1b"
BACKSPACE = "\x7f"
#: The rest of an arrow key's sequence or of a character follows at once; a person's next key does not.
_AT_ONCE_S = 0.02
_POLL_S = 0.02
_WINDOW_S = 0.001
#: A Windows console draws later than it is written to; nobody reads and does what is asked in that time. Judgement.
_SHOWN_S = 0.3
_CTRL_C = "\x03"
_MOST_LINES = 10_000
#: The end of a script's input arrives within this time.
_SCRIPT_S = 0.2


class Keys(ABC):
    """Keys one at a time, as they are pressed; arrows and function keys are passed over."""

    def next(self, timeout_s: float | None = None) -> str:
        """Return the next key, or nothing if none is pressed in time.

        Parameters
        ----------
        timeout_s : float, optional
            0 for a key that was pressed already; None waits for ever.

        Returns
        -------
        str
            A character; `ENTER`, `BACKSPACE`, `ESCAPE` or `END` (the end of input) on every system.
        """
        end_s = None if timeout_s is None else time.monotonic() + timeout_s
        while self._ready(None if end_s is None else max(0.0, end_s - time.monotonic())):
            if key := self._read():
                return key
        return ""

    def drop(self) -> None:
        """Forget what was typed so far; anew where that took so long that something may have been typed meanwhile."""
        began_s = float("-inf")
        while time.monotonic() - began_s > _WINDOW_S:
            began_s = time.monotonic()
            self._drop()

    @abstractmethod
    def drop_unseen(self) -> None:
        """Forget what was pressed before something just written can have been seen."""

    @abstractmethod
    def _drop(self) -> None:
        """Forget what was typed so far."""

    @abstractmethod
    def _ready(self, timeout_s: float | None) -> bool:
        """Whether a key comes within that time."""

    @abstractmethod
    def _read(self) -> str:
        """Take a key that is there; nothing for one that is passed over."""


class TerminalKeys(Keys):
    """Keys of a terminal whose line editing is off."""

    _SAME = {"\r": ENTER, "\b": BACKSPACE}  # noqa: RUF012 - never changed

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def drop_unseen(self) -> None:
        """Nothing: what is written shows at once; see `Keys.drop_unseen`."""

    def _drop(self) -> None:
        import termios

        termios.tcflush(self._fd, termios.TCIFLUSH)

    def _ready(self, timeout_s: float | None) -> bool:
        return bool(select.select([self._fd], [], [], timeout_s)[0])

    def _read(self) -> str:
        data = os.read(self._fd, 1)
        if not data:
            return END
        if data == b"\x1b":
            return "" if self._rest_of_sequence() else ESCAPE
        while data[0] & 0xC0 == 0xC0 and len(data) < 4 and self._ready(_AT_ONCE_S):
            with contextlib.suppress(UnicodeDecodeError):
                return data.decode()
            data += os.read(self._fd, 1)
        key = data.decode(errors="ignore")
        return self._SAME.get(key, key)

    def _rest_of_sequence(self) -> bool:
        """Read what an arrow or function key sends behind Escape (ECMA-48: up to a byte from @ to ~)."""
        read = False
        while self._ready(_AT_ONCE_S):
            byte = os.read(self._fd, 1)
            first, read = not read, True
            if not byte or (not (first and byte in (b"[", b"O")) and 0x40 <= byte[0] <= 0x7E):
                break
        return read


class ConsoleFunctions(Protocol):
    """The part of the module ``msvcrt`` that is used."""

    def kbhit(self) -> bool:
        """Whether a key was pressed."""

    def getwch(self) -> str:
        """Wait for a key and return its character; a special key is 00 or E0 and a second character."""


class ConsoleKeys(Keys):
    """Keys of a Windows console, by the module `msvcrt`."""

    _SAME = {"\r": ENTER, "\b": BACKSPACE, "\x1a": END}  # noqa: RUF012 - never changed

    def __init__(self, console: ConsoleFunctions) -> None:
        self._console = console

    def drop_unseen(self) -> None:
        """Keys and pictures go through another program there, which takes its time; see `Keys.drop_unseen`."""
        end_s = time.monotonic() + _SHOWN_S
        while time.monotonic() < end_s:
            time.sleep(_POLL_S)
            self._drop()

    def _drop(self) -> None:
        while self._console.kbhit():
            if self._console.getwch() == _CTRL_C:
                raise KeyboardInterrupt

    def _ready(self, timeout_s: float | None) -> bool:
        end_s = None if timeout_s is None else time.monotonic() + timeout_s
        while not self._console.kbhit():
            if end_s is not None and time.monotonic() >= end_s:
                return False
            time.sleep(_POLL_S)
        return True

    def _read(self) -> str:
        key = self._console.getwch()
        if key == _CTRL_C:
            raise KeyboardInterrupt
        if key == "\0" or (key == "\xe0" and self._console.kbhit()):
            self._console.getwch()
            return ""
        if "\ud800" <= key < "\udc00":  # the first half of a character beyond 16 bits
            key = (key + self._console.getwch()).encode("utf-16", "surrogatepass").decode("utf-16", "ignore")
        return self._SAME.get(key, key)


@contextlib.contextmanager
def single_keys(stream: TextIO | None) -> Iterator[Keys | None]:
    """Let keys be read as they are pressed while the block lasts; the terminal is left as it was found.

    Parameters
    ----------
    stream : text stream or None
        Usually standard input.

    Yields
    ------
    Keys or None
        None where the stream is not a terminal.
    """
    if sys.platform == "win32":
        import msvcrt

        # The null device calls itself a terminal there, so the kind of stream decides.
        raw = getattr(getattr(stream, "buffer", None), "raw", None)
        if type(raw).__name__ != "_WindowsConsoleIO":
            yield None
            return
        _begin_input()
        yield ConsoleKeys(msvcrt)
        return
    import termios
    import tty

    try:
        fd = -1 if stream is None else stream.fileno()
        before = termios.tcgetattr(fd)
    except (OSError, ValueError, termios.error):
        yield None
        return
    try:
        tty.setcbreak(fd, termios.TCSADRAIN)
        yield TerminalKeys(fd)
    finally:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)


def _begin_input() -> None:
    """Look at a Windows console's input once: some consoles read no key before they are asked."""
    if sys.platform == "win32":
        import ctypes

        kernel, found = ctypes.windll.kernel32, ctypes.c_uint32()
        record = ctypes.create_string_buffer(20)  # one INPUT_RECORD
        kernel.PeekConsoleInputW(kernel.GetStdHandle(-10), record, 1, ctypes.byref(found))


class Entry:
    """A line that is typed key by key.

    Attributes
    ----------
    text : str
        Text typed so far.
    """

    def __init__(self) -> None:
        self.text = ""

    def feed(self, key: str) -> None:
        """Take a key: a character, `BACKSPACE`, or `ESCAPE` to begin again."""
        if key == ESCAPE:
            self.text = ""
        elif key == BACKSPACE:
            self.text = self.text[:-1]
        elif key.isprintable():
            self.text += key


class Lines:
    """Lines of a stream, read by a thread, so that nobody waits for them longer than they want to.

    A file, or a pipe that was closed before the first line was asked for, is a script: what it holds was written by
    somebody who knew the questions. On a pipe that is still open somebody may be typing.

    Parameters
    ----------
    stream : text stream or None
        Usually standard input, in UTF-8 whatever the system's own encoding is.

    Attributes
    ----------
    ended : bool
        All lines were taken, and no more can come.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._lines: deque[str | UsageError] = deque()
        self._changed = Condition()
        self._closed = False
        self._script: bool | None = None
        self._fd = -1
        self.ended = False
        raw = getattr(getattr(stream, "buffer", None), "raw", None)
        self._in_memory = None if raw is not None else stream or io.StringIO()
        if raw is None:
            self._script = True
            return
        if isinstance(
            raw, io.FileIO
        ):  # a number of our own, which nobody closes and gives away while it is read
            raw = io.FileIO(os.dup(raw.fileno()))
            self._fd = raw.fileno()
        # Raw, since a buffered stream is locked while a thread waits in it, also for the interpreter's end.
        Thread(target=self._gather, args=(raw,), name="lines", daemon=True).start()

    def _gather(self, raw: Any) -> None:
        rest = b""
        while not self._closed:
            try:
                data = raw.read(65536)
            except (OSError, ValueError):  # closed meanwhile
                data = b""
            *lines, rest = (rest + data).split(b"\n") if data else ([rest, b""] if rest else [b""])
            with self._changed:
                self._changed.wait_for(lambda: len(self._lines) < _MOST_LINES)
                self._lines.extend(map(_decoded, lines))
                self._closed = not data
                self._changed.notify_all()
        if self._fd >= 0:
            raw.close()

    @property
    def script(self) -> bool:
        """Whether all of it was there when first asked for; it stays so."""
        if self._script is None:
            with self._changed:
                self._script = self._changed.wait_for(lambda: self._closed, _SCRIPT_S)
        return self._script

    def drop_empty(self) -> None:
        """Forget the empty lines that came so far, unless a script holds them: they answer no later question."""
        if self.script:
            return
        end_s = time.monotonic() + 0.1  # a stream that never stops must not hold us up
        time.sleep(0.002)  # the thread hands on what it has read
        while not self._closed and input_waits(self._fd, 0.0, at_end=False) and time.monotonic() < end_s:
            time.sleep(0.001)
        with self._changed:
            self._lines = deque(line for line in self._lines if line != "")
            self._changed.notify_all()

    def next(self, timeout_s: float | None = None) -> str | None:
        """Return the next line without its end; None when there is none in time, or none any more.

        Raises
        ------
        UsageError
            If it is not UTF-8.
        """
        if self._in_memory is not None:
            with contextlib.suppress(OSError, ValueError):
                if line := self._in_memory.readline():
                    return line.strip()
            self.ended = True
            return None
        end_s = float("inf") if timeout_s is None else time.monotonic() + timeout_s
        with self._changed:
            while not self._lines:
                left_s = end_s - time.monotonic()
                if self._closed or left_s <= 0:
                    self.ended = self._closed
                    return None
                self._changed.wait(min(left_s, 0.1))  # not for long: Windows hears no Ctrl-C meanwhile
            found = self._lines.popleft()
            self.ended = self._closed and not self._lines
            self._changed.notify_all()
        if isinstance(found, UsageError):
            raise found
        return found

    def take(self, timeout_s: float) -> list[str]:
        """Return the lines that come within that time, the empty ones left out; as soon as there are some."""
        found = []
        line = self.next(timeout_s)
        while line is not None:
            if line:
                found.append(line)
            line = self.next(0.0)
        return found


def input_waits(fd: int, timeout_s: float, *, at_end: bool = True) -> bool:
    """Wait until a pipe, file or terminal has something to be read.

    Parameters
    ----------
    timeout_s : float
        Longest wait, second.
    at_end : bool
        What to answer where Windows can't look: the pipe has ended, or it is a file, which never makes anybody wait.
    """
    try:
        if sys.platform != "win32":
            return bool(select.select([fd], [], [], timeout_s)[0])
        import _winapi
        import msvcrt

        end_s = time.monotonic() + timeout_s
        while not _winapi.PeekNamedPipe(msvcrt.get_osfhandle(fd), 0)[0]:
            if time.monotonic() >= end_s:
                return False
            time.sleep(_POLL_S)
        return True
    except (OSError, ValueError):
        return at_end


def _decoded(line: bytes) -> str | UsageError:
    try:
        return line.decode("utf-8-sig").strip()
    except UnicodeDecodeError:
        return UsageError(
            f"a line on standard input is not UTF-8 text: {line[:40]!r}",
            hint="let the program before the pipe write UTF-8",
        )
