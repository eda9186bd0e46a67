"""A meter on a pseudo-terminal: a real serial port for the adapter, with bytes from the test."""

from __future__ import annotations

import os
import select
import threading
from dataclasses import dataclass
from types import TracebackType
from typing import Self

from helpers.systems import skip_without_terminals


@dataclass
class PortInfo:
    """What the list of serial ports says of one."""

    device: str
    description: str = "USB serial bridge"
    serial_number: str | None = "A1"


class PtyMeter:
    """The meter's end of a serial line; `path` is the port for the adapter.

    Parameters
    ----------
    frame : bytes
        Sent every `every_s` in the background; none when empty.
    answers : mapping of bytes to bytes
        Requests that are answered.
    """

    def __init__(
        self, frame: bytes = b"", every_s: float = 0.02, answers: dict[bytes, bytes] | None = None
    ) -> None:
        skip_without_terminals()
        import tty

        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        self.path = os.ttyname(self._far)
        self.asked: list[bytes] = []
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        if frame or answers:
            self._thread = threading.Thread(target=self._play, args=(frame, every_s, answers or {}))
            self._thread.start()

    def send(self, data: bytes) -> None:
        os.write(self._near, data)

    def _play(self, frame: bytes, every_s: float, answers: dict[bytes, bytes]) -> None:
        os.set_blocking(self._near, False)
        while not self._stop.wait(every_s):
            try:
                if frame:
                    os.write(self._near, frame)
                if select.select([self._near], [], [], 0)[0]:
                    request = os.read(self._near, 100)
                    self.asked.append(request)
                    if request in answers:
                        os.write(self._near, answers[request])
            except BlockingIOError:  # nobody reads: a real line loses bytes too
                continue

    def unplug(self) -> None:
        """End the line as a pulled USB plug does."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        for name in ("_near", "_far"):
            if (descriptor := getattr(self, name)) >= 0:
                os.close(descriptor)
                setattr(self, name, -1)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.unplug()
