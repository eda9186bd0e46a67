"""Opening what is behind a VISA resource name, by the kind of link and the VISA library in use.

PyVISA with its pure Python library opens and configures resources. The bytes are then moved by a port of one of four kinds:
socket and serial port (`_stream_ports`), USB instrument (`_usbtmc`), and messages through the library (`_message_ports`).
"""

from __future__ import annotations

import contextlib
import os
import re
import socket
import sys
import threading
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from benchlog.errors import BenchlogError, OpenError, OpenReason
from benchlog_drivers._message_ports import MessagePort, Vxi11Port
from benchlog_drivers._stream_ports import Port, SerialPort, SocketPort, library_session
from benchlog_drivers._visa_errors import NAMES_HINT, translate

if TYPE_CHECKING:
    from pyvisa import ResourceManager

# PyVISA takes a tenth of a second to import, so only its presence is checked here; the registry says what is missing.
for _library in ("pyvisa", "pyvisa_py"):
    if find_spec(_library) is None:
        raise ModuleNotFoundError(f"No module named {_library!r}", name=_library)

_OWN = "@py"
_manager_lock = threading.Lock()


def visa_library(name: str, wanted: str = "") -> str:
    """Which VISA library opens a resource: the one wanted, that of ``PYVISA_LIBRARY``, else PyVISA-py.

    On Windows, USB and GPIB use the vendor's library if one is installed, since its driver owns the instrument.
    """
    chosen = wanted or os.environ.get("PYVISA_LIBRARY", "")
    if chosen:
        return chosen
    if sys.platform == "win32" and name.upper().startswith(("USB", "GPIB")):
        from pyvisa.ctwrapper import IVIVisaLibrary

        if IVIVisaLibrary.get_library_paths():
            return "@ivi"
    return _OWN


def open_port(
    resource_name: str,
    *,
    timeout_s: float,
    serial_settings: dict[str, object] | None = None,
    library: str = "",
) -> Port:
    """Open a VISA resource and prove that the connection works.

    Parameters
    ----------
    resource_name : str
        ``TCPIP::HOST::PORT::SOCKET``, ``ASRL/dev/ttyUSB0::INSTR``, ``USB0::...::INSTR``...
    timeout_s : float
        Longest time a LAN connection may take.
    serial_settings : dict, optional
        ``baud``, ``data_bits``, ``parity``, ``stop_bits`` of a serial port.
    library : str
        VISA library in PyVISA's spelling (``@py``, ``@ivi``, a path); see `visa_library` where empty.

    Raises
    ------
    OpenError
        `reason` says whether it was refused, missing, busy or not permitted.
    AdapterUnavailableError
        When the library for this kind of resource is not installed.
    """
    name = resource_name.strip()
    chosen = visa_library(name, library)
    try:
        if chosen == _OWN and re.fullmatch(r"USB\d*::.*INSTR", name, re.IGNORECASE):
            from benchlog_drivers._usbtmc import UsbtmcPort

            return UsbtmcPort(name)
        return _through_pyvisa(name, chosen, timeout_s, serial_settings or {})
    except BenchlogError:
        raise
    except Exception as error:  # the library also raises Exception, ValueError and OSError
        if name.upper().startswith("ASRL") and isinstance(error, OSError):
            from benchlog_drivers._line_errors import open_error

            raise open_error(name[4:].partition("::")[0], error) from error
        raise translate(error, name, opening=True) from error


def _through_pyvisa(name: str, library: str, timeout_s: float, serial_settings: dict[str, object]) -> Port:
    lan = re.fullmatch(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", name, re.IGNORECASE)
    own = library == _OWN
    if lan and own:
        _resolve(lan["host"])
    with _manager_lock:
        manager = _manager(library)
    try:
        resource: Any = manager.open_resource(name, open_timeout=round(timeout_s * 1000))
    except Exception:
        if lan and own and sys.platform == "win32":
            _raise_if_refused(lan["host"], int(lan["port"]), timeout_s)
        raise
    try:
        if not hasattr(resource, "write_raw"):
            raise OpenError(f"{name} is not an instrument that can be queried", hint=NAMES_HINT)
        if name.upper().startswith("ASRL"):
            _configure_serial(resource, serial_settings, exclusive=own)
            return SerialPort(resource, name) if own else MessagePort(resource, name, framed=False)
        if name.upper().endswith("SOCKET"):
            if not own:
                return MessagePort(resource, name, framed=False)
            port = SocketPort(resource, name)
            port.check_connected()
            return port
        if own and type(library_session(resource)).__name__ == "TCPIPInstrVxi11":
            return Vxi11Port(resource, name)
        return MessagePort(resource, name)
    except BaseException:
        resource.close()
        raise


def _raise_if_refused(host: str, port: int, timeout_s: float) -> None:
    """Raise the error of a refused connection: on Windows the library waits for it until its time is up."""
    with contextlib.suppress(TimeoutError):
        socket.create_connection((host, port), timeout_s).close()


def _manager(library: str) -> ResourceManager:
    import pyvisa

    # Always name the library: otherwise PyVISA would pick a vendor's if one is installed.
    return pyvisa.ResourceManager(library)


def _resolve(host: str) -> None:
    try:
        socket.getaddrinfo(host, None, socket.AF_INET)
    except OSError:
        raise OpenError(
            f"there is no host {host!r}",
            hint="check the name, or write the instrument's IP address from its network menu",
            reason=OpenReason.MISSING,
        ) from None


def _configure_serial(resource: Any, settings: dict[str, object], *, exclusive: bool) -> None:
    from pyvisa import constants

    names = {"baud": "baud_rate", "data_bits": "data_bits", "parity": "parity", "stop_bits": "stop_bits"}
    for key, value in settings.items():
        if key == "parity":
            value = constants.Parity[str(value)]
        elif key == "stop_bits":
            value = {1: constants.StopBits.one, 2: constants.StopBits.two}[int(str(value))]
        setattr(resource, names[key], value)
    if exclusive:
        port = library_session(resource).interface
        if hasattr(type(port), "exclusive"):
            port.exclusive = True  # else a second program could silently take half of the bytes
