"""Instruments of the simulated bench: ``sim:MA-01``, ``sim:SC-03?seed=7``.

The first one opened sets up a bench for the whole process, the last one closed takes it down. Each delegates to
the adapter that reads hardware, over a loopback link. `using` makes an own bench the one that ``sim:`` means.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from benchlog.adapter import Adapter, Reader
from benchlog.clock import Clock
from benchlog.displayed import parse_displayed
from benchlog.errors import OpenError, OpenReason, UsageError
from benchlog.reading import Reading
from benchlog_drivers._session import LinkOptions, ScpiSession
from benchlog_drivers.dialects import GeneratorDialect, ScopeDialect
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.meter_spec import MA_01
from benchlog_drivers.simbench.serve_meter import MeterEndpoint
from benchlog_drivers.visa_generator import VisaGenerator
from benchlog_drivers.visa_scope import VisaScope

__all__ = ["SimulatedAdapter", "SimulatedOptions", "using"]

_LOOK_S = 0.5  # nobody reads a display off faster


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
                self._bench = _default_bench(seed, clock)
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
    _shared.lend(bench)
    try:
        yield bench
    finally:
        _shared.release()


class _Tenant:
    """Keeps the shared bench while an adapter is open."""

    def __init__(self, tag: str, seed: int) -> None:
        self.tag = tag
        self._seed = seed
        self.bench: SimulatedBench | None = None

    def enter(self, clock: Clock) -> SimulatedBench:
        self.bench = _shared.acquire(self._seed, clock)
        return self.bench

    def leave(self) -> None:
        if self.bench is not None:
            self.bench = None
            _shared.release()

    @property
    def identity(self) -> str:
        return f"{self.tag} on the simulated bench"


class SimulatedMeter(SerialMeter):
    """A meter with a link, read as any serial meter."""

    def __init__(self, instrument: str, tag: str, seed: int, *, clock: Clock | None = None) -> None:
        super().__init__(instrument, "", SerialOptions(frames=MA_01.family), clock=clock)
        self._tenant = _Tenant(tag, seed)
        self._link_end: MeterEndpoint | None = None

    def identity(self) -> str:
        """See `Adapter.identity`."""
        return self._tenant.identity

    def _open(self) -> None:
        bench = self._tenant.enter(self.clock)
        self._wanted = bench.address(self._tenant.tag).removeprefix("serial:").partition("?")[0]
        self._link_end = bench.meter_links[self._tenant.tag]
        self._link_end.on_demand(1)
        super()._open()

    def _close(self) -> None:
        super()._close()
        if self._link_end is not None:
            self._link_end.on_demand(-1)
            self._link_end = None
        self._tenant.leave()

    def _read(self, timeout_s: float) -> Reading | None:
        # Where time is moved by hand a frame is sent for each read, so that none is older than the question.
        if self._link_end is not None and not self._ready:
            self._link_end.demand()
        return super()._read(timeout_s)


class SimulatedEye(Reader):
    """A meter without a link, read off by eye and typed."""

    def __init__(self, instrument: str, tag: str, seed: int, *, clock: Clock | None = None) -> None:
        super().__init__(instrument, clock=clock)
        self._tenant = _Tenant(tag, seed)

    def identity(self) -> str:
        """See `Adapter.identity`."""
        return f"{self._tenant.identity}, read by eye"

    def _open(self) -> None:
        self._tenant.enter(self.clock)

    def _close(self) -> None:
        self._tenant.leave()

    def _read(self, timeout_s: float) -> Reading | None:
        bench = self._tenant.bench
        if bench is None:
            raise OpenError(f"{self._tenant.tag} is not open", hint="open the adapter first")
        if timeout_s < _LOOK_S:
            self.clock.sleep(timeout_s)
            return None
        self.clock.sleep(_LOOK_S)
        return parse_displayed(bench.read_display(self._tenant.tag), bench.meter(self._tenant.tag).function)


class SimulatedScope(VisaScope):
    """The scope, spoken to as any SCPI scope."""

    def __init__(self, instrument: str, tag: str, seed: int, *, clock: Clock | None = None) -> None:
        super().__init__(instrument, "", clock=clock)
        self._tenant = _Tenant(tag, seed)

    def _open(self) -> None:
        resource, options = _visa_address(self._tenant.enter(self.clock).address(self._tenant.tag))
        self._session = ScpiSession(resource, ScopeDialect, options)
        super()._open()

    def _close(self) -> None:
        super()._close()
        self._tenant.leave()


class SimulatedGenerator(VisaGenerator):
    """The generator, spoken to as any SCPI generator."""

    def __init__(self, instrument: str, tag: str, seed: int, *, clock: Clock | None = None) -> None:
        super().__init__(instrument, "", clock=clock)
        self._tenant = _Tenant(tag, seed)

    def _open(self) -> None:
        resource, options = _visa_address(self._tenant.enter(self.clock).address(self._tenant.tag))
        self._session = ScpiSession(resource, GeneratorDialect, options)
        super()._open()

    def _close(self) -> None:
        super()._close()
        self._tenant.leave()


def _visa_address(address: str) -> tuple[str, LinkOptions]:
    resource, _, dialect = address.removeprefix("visa:").partition("?dialect=")
    return resource, LinkOptions(dialect=dialect)


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
        return _MAKERS[rest](instrument, rest, (options or SimulatedOptions()).seed, clock=clock)


SimulatedAdapter = _Factory()
"""Adapter factory of the scheme ``sim``."""
