"""Readings typed by hand, a line each, as the display shows them: ``27.75``, ``OL``, ``-0.3m``, ``27.75 V ac``.

Address: ``typed:``, or ``typed:?function=V~`` where the lines don't name the function.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TextIO

from benchlog.adapter import Reader
from benchlog.clock import Clock
from benchlog.displayed import parse_displayed
from benchlog.errors import LinkLostError, OpenError
from benchlog.keyboard import Lines
from benchlog.reading import Function, Reading

__all__ = ["ManualOptions", "ManualReader"]


@dataclass(frozen=True, slots=True)
class ManualOptions:
    """Options of typed readings.

    Attributes
    ----------
    function : Function, optional
        What the meter is set to; without it every line must name the function.
    """

    function: Function | None = None


class ManualReader(Reader):
    """Takes readings from lines of text.

    Parameters
    ----------
    instrument : str
        Tag of the meter that is read by eye.
    rest : str
        Unused part of the address.
    options : ManualOptions
    clock : Clock, optional
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
        self._lines: Lines | None = None

    def identity(self) -> str:
        """See `Adapter.identity`."""
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
        if not self.is_open:
            raise OpenError("typed readings are not open", hint="open the adapter first")
        if self._lines is None:  # only now: whoever reads the stream takes from it what others may wait for
            self._lines = Lines(self._stream)
        end_ns = self.clock.monotonic_ns() + round(timeout_s * 1e9)
        line: str | None = ""
        while not line:
            line = self._lines.next(max(0.0, (end_ns - self.clock.monotonic_ns()) / 1e9))
            if line is None:
                if self._lines.ended:
                    raise LinkLostError("the typed readings ended", hint="nothing more to read")
                return None
        return parse_displayed(line, self._options.function)
