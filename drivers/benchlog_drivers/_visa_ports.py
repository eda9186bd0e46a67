"""The three kinds of link behind a VISA resource.

PyVISA (pure Python backend) names, opens and configures every resource. Bytes on sockets and serial ports are moved
on the socket or port object underneath: the library's own read does not notice the end of a connection (it spins
until its time-out), throws away what had arrived when a time-out strikes, and stops at every byte that equals the
termination character. USBTMC and the LAN instrument protocols are message based and go through the library.
"""

from __future__ import annotations

import contextlib
import errno
import re
import select
import socket
import threading
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, Protocol

from benchlog.errors import BenchlogError, LinkLostError, OpenError, OpenReason
from benchlog_drivers._visa_errors import NAMES_HINT, translate

if TYPE_CHECKING:
    from pyvisa import ResourceManager
    from pyvisa.resources import MessageBasedResource

__all__ = ["SLICE_S", "MessagePort", "Port", "SerialPort", "SocketPort", "open_port"]

# PyVISA takes a tenth of a second to import, so only its presence is checked here; the registry names what lacks.
for _library in ("pyvisa", "pyvisa_py"):
    if find_spec(_library) is None:
        raise ModuleNotFoundError(f"No module named {_library!r}", name=_library)

#: Longest wait inside a port: a lost link or a close from another thread is noticed after at most this.
SLICE_S = 0.05
_RECEIVE = 1 << 20
_manager_lock = threading.Lock()


class Port(Protocol):
    """Bytes in and out of one open resource. Library exceptions may leave it; the caller translates them."""

    #: Whether a message has an end of its own (USBTMC, LAN instrument protocols).
    framed: bool

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """Return what has arrived, at most `limit` bytes, waiting up to `wait_s` for the first, and whether
        it ends a message; empty when nothing came. Raises `LinkLostError` at the end of the connection."""
        ...

    def receive_into(self, view: memoryview, wait_s: float) -> int:
        """Fill the beginning of a buffer with what has arrived; 0 when nothing came."""
        ...

    def send(self, data: bytes, timeout_s: float) -> None:
        """Send all of it."""
        ...

    def clear(self) -> None:
        """Throw away what is under way towards us."""
        ...

    def interrupt(self) -> None:
        """Wake a thread that waits in `receive`; may be called from any thread."""
        ...

    def close(self) -> None:
        """Let go of the resource."""
        ...


class SocketPort:
    """Raw SCPI over TCP."""

    framed = False

    def __init__(self, resource: MessageBasedResource, where: str) -> None:
        self._resource, self._where = resource, where
        self._socket: socket.socket = resource.visalib.sessions[resource.session].interface  # type: ignore[attr-defined]
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def check_connected(self) -> None:
        """Raise the connection's own error: the library reports an open resource even when it was refused."""
        code = self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if code:
            raise OSError(code, "connecting")
        try:
            self._socket.getpeername()
        except OSError:
            raise OSError(errno.ENETUNREACH, "not connected") from None

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """See `Port.receive`."""
        if not select.select([self._socket], [], [], wait_s)[0]:
            return b"", False
        data = self._socket.recv(min(limit, _RECEIVE))
        if not data:
            raise self._ended()
        return data, False

    def receive_into(self, view: memoryview, wait_s: float) -> int:
        """See `Port.receive_into`."""
        if not select.select([self._socket], [], [], wait_s)[0]:
            return 0
        count = self._socket.recv_into(view[:_RECEIVE])
        if not count:
            raise self._ended()
        return count

    def send(self, data: bytes, timeout_s: float) -> None:
        """See `Port.send`."""
        self._socket.settimeout(timeout_s)
        try:
            self._socket.sendall(data)
        finally:
            self._socket.settimeout(None)

    def clear(self) -> None:
        """Read and forget until nothing has come for a tenth of a second; a talker without end is left."""
        for _ in range(50):
            if not self.receive(_RECEIVE, 0.1)[0]:
                return

    def interrupt(self) -> None:
        """See `Port.interrupt`."""
        # Shutting down wakes the reader; closing here would free the descriptor under its feet.
        with contextlib.suppress(OSError):  # already gone, which is what is wanted
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """See `Port.close`."""
        self._resource.close()

    def _ended(self) -> LinkLostError:
        return LinkLostError(
            f"{self._where}: the instrument closed the connection",
            hint="is it still switched on, and is no other program connected to it?",
        )


class SerialPort:
    """SCPI over a serial port (RS-232 or a USB serial adapter)."""

    framed = False

    def __init__(self, resource: MessageBasedResource, where: str) -> None:
        self._resource, self._where = resource, where
        self._port: Any = resource.visalib.sessions[resource.session].interface  # type: ignore[attr-defined]
        self._port.timeout = SLICE_S

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """See `Port.receive`; waits at most `SLICE_S`."""
        waiting = self._port.in_waiting
        if not waiting and wait_s <= 0:
            return b"", False
        data: bytes = self._port.read(min(limit, max(1, waiting)))
        return data, False

    def receive_into(self, view: memoryview, wait_s: float) -> int:
        """See `Port.receive_into`."""
        data, _ = self.receive(len(view), wait_s)
        view[: len(data)] = data
        return len(data)

    def send(self, data: bytes, timeout_s: float) -> None:
        """See `Port.send`."""
        if self._port.write_timeout != timeout_s:
            self._port.write_timeout = timeout_s
        self._port.write(data)

    def clear(self) -> None:
        """Forget what has arrived, until nothing comes for a tenth of a second."""
        for _ in range(50):
            if not self.receive(_RECEIVE, SLICE_S)[0] and not self.receive(_RECEIVE, SLICE_S)[0]:
                return

    def interrupt(self) -> None:
        """See `Port.interrupt`; the reader looks up after `SLICE_S` by itself."""

    def close(self) -> None:
        """See `Port.close`."""
        self._resource.close()


