"""An instrument by the letter of IEEE 488.2 behind a link with message ends: one message in, one message out.

Section 6.3.2.3 (from memory): a new command before the answer was read to its end is a Query INTERRUPTED (-410), and
a read with nothing asked for is a Query UNTERMINATED (-420); both are in the instrument's error queue.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

from helpers.scpi_server import Answer


class Exchange:
    """Output queue and parser of one instrument.

    Parameters
    ----------
    instrument : callable
        Command to answer, with an attribute `errors` (list of error queue lines).
    newline : bool
        Whether answers end with a newline besides the message end.
    """

    def __init__(self, instrument: Callable[[str], Answer], *, newline: bool = True) -> None:
        self.instrument: Any = instrument
        self.newline = newline
        self.clears = 0
        self._changed = threading.Condition()
        self._message = bytearray()
        self._commands: list[str] = []
        self._output = bytearray()
        self._ended = False
        self._busy = 0
        self._epoch = 0
        self._stopped = False
        self.on_answer: Callable[[bytes], None] | None = None
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the worker."""
        self.clear()
        with self._changed:
            self._stopped = True
            self._changed.notify_all()
        self._thread.join(5)

    def write(self, data: bytes, end: bool) -> None:
        """Take a part of a message; the last part starts it."""
        with self._changed:
            if self._output:
                self._output.clear()
                self.instrument.errors.append('-410,"Query INTERRUPTED"')
            self._message += data
            if end:
                lines = bytes(self._message).decode("latin-1").split("\n")
                self._message.clear()
                self._commands += [line.strip() for line in lines if line.strip()]
                self._changed.notify_all()

    def read(self, limit: int, wait_s: float) -> tuple[bytes, bool] | None:
        """Some of the answer and whether that ends it; None when there is none in time."""
        with self._changed:
            if not (self._output or self._busy or self._commands):
                self.instrument.errors.append('-420,"Query UNTERMINATED"')
            if not self._changed.wait_for(lambda: bool(self._output), wait_s):
                return None
            part = bytes(self._output[:limit])
            del self._output[:limit]
            return part, self._ended and not self._output

    def taken(self) -> None:
        """The whole answer has gone out by itself."""
        with self._changed:
            self._output.clear()

    def clear(self) -> None:
        """Device clear."""
        with self._changed:
            self.clears += 1
            self._epoch += 1
            self._commands.clear()
            self._message.clear()
            self._output.clear()
            self._changed.notify_all()

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: bool(self._commands) or self._stopped)
                if self._stopped:
                    return
                command, epoch = self._commands.pop(0), self._epoch
                self._busy += 1
                answer = self.instrument(command)
                steps = [answer] if isinstance(answer, bytes) else answer or []
                for at, step in enumerate(steps):
                    if isinstance(step, int | float):
                        self._changed.wait_for(lambda: self._epoch != epoch, step)  # noqa: B023
                    if self._epoch != epoch:
                        break
                    if isinstance(step, bytes):
                        self._put(step, last=at == len(steps) - 1)
                self._busy -= 1

    def _put(self, data: bytes, *, last: bool) -> None:
        if last and not self.newline and data.endswith(b"\n"):
            data = data[:-1]
        self._output += data
        self._ended = last
        self._changed.notify_all()
        if last and self.on_answer is not None:
            self.on_answer(bytes(self._output))
