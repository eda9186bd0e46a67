"""Instruments of the simulated bench: ``sim:MA-01``, ``sim:SC-03?seed=7``.

The first one opened sets up a bench for the whole process, the last one closed takes it down. Each delegates to
the adapter that reads hardware, over a loopback link. `using` makes an own bench the one that ``sim:`` means.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from benchlog.adapter import Adapter, Reader
from benchlog.clock import Clock, SystemClock
from benchlog.displayed import parse_displayed
from benchlog.errors import OpenError, OpenReason, UsageError
from benchlog.reading import Reading
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions
from benchlog_drivers.simbench.bench import SimulatedBench

__all__ = ["SimulatedAdapter", "SimulatedOptions", "using"]


@dataclass(frozen=True, slots=True)
class SimulatedOptions:
    """Options of a simulated instrument.

    Attributes
    ----------
    seed : int
        Of the bench; same seed, same digits. Counts only for the first instrument opened.
    """

    seed: int = 1


class _Shared:
    """The one bench of this process, while anybody uses it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bench: SimulatedBench | None = None
        self._lent = False
        self._users = 0

    def acquire(self, seed: int, clock: Clock) -> SimulatedBench:
        with self._lock:
            if self._bench is None:
                self._bench = SimulatedBench(seed, clock).start()
            self._users += 1
            return self._bench

    def release(self) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0 and self._bench is not None:
                if not self._lent:
                    self._bench.close()
                self._bench = None
                self._lent = False

    def lend(self, bench: SimulatedBench) -> None:
        with self._lock:
            if self._bench is not None:
                raise UsageError("a simulated bench is in use already", hint="close its instruments first")
            self._bench = bench
            self._lent = True
            self._users = 1


_shared = _Shared()


@contextmanager
def using(bench: SimulatedBench) -> Iterator[SimulatedBench]:
    """Make a started bench the one that ``sim:`` addresses mean, until the block ends.

    Raises
    ------
    UsageError
        If another simulated bench is in use.
    """
    _shared.lend(bench)
    try:
        yield bench
    finally:
        _shared.release()


class SimulatedMeter(Reader):
    """A meter with a link; `SerialMeter` reads it."""

    def __init__(self, instrument: str, tag: str, seed: int, *, clock: Clock | None = None) -> None:
        super().__init__(instrument, clock=clock)
        self._tag, self._seed = tag, seed
        self._bench: SimulatedBench | None = None
        self._inner: SerialMeter | None = None

    def identity(self) -> str:
        """See `Adapter.identity`."""
        return f"{self._tag} on the simulated bench"

    def _open(self) -> None:
        self._bench = _shared.acquire(self._seed, self.clock)
        address = self._bench.address(self._tag)
        port, _, frames = address.removeprefix("serial:").partition("?frames=")
        self._bench.meter_links[self._tag].on_demand(1)
        self._inner = SerialMeter(self.instrument, port, SerialOptions(frames=frames), clock=self.clock)
        self._inner.open()

    def _close(self) -> None:
        if self._inner is not None:
            self._inner.close()
            self._inner = None
            if self._bench is not None and self._tag in self._bench.meter_links:
                self._bench.meter_links[self._tag].on_demand(-1)
        if self._bench is not None:
            self._bench = None
            _shared.release()

    def _read(self, timeout_s: float) -> Reading | None:
        if self._inner is None or self._bench is None:
            raise OpenError(f"{self._tag} is not open", hint="open the adapter first")
        self._bench.meter_links[self._tag].demand()
        return self._inner.read(timeout_s)


class SimulatedEye(Reader):
    """A meter without a link, read off by eye and typed."""

    def __init__(self, instrument: str, tag: str, seed: int, *, clock: Clock | None = None) -> None:
        super().__init__(instrument, clock=clock)
        self._tag, self._seed = tag, seed
        self._bench: SimulatedBench | None = None

    def identity(self) -> str:
        """See `Adapter.identity`."""
        return f"{self._tag} on the simulated bench, read by eye"

    def _open(self) -> None:
        self._bench = _shared.acquire(self._seed, self.clock)

    def _close(self) -> None:
        if self._bench is not None:
            self._bench = None
            _shared.release()

    def _read(self, timeout_s: float) -> Reading | None:
        if self._bench is None:
            raise OpenError(f"{self._tag} is not open", hint="open the adapter first")
        self.clock.sleep(min(timeout_s, 1.0))  # nobody reads off faster
        meter = self._bench.meter(self._tag)
        return parse_displayed(self._bench.read_display(self._tag), meter.function)


class _Factory:
    """Makes the adapter that fits the instrument of a tag."""

    Options = SimulatedOptions

    def __call__(
        self, instrument: str, rest: str, options: SimulatedOptions | None, *, clock: Clock | None = None
    ) -> Adapter:
        seed = (options or SimulatedOptions()).seed
        makers = {"MA-01": SimulatedMeter, "MB-02": SimulatedEye}
        if rest not in makers:
            raise OpenError(
                f"the simulated bench has no {rest!r}",
                hint=f"it has: {', '.join(f'sim:{tag}' for tag in makers)}",
                reason=OpenReason.MISSING,
            )
        return makers[rest](instrument, rest, seed, clock=clock or SystemClock())


SimulatedAdapter = _Factory()