class MessagePort:
    """USBTMC, LAN instrument protocols, GPIB: the library moves whole messages."""

    framed = True

    def __init__(self, resource: MessageBasedResource, where: str) -> None:
        from pyvisa import constants

        self._resource, self._where = resource, where
        self._success = constants.StatusCode.success
        self._timed_out = constants.StatusCode.error_timeout

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """See `Port.receive`."""
        from pyvisa.errors import VisaIOError

        self._resource.timeout = max(1, round(wait_s * 1000))
        try:
            data, status = self._resource.visalib.read(self._resource.session, min(limit, _RECEIVE))
        except VisaIOError as error:
            if error.error_code == self._timed_out:
                return b"", False
            raise
        return bytes(data), status == self._success

    def receive_into(self, view: memoryview, wait_s: float) -> int:
        """See `Port.receive_into`."""
        data, _ = self.receive(len(view), wait_s)
        view[: len(data)] = data
        return len(data)

    def send(self, data: bytes, timeout_s: float) -> None:
        """See `Port.send`."""
        self._resource.timeout = max(1, round(timeout_s * 1000))
        self._resource.write_raw(data)

    def clear(self) -> None:
        """Device clear: the instrument forgets questions it has not answered."""
        self._resource.clear()

    def interrupt(self) -> None:
        """See `Port.interrupt`; these protocols have no way to wake a waiting reader but their time-out."""

    def close(self) -> None:
        """See `Port.close`."""
        self._resource.close()


def open_port(
    resource_name: str, *, timeout_s: float, serial_settings: dict[str, object] | None = None
) -> Port:
    """Open a VISA resource and prove that the connection stands.

    Parameters
    ----------
    resource_name : str
        ``TCPIP::HOST::PORT::SOCKET``, ``ASRL/dev/ttyUSB0::INSTR``, ``USB0::...::INSTR``...
    timeout_s : float
        Longest time a LAN connection may take.
    serial_settings : dict, optional
        ``baud``, ``data_bits``, ``parity``, ``stop_bits`` of a serial port.

    Raises
    ------
    OpenError
        `reason` tells refused, missing, busy and permission apart.
    AdapterUnavailableError
        When the library for this kind of resource is not installed.
    """
    name = resource_name.strip()
    lan = re.fullmatch(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", name, re.IGNORECASE)
    if lan:
        _resolve(lan["host"])
    resource: MessageBasedResource | None = None
    try:
        with _manager_lock:
            manager = _manager()
        opened: Any = manager.open_resource(name, open_timeout=round(timeout_s * 1000))
        if not hasattr(opened, "write_raw"):
            opened.close()
            raise OpenError(f"{name} is not a resource that answers questions", hint=NAMES_HINT)
        resource = opened
        port: SocketPort | SerialPort | MessagePort
        if lan:
            port = SocketPort(opened, name)
            port.check_connected()
        elif name.upper().startswith("ASRL"):
            _configure_serial(opened, serial_settings or {})
            port = SerialPort(opened, name)
        else:
            port = MessagePort(opened, name)
        return port
    except BenchlogError:
        raise
    except Exception as error:  # the library lets bare Exception, ValueError and OSError through as well
        if resource is not None:
            resource.close()
        if name.upper().startswith("ASRL") and isinstance(error, OSError):
            from benchlog_drivers._lines import open_error

            raise open_error(name[4:].partition("::")[0], error) from error
        raise translate(error, name, opening=True) from error


def _manager() -> ResourceManager:
    import pyvisa

    # The backend is named, so that a vendor library on this machine can't change what happens.
    return pyvisa.ResourceManager("@py")


def _resolve(host: str) -> None:
    try:
        socket.getaddrinfo(host, None, socket.AF_INET)
    except OSError:
        raise OpenError(
            f"no address is known for the host {host!r}",
            hint="check the name, or write the instrument's IP address from its network menu",
            reason=OpenReason.MISSING,
        ) from None


def _configure_serial(resource: Any, settings: dict[str, object]) -> None:
    from pyvisa import constants

    names = {"baud": "baud_rate", "data_bits": "data_bits", "parity": "parity", "stop_bits": "stop_bits"}
    for key, value in settings.items():
        if key == "parity":
            value = constants.Parity[str(value)]
        elif key == "stop_bits":
            value = {1: constants.StopBits.one, 2: constants.StopBits.two}[int(str(value))]
        setattr(resource, names[key], value)
    port = resource.visalib.sessions[resource.session].interface
    if hasattr(type(port), "exclusive"):
        port.exclusive = True  # else a second program would take half of the bytes, silently
