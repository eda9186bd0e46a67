"""An instrument that answers one question too late, behind every kind of link."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

from helpers.hislip_server import HislipServer
from helpers.loopback_server import LoopbackServer
from helpers.message_exchange import Exchange
from helpers.scpi_server import Answer, ScpiServer, Scripted, pty_server
from helpers.usb_in_process import InProcessUsb
from helpers.vxi11_server import Vxi11Server
from usbip_device import HIGH_SPEED
from usbtmc_instrument import UsbtmcInstrument

from benchlog_drivers import _usb_bus


class Late:
    """An instrument whose next answer but `skip` comes `delay_s` late."""

    def __init__(self, script: Scripted) -> None:
        self.script = script
        self.skip: int | None = None
        self.delay_s = 0.0
        self.were_late = 0

    @property
    def errors(self) -> list[str]:
        return self.script.errors

    def __call__(self, command: str) -> Answer:
        answer = self.script(command)
        if answer is None or self.skip is None:
            return answer
        self.skip -= 1
        if self.skip >= 0:
            return answer
        self.skip = None
        self.were_late += 1
        return [self.delay_s, *(answer if isinstance(answer, list) else [answer])]


class BridgeServer(LoopbackServer):
    """A serial line behind a TCP port: one instrument, whose late answer goes to whoever is connected then."""

    def __init__(self, instrument: Callable[[str], Answer]) -> None:
        self._instrument = instrument
        self._commands: list[str] = []
        self._news = threading.Condition()
        self._peer: socket.socket | None = None
        self._stopped = False
        super().__init__()
        threading.Thread(target=self._work, daemon=True).start()

    def close(self) -> None:
        """See `LoopbackServer.close`."""
        with self._news:
            self._stopped = True
            self._news.notify_all()
        super().close()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def serve(self, peer: socket.socket) -> None:
        """Pass lines on, in the order in which they come."""
        self._peer = peer
        with peer.makefile("rb") as lines:
            for line in lines:
                with self._news:
                    self._commands.append(line.decode("latin-1").strip())
                    self._news.notify_all()

    def _work(self) -> None:
        while not self._stopped:
            with self._news:
                self._news.wait_for(lambda: self._commands or self._stopped)
                if self._stopped:
                    return
                command = self._commands.pop(0)
            answer = self._instrument(command)
            for step in [answer] if isinstance(answer, bytes) else answer or []:
                if isinstance(step, bytes):
                    with contextlib.suppress(OSError, AttributeError):
                        self._peer.sendall(step)  # type: ignore[union-attr]
                elif isinstance(step, int | float):
                    time.sleep(step)


class AnyUsbInstrument(UsbtmcInstrument):
    """The emulated USBTMC interface before any instrument; its late answers are dropped by a device clear."""

    def __init__(self, instrument: Callable[[str], Answer]) -> None:
        super().__init__("Any instrument", "", "1-2", "SC0001", HIGH_SPEED)
        self.instrument: Any = instrument
        self.errors = self.instrument.errors  # where a strict interface notes what was not read to its end

    def _unit(self, unit: str, epoch: int) -> None:
        if epoch != self.epoch:
            return
        answer = self.instrument(unit)
        cleared = self.cleared
        for step in [answer] if isinstance(answer, bytes) else answer or []:
            if isinstance(step, int | float):
                cleared.wait(step)
        whole = b"".join(
            s for s in ([answer] if isinstance(answer, bytes) else answer or []) if isinstance(s, bytes)
        )
        with self.lock:
            if epoch == self.epoch and whole:
                self.answer += whole
                self._respond()


@contextlib.contextmanager
def raw_socket(instrument: Late) -> Iterator[str]:
    with ScpiServer(instrument) as server:
        yield server.resource


@contextlib.contextmanager
def serial_bridge(instrument: Late) -> Iterator[str]:
    with BridgeServer(instrument) as server:
        yield server.resource


@contextlib.contextmanager
def serial_line(instrument: Late) -> Iterator[str]:
    with pty_server(instrument) as resource:
        yield resource


@contextlib.contextmanager
def vxi11(instrument: Late) -> Iterator[str]:
    with Vxi11Server(Exchange(instrument)) as server:
        yield server.resource


@contextlib.contextmanager
def vxi11_without_clear(instrument: Late) -> Iterator[str]:
    with Vxi11Server(Exchange(instrument), has_clear=False) as server:
        yield server.resource


@contextlib.contextmanager
def hislip(instrument: Late) -> Iterator[str]:
    with HislipServer(Exchange(instrument, newline=False)) as server:
        yield server.resource


_usb_lock = threading.Lock()
_usb_bus_now = InProcessUsb()
_real_usb_backend = _usb_bus.usb_backend
_usb_numbers = iter(range(1, 1 << 15))


@contextlib.contextmanager
def usbtmc(instrument: Late) -> Iterator[str]:
    device = AnyUsbInstrument(instrument)
    with _usb_lock:
        device.product = next(_usb_numbers)
        _usb_bus_now.devices.append(device)
        _usb_bus_now.plug_in(device)
        _usb_bus.usb_backend = lambda: _usb_bus_now  # type: ignore[assignment]
    try:
        yield f"USB0::0x1209::0x{device.product:04X}::SC0001::0::INSTR"
    finally:
        with _usb_lock:
            _usb_bus_now.devices.remove(device)
            if not _usb_bus_now.devices:
                _usb_bus.usb_backend = _real_usb_backend


LINKS: dict[str, Callable[[Late], Any]] = {
    "raw socket": raw_socket,
    "serial bridge": serial_bridge,
    "serial": serial_line,
    "VXI-11": vxi11,
    "VXI-11 without clear": vxi11_without_clear,
    "HiSLIP": hislip,
    "USBTMC": usbtmc,
}
