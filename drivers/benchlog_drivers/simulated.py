"""Instruments of the simulated bench: ``sim:MA-01``, ``sim:SC-03?seed=7``.

The first one opened starts a bench for the whole process, the last one closed stops it. Each delegates to the adapter for
real hardware, over a loopback link. `using` makes another bench the one that ``sim:`` means.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from benchlog.adapter import Adapter, Reader
from benchlog.clock import Clock
from benchlog.displayed import parse_displayed
from benchlog.errors import ConfigError, OpenError, OpenReason, UsageError
from benchlog.reading import Function, Reading
from benchlog_drivers._session import LinkOptions, ScpiInstrument, ScpiSession
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.faults import CAUSES
from benchlog_drivers.simbench.meter_spec import MA_01
from benchlog_drivers.simbench.serve_meter import MeterEndpoint
from benchlog_drivers.visa_generator import VisaGenerator
from benchlog_drivers.visa_scope import VisaScope

_ARRIVES_S = 10.0  # real time within which a frame arrives, however busy the computer
_LOOK_S = 0.5  # a person reads a display no faster


@dataclass(frozen=True, slots=True)
class SimulatedOptions:
    """Options of a simulated instrument."""

    seed: int = 1  #: Of the bench; same seed, same digits. Counts only for the first instrument opened.
    #: Planted in a meter to practise on, e.g. ``"meter_gain_drift"``: a cause by the name the diagnosis gives
    #: it.
    fault: str = ""


class _Shared:
    """The shared bench of this process, while in use."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bench: SimulatedBench | None = None
        self._lent = False
        self._users = 0
        self._faulty: set[str] = set()

    def acquire(self, tag: str, options: SimulatedOptions, clock: Clock) -> SimulatedBench:
        with self._lock:
            if self._bench is None:
                self._bench = _default_bench(options.seed, clock)
                self._faulty.clear()
            if options.fault and tag not in self._faulty:
                self._faulty.add(tag)
                self._bench.fault(options.fault, meter=tag)
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

    def share(self, bench: SimulatedBench) -> None:
        with self._lock:
            if self._bench is not None:
                raise UsageError("a simulated bench is in use already", hint="close its instruments first")
            self._bench = bench
            self._faulty.clear()
            self._lent = True
            self._users = 1


def _default_bench(seed: int, clock: Clock) -> SimulatedBench:
    """T1 in the outlet with both meters on its output and the scope beside them."""
    bench = SimulatedBench(seed, clock)
    bench.connect("MB-02", at="T1.output")
    bench.probe("CH1", at="T1.output", attenuation=10.0)
    return bench.start()


_shared = _Shared()


@contextmanager
def using(bench: SimulatedBench) -> Iterator[SimulatedBench]:
    """Make a started bench the one that ``sim:`` addresses mean, until the block ends.

    Raises
    ------
    UsageError
        If another simulated bench is in use.
    """
    _shared.share(bench)
    try:
        yield bench
    finally:
        _shared.release()


@contextmanager
def shared(adapters: Iterable[Adapter], clock: Clock) -> Iterator[SimulatedBench]:
    """Keep the shared bench, with the faults planted in these adapters' meters, until the block ends."""
    tenants = [a.bench_use for a in adapters if isinstance(a, _Simulated)]
    benches = [bench_use.enter(clock) for bench_use in tenants]
    try:
        yield benches[0]
    finally:
        for bench_use in tenants:
            bench_use.leave()


class _SharedBenchUse:
    """Keeps the shared bench while an adapter is open."""

    def __init__(self, tag: str, options: SimulatedOptions) -> None:
        self.tag = tag
        self._options = options
        self.bench: SimulatedBench | None = None

    def enter(self, clock: Clock) -> SimulatedBench:
        self.bench = _shared.acquire(self.tag, self._options, clock)
        return self.bench

    def leave(self) -> None:
        if self.bench is not None:
            self.bench = None
            _shared.release()

    @property
    def identity(self) -> str:
        return f"{self.tag} on the simulated bench"

    def set_up_for(self, function: Function | None, name: str) -> None:
        """Put this meter on a point or part of that name, if it exists, and set its dial."""
        bench = self.bench
        if bench is None:
            return
        points = bench.scene.points
        at = next((point for point in (f"{name}.output", name) if point in points), "")
        if function is Function.OHMS:
            if not at:
                raise UsageError(
                    f"the tips of {self.tag} are on T1's output, which is live: no ohms there",
                    hint=f"name the part: --part CT1; there are: {', '.join(sorted(points))}",
                )
            bench.unplug("T1")
        if at:
            bench.disconnect(self.tag)
        if function is not None and bench.meter(self.tag).function is not function:
            bench.set_function(self.tag, function)
        if at:
            bench.connect(self.tag, at=at)


