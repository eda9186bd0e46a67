"""The simulated bench: a workbench whose meters, scope and generator are served over real links, with faults to inject."""

from __future__ import annotations

import threading
from typing import Self

from benchlog.clock import Clock
from benchlog.errors import UsageError
from benchlog_drivers.simbench.faults import inject
from benchlog_drivers.simbench.hookups import Hookups
from benchlog_drivers.simbench.kc1 import BENCH_TOML
from benchlog_drivers.simbench.loopback import Loop
from benchlog_drivers.simbench.meter import MeterUpdates
from benchlog_drivers.simbench.serve_meter import MeterEndpoint
from benchlog_drivers.simbench.serve_scpi import generator_endpoint, meter_endpoint, scope_endpoint
from benchlog_drivers.simbench.workbench import Workbench

_DIALECTS = {"SC-03": "preamble_ten", "SG-04": "scpi_generator", "MA-01 scpi": "scpi_meter"}


class SimulatedBench(Workbench):
    """KC-1's bench with its links served on the loopback interface.

    Parameters
    ----------
    seed : int
        Same seed, same digits.
    clock : Clock, optional
        Time of the bench; day 0 is its time now. On a `ManualClock` frames come as fast as they are read.
    """

    def __init__(self, seed: int = 1, clock: Clock | None = None) -> None:
        super().__init__(seed, clock)
        self.hookups = Hookups(self)
        self._loop: Loop | None = None
        self._addresses: dict[str, str] = {}
        self.meter_links: dict[str, MeterEndpoint] = {}
        self._start_lock = threading.Lock()

    def fault(self, cause: str, *, meter: str = "MA-01", case: int = 0) -> None:
        """Apply a cause known to the diagnosis; see `faults.inject`."""
        inject(self, cause, meter=meter, case=case)

    def start(self) -> Self:
        """Start serving; starting twice does nothing."""
        with self._start_lock:
            if self._loop is not None:
                return self
            self._loop = loop = Loop()
            for tag, meter in self.meters.items():
                if meter.spec.family:
                    self.meter_links[tag] = link = MeterEndpoint(meter, self.scene, loop.wake)
                    port = loop.listen(link)
                    self._addresses[tag] = f"serial:socket://127.0.0.1:{port}?frames={meter.spec.family}"
                else:
                    self._addresses[tag] = "typed:"
            for tag, endpoint in (
                ("SC-03", scope_endpoint(self.scope, self.scene)),
                ("SG-04", generator_endpoint(self.generator, self.scene)),
                ("MA-01 scpi", meter_endpoint(MeterUpdates(self.meters["MA-01"], self.scene))),
            ):
                port = loop.listen(endpoint)
                self._addresses[tag] = f"visa:TCPIP::127.0.0.1::{port}::SOCKET?dialect={_DIALECTS[tag]}"
        return self

    def close(self) -> None:
        """Stop serving; safe to repeat."""
        with self._start_lock:
            if self._loop is not None:
                self._loop.close()
                self._loop = None
                self._addresses.clear()
                self.meter_links.clear()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *exc: object) -> None:
        self.close()

    def address(self, tag: str) -> str:
        """Adapter address under which an instrument is served.

        Raises
        ------
        UsageError
            If there is no such instrument, or the bench is not started.
        """
        if tag not in self._addresses:
            known = ", ".join(self._addresses) or "none: the bench is not started"
            raise UsageError(f"the simulated bench serves no {tag!r}", hint=f"it serves: {known}")
        return self._addresses[tag]

    def bench_toml(self) -> str:
        """Text of a bench file with the data sheets and ``sim:`` addresses."""
        return BENCH_TOML.format_map({tag: f"sim:{tag}" for tag in ("MA-01", "SC-03", "SG-04")})
