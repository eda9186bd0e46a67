"""The dashboard on a terminal: redrawn at most ten times a second; restores the terminal at the end.

`showing` is for code that does something else meanwhile, such as a guided run::

    with showing(console, collector):          # draws below printed lines; nothing on a pipe
        ...                                    # pass each reading to collector.take()

`play` watches meters for a while on a manual clock, as in the demo.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Self

from rich.console import Console, RenderableType
from rich.control import Control
from rich.live import Live
from rich.segment import ControlType
from rich.text import Span

from benchlog.adapter import Reader
from benchlog.clock import Clock
from benchlog.dashboard.collector import Collector
from benchlog.dashboard.model import Snapshot
from benchlog.dashboard.plain import Changes
from benchlog.dashboard.view import KEYS, view, view_lines
from benchlog.reading import Reading

MAX_HZ = 10.0
_WHOLE_EVERY = 100  # redraw everything this often, in case something else wrote on the screen


def can_show(console: Console) -> bool:
    """Whether a console is a terminal that can be redrawn."""
    return console.is_terminal and not console.is_dumb_terminal


def needs_ascii(console: Console) -> bool:
    """Whether a console's encoding lacks the shapes."""
    return not console.encoding.lower().startswith("utf")


class Screen:
    """A full screen of snapshots; draws only the lines that changed.

    Parameters
    ----------
    console : rich Console
        A terminal.
    keys : str
        Active keys, as shown.
    """

    def __init__(self, console: Console, *, keys: str = KEYS) -> None:
        self._console = console
        self._keys = keys
        self._drawn: list[tuple[str, object, list[Span]]] = []
        self._size = (0, 0)
        self._pictures = 0

    def __enter__(self) -> Self:
        self._console.set_alt_screen(True)
        self._console.show_cursor(False)
        return self

    def __exit__(self, *exc: object) -> None:
        if self._console.legacy_windows:  # it has only one screen: continue below the picture
            self._console.control(self._line_begin(len(self._drawn) - 1))
            self._console.print()
        self._console.show_cursor(True)
        self._console.set_alt_screen(False)

    def _clear(self, height: int) -> None:
        if not self._console.legacy_windows:
            self._console.control(Control(ControlType.CLEAR))
            return
        for y in range(height):
            self._console.control(self._line_begin(y), Control((ControlType.ERASE_IN_LINE, 2)))

    def _line_begin(self, y: int) -> Control:
        """Move to a line's first column; rich counts from 0, but from 1 on a Windows console."""
        return Control.move_to(1, y + 1) if self._console.legacy_windows else Control.move_to(0, y)

    def show(self, snapshot: Snapshot, *, explained: bool = False) -> None:
        """Draw a snapshot for the terminal's present size; `explained` adds the meaning of keys and signs."""
        width, height = self._console.size
        lines = view_lines(
            snapshot,
            width,
            height,
            keys=self._keys,
            explained=explained,
            plain=needs_ascii(self._console),
        )
        with self._console:  # a single write
            if (width, height) != self._size or self._pictures % _WHOLE_EVERY == 0:
                self._size, self._drawn = (width, height), []
                self._clear(height)
            self._pictures += 1
            for y, line in enumerate(lines):
                look = (line.plain, line.style, line.spans)
                if y >= len(self._drawn) or self._drawn[y] != look:
                    self._console.control(self._line_begin(y), Control((ControlType.ERASE_IN_LINE, 2)))
                    self._console.print(line, end="")
            self._drawn = [(line.plain, line.style, line.spans) for line in lines]


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
    """Show a collector's snapshots below the printed lines until the block ends; only on a terminal.

    Parameters
    ----------
    console : rich Console
    collector : Collector
        Pass readings to its `take`.
    hz : float
        Updates per second, at most `MAX_HZ`.
    linger_s : float
        Show it for at least this long, so that it can be read.
    snapshot : callable, optional
        Source of the snapshots; the collector by default.
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


def play(
    console: Console,
    collector: Collector,
    readers: Sequence[Reader],
    *,
    clock: Clock,
    span_s: float,
    real_s: float = 4.0,
    step_s: float = 0.5,
    say: Callable[[str], object] | None = None,
) -> list[Reading]:
    """Watch meters for a while on a manual clock.

    Parameters
    ----------
    console : rich Console
        For the drawing, if it is a terminal.
    readers : sequence of Reader
        Opened here if needed, and then closed again.
    clock : Clock
        A `ManualClock`; advanced by `step_s` after each round of readings.
    span_s, real_s : float
        Duration on that clock, and real duration on a terminal.
    say : callable, optional
        Called with each change as a line, if there is no terminal.

    Returns
    -------
    list of Reading
        All readings, for the record.
    """
    kept: list[Reading] = []
    changes = Changes()
    drawn = can_show(console)
    end_ns = clock.monotonic_ns() + round(span_s * 1e9)
    with ExitStack() as stack:
        for reader in readers:
            if not reader.is_open:
                stack.enter_context(reader)
        stack.enter_context(showing(console, collector, hz=MAX_HZ))
        while (now_ns := clock.monotonic_ns()) < end_ns:
            for reader in readers:
                reading = reader.read(step_s)
                if reading is not None:
                    kept.append(reading)
                    collector.take(reading)
            clock.sleep(step_s - (clock.monotonic_ns() - now_ns) / 1e9)
            if drawn:
                time.sleep(real_s * step_s / span_s)
            elif say is not None:
                for line in changes.lines(collector.snapshot()):
                    say(line)
    return kept
