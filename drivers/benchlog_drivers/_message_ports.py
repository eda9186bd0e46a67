"""Messages moved by the VISA library: LAN instrument protocols, GPIB, and every resource of a vendor's library."""

from __future__ import annotations

import contextlib
import socket
from typing import TYPE_CHECKING, Any

from benchlog.errors import LinkLostError
from benchlog_drivers._stream_ports import Port, library_session, socket_ended

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

_REQUEST = 1 << 20
_RX_END = 0x04  # VXI-11 B.6.4: reason of Device_ReadResp


class MessagePort(Port):
    """Messages through the library's read and write.

    Parameters
    ----------
    framed : bool
        Whether the protocol marks the end of a message. Sockets and serial ports of a vendor's library don't; a read then
        ends at each newline.
    """

    wakes = False
    reopens = True

    def __init__(self, resource: MessageBasedResource, where: str, *, framed: bool = True) -> None:
        from pyvisa.constants import ResourceAttribute, StatusCode

        self._resource, self._where, self.framed = resource, where, framed
        # PyVISA-py reports the end of a HiSLIP message as "termination character read".
        self._ends = (StatusCode.success, StatusCode.success_termination_character_read)
        self._timed_out = StatusCode.error_timeout
        self._quiet = contextlib.ExitStack()
        self._quiet.enter_context(
            resource.ignore_warning(
                StatusCode.success_max_count_read, StatusCode.success_termination_character_read
            )
        )
        if not framed:
            resource.set_visa_attribute(ResourceAttribute.termchar, ord("\n"))
            resource.set_visa_attribute(ResourceAttribute.termchar_enabled, True)

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        from pyvisa.errors import VisaIOError

        self._resource.timeout = max(1, round(wait_s * 1000))
        try:
            data, status = self._resource.visalib.read(self._resource.session, min(limit, _REQUEST))
        except VisaIOError as error:
            if error.error_code == self._timed_out:
                return b"", False
            raise
        return bytes(data), self.framed and status in self._ends

    def send(self, data: bytes, timeout_s: float) -> None:
        self._resource.timeout = max(1, round(timeout_s * 1000))
        self._resource.write_raw(data)

    def clear(self, patience_s: float) -> bool:
        """Device clear: the instrument forgets questions it has not answered."""
        if not self.framed:
            return False
        self._resource.timeout = max(1, round(patience_s * 1000))
        with contextlib.suppress(
            Exception
        ):  # after any failure the link is opened again, which shows the cause
            self._resource.clear()
            return True
        return False

    def ended(self) -> bool:
        return any(socket_ended(s) for s in self._sockets())

    def _sockets(self) -> list[socket.socket]:
        sessions: Any = getattr(self._resource.visalib, "sessions", {})
        interface = getattr(sessions.get(self._resource.session), "interface", None)
        found = (getattr(interface, name, None) for name in ("_sync", "_async", "sock"))
        return [s for s in found if isinstance(s, socket.socket)]

    def close(self) -> None:
        self._quiet.close()
        self._resource.close()


class Vxi11Port(MessagePort):
    """VXI-11 by its own read call: the library's drops the end of a message whose last byte fills the request."""

    def __init__(self, resource: MessageBasedResource, where: str) -> None:
        super().__init__(resource, where)
        self._session = library_session(resource)

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        from pyvisa_py.protocols.vxi11 import ErrorCodes

        size, wait_ms = min(limit, self._session.max_recv_size), max(1, round(wait_s * 1000))
        error, reason, data = self._session.interface.device_read(self._session.link, size, wait_ms, 0, 0, 0)
        if error == ErrorCodes.io_timeout:
            return bytes(data), False
        if error:
            raise LinkLostError(
                f"{self._where}: the instrument answers a read with VXI-11 error {int(error)}",
                hint="is another program connected to it? if it persists, switch the instrument off and on",
            )
        return bytes(data), bool(reason & _RX_END)
