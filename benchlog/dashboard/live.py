"""The dashboard on a terminal: redrawn at most ten times a second, the terminal restored afterwards.

`showing` is for programs that do something else meanwhile, such as the demo or a guided run::

    with showing(console, collector):          # draws below what is printed, nothing at all on a pipe
        ...                                    # readings go to collector.take() from wherever they come
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Self

from rich.console import Console, RenderableType
from rich.live import Live

from benchlog.dashboard.collector import Collector
from benchlog.dashboard.model import Snapshot
from benchlog.dashboard.view import KEYS, view

__all__ = ["MAX_HZ", "Screen", "can_show", "needs_ascii", "showing"]

MAX_HZ = 10.0


def can_show(console: Console) -> bool:
    """Whether a console is a terminal on which a picture can be redrawn."""
    return console.is_terminal and not console.is_dumb_terminal


def needs_ascii(console: Console) -> bool:
    """Whether a console's encoding lacks the shapes."""
    return not console.encoding.lower().startswith("utf")


class Screen:
    """A full screen that shows snapshots.

    Parameters
    ----------
    console : rich Console
        A terminal.
    """

    def __init__(self, console: Console, *, keys: str = KEYS) -> None:
        self._console = console
        self._keys = keys
        self._live = Live(console=console, screen=True, auto_refresh=False, vertical_overflow="crop")
        self._next_s = 0.0

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, snapshot: Snapshot) -> None:
        """Draw a snapshot."""
        self._live.update(self.picture(snapshot), refresh=True)

    def picture(self, snapshot: Snapshot) -> RenderableType:
        """Snapshot drawn for this console's size as it is now."""
        width, height = self._console.size
        return view(snapshot, width, height, keys=self._keys, plain=needs_ascii(self._console))


@contextmanager
def showing(
    console: Console,
    collector: Collector,
    *,
    height: int = 14,
    hz: float = 4.0,
    linger_s: float = 0.0,
    snapshot: Callable[[], Snapshot] | None = None,
) -> Iterator[Collector]:
    """Show what a collector gathers below the printed lines until the block ends; nothing where no terminal is.

    Parameters
    ----------
    console : rich Console
    collector : Collector
        Give its `take` the readings.
    height : int
        Lines to draw.
    hz : float
        Pictures a second, at most `MAX_HZ`.
    linger_s : float
        Keep the last picture at least that long since the first, so that it can be read.
    snapshot : callable, optional
        Where pictures come from; the collector's own by default.
    """
    if not can_show(console):
        yield collector
        return
    take = snapshot or collector.snapshot
    done = threading.Event()

    def picture() -> RenderableType:
        size = console.size
        return view(take(), size.width, min(height, size.height - 2), keys="", plain=needs_ascii(console))

    live = Live(picture(), console=console, auto_refresh=False, vertical_overflow="crop")

    def draw() -> None:
        while not done.wait(1.0 / min(hz, MAX_HZ)):
            live.update(picture(), refresh=True)

    thread = threading.Thread(target=draw, name="dashboard", daemon=True)
    began = time.monotonic()
    with live:
        thread.start()
        try:
            yield collector
            done.wait(max(0.0, linger_s - (time.monotonic() - began)))
        finally:
            done.set()
            thread.join()
            live.update(picture(), refresh=True)