class _Simulated:
    """What the adapters of the simulated bench share."""

    bench_use: _SharedBenchUse

    def set_up_for(self, function: Function | None, point: str = "") -> None:
        """Prepare a single reading as a person would: set the dial, put the tips on a point of that name."""
        self.bench_use.set_up_for(function, point)


class SimulatedMeter(SerialMeter, _Simulated):
    """A meter with a link, read as any serial meter."""

    def __init__(
        self, instrument: str, tag: str, options: SimulatedOptions, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, "", SerialOptions(frames=MA_01.family), clock=clock)
        self.bench_use = _SharedBenchUse(tag, options)
        self._link_end: MeterEndpoint | None = None

    def identity(self) -> str:
        return self.bench_use.identity

    def _open(self) -> None:
        bench = self.bench_use.enter(self.clock)
        self._wanted = bench.address(self.bench_use.tag).removeprefix("serial:").partition("?")[0]
        self._link_end = bench.meter_links[self.bench_use.tag]
        self._link_end.on_demand(1)
        super()._open()

    def _close(self) -> None:
        super()._close()
        if self._link_end is not None:
            self._link_end.on_demand(-1)
            self._link_end = None
        self.bench_use.leave()

    def _read(self, timeout_s: float) -> Reading | None:
        # On a manual clock a frame is made for each read, so that none is older than the request.
        end = self._link_end
        if end is None or not end.updates.manual:
            return super()._read(timeout_s)
        self._drop_waiting()
        if timeout_s <= 0:
            return None
        end.demand()
        return super()._read(timeout_s if end.byte_loss or end.bit_flip else max(timeout_s, _ARRIVES_S))

    def _drop_waiting(self) -> None:
        """Drop frames sent for other readers of the same display."""
        self._ready.clear()
        link = self._open_link()
        while self._receive(link, 0.0):
            self._ready.clear()


class SimulatedEye(Reader, _Simulated):
    """A meter without a link, whose readings are typed."""

    def __init__(
        self, instrument: str, tag: str, options: SimulatedOptions, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, clock=clock)
        self.bench_use = _SharedBenchUse(tag, options)
        self._looked_s = 0.0  # for callers with shorter time-outs

    def identity(self) -> str:
        return f"{self.bench_use.identity}, read by eye"

    def _open(self) -> None:
        self.bench_use.enter(self.clock)

    def _close(self) -> None:
        self.bench_use.leave()

    def _read(self, timeout_s: float) -> Reading | None:
        bench = self.bench_use.bench
        if bench is None:
            raise OpenError(f"{self.bench_use.tag} is not open", hint="open the adapter first")
        wait_s = min(timeout_s, _LOOK_S - self._looked_s)
        self.clock.sleep(wait_s)
        self._looked_s += wait_s
        if self._looked_s < _LOOK_S:
            return None
        self._looked_s = 0.0
        return parse_displayed(
            bench.read_display(self.bench_use.tag), bench.meter(self.bench_use.tag).function
        )


class _SimulatedScpi(ScpiInstrument[Any], _Simulated):
    """A simulated SCPI instrument, used like a real one."""

    def __init__(
        self, instrument: str, tag: str, options: SimulatedOptions, *, clock: Clock | None = None
    ) -> None:
        super().__init__(instrument, "", clock=clock)
        self.bench_use = _SharedBenchUse(tag, options)

    def _open(self) -> None:
        address = self.bench_use.enter(self.clock).address(self.bench_use.tag)
        resource, _, dialect = address.removeprefix("visa:").partition("?dialect=")
        self._session = ScpiSession(resource, self._kind, LinkOptions(dialect=dialect))
        super()._open()

    def _close(self) -> None:
        super()._close()
        self.bench_use.leave()


class SimulatedScope(_SimulatedScpi, VisaScope):
    """The scope."""


class SimulatedGenerator(_SimulatedScpi, VisaGenerator):
    """The generator."""


_MAKERS: dict[str, Callable[..., Adapter]] = {
    "MA-01": SimulatedMeter,
    "MB-02": SimulatedEye,
    "SC-03": SimulatedScope,
    "SG-04": SimulatedGenerator,
}


class _Factory:
    """Makes the adapter that fits the instrument of a tag."""

    Options = SimulatedOptions

    def __call__(
        self, instrument: str, rest: str, options: SimulatedOptions | None, *, clock: Clock | None = None
    ) -> Adapter:
        if rest not in _MAKERS:
            raise OpenError(
                f"the simulated bench has no {rest!r}",
                hint=f"it has: {', '.join(f'sim:{tag}' for tag in _MAKERS)}",
                reason=OpenReason.MISSING,
            )
        if options is not None and options.fault and options.fault not in CAUSES:
            raise ConfigError(
                f"the simulated bench has no fault {options.fault!r}", hint=f"it has: {', '.join(CAUSES)}"
            )
        return _MAKERS[rest](instrument, rest, options or SimulatedOptions(), clock=clock)


SimulatedAdapter = _Factory()
"""Adapter factory of the scheme ``sim``."""
