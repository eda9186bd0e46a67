"""Typed readings, one per line, as displayed: ``27.75``, ``OL``, ``-0.3m``, ``27.75 V ac``.

Address: ``typed:``, or ``typed:?function=V~`` where the lines don't name the function.
"""

from __future__ import annotations

import os
import sys
from collections import deque
from dataclasses import dataclass
from typing import TextIO

from benchlog.adapter import Reader
from benchlog.clock import Clock
from benchlog.displayed import parse_displayed
from benchlog.errors import LinkLostError, OpenError
from benchlog.keyboard import input_waits
from benchlog.reading import Function, Reading


@dataclass(frozen=True, slots=True)
class ManualOptions:
    """Options of typed readings."""

    #: What the meter is set to; without it every line must name the function.
    function: Function | None = None


class ManualReader(Reader):
    """Takes readings from lines of text.

    Parameters
    ----------
    instrument : str
        Tag of the meter that is read by eye.
    stream : text stream, optional
        Where the lines come from; standard input by default. Belongs to the caller and is not closed.
    """

    Options = ManualOptions

    def __init__(
        self,
        instrument: str,
        rest: str = "",
        options: ManualOptions | None = None,
        *,
        clock: Clock | None = None,
        stream: TextIO | None = None,
    ) -> None:
        super().__init__(instrument, clock=clock)
        self._options = options or ManualOptions()
        self._stream = stream
        self._lines: deque[str] = deque()
        self._partial = b""
        self._ended = False

    def identity(self) -> str:
        return "typed by hand"

    def _open(self) -> None:
        if self._stream is None:
            self._stream = sys.stdin

    def _close(self) -> None:
        pass

    def _read(self, timeout_s: float) -> Reading | None:
        """Return the next typed reading; empty lines are skipped.

        Raises
        ------
        UsageError
            If the line can't be read; the next call takes the next line.
        LinkLostError
            At the end of the text.
        """
        stream = self._stream
        if stream is None or not self.is_open:
            raise OpenError("typed readings are not open", hint="open the adapter first")
        end_ns = self.clock.monotonic_ns() + round(timeout_s * 1e9)
        while not self._lines:
            if self._ended:
                raise LinkLostError("the typed readings ended", hint="there are no more lines")
            if not self._take(stream, max(0.0, (end_ns - self.clock.monotonic_ns()) / 1e9)):
                return None
        return parse_displayed(self._lines.popleft(), self._options.function)

    def _take(self, stream: TextIO, wait_s: float) -> bool:
        """Wait for text and cut it into lines; False when none came in time."""
        try:
            descriptor = stream.fileno()
        except OSError:  # text in memory is always there
            text = stream.readline()
            self._ended = not text
            self._add(text)
            return True
        # Bypass Python's own buffer: whole lines in it would not be seen.
        if not input_waits(descriptor, wait_s):
            return False
        data = os.read(descriptor, 4096)
        self._ended = not data
        *lines, self._partial = (self._partial + data).split(b"\n")
        if self._ended and self._partial:
            lines, self._partial = [*lines, self._partial], b""
        for line in lines:
            self._add(line.decode("utf-8", "replace"))
        return True

    def _add(self, line: str) -> None:
        if line.strip():
            self._lines.append(line.strip())
