"""What moves the bytes of a VISA resource, and the byte streams: raw sockets and serial ports.

PyVISA-py opens them; bytes are moved on the socket or port object underneath. The library's own read does not notice the
end of a connection (it spins until its time-out), drops received bytes at a time-out, and stops at every byte that equals
the termination character.
"""

from __future__ import annotations

import contextlib
import errno
import select
import socket
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any

from benchlog.errors import LinkLostError

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

#: Longest single wait: a lost link or a close by another thread is noticed within this time.
SLICE_S = 0.05
_RECEIVE = 1 << 20


def library_session(resource: Any) -> Any:
    """PyVISA-py's own object behind a resource; PyVISA's types know nothing of it."""
    return resource.visalib.sessions[resource.session]


class Port(ABC):
    """Bytes in and out of one open resource. Library exceptions may leave it; the caller translates them."""

    framed: bool  #: Whether the protocol marks the end of a message (USBTMC, LAN instrument protocols).
    wakes: bool  #: Whether `interrupt` ends a wait at once.
    reopens: bool  #: Whether closing and opening again gets rid of answers that are under way.

    @abstractmethod
    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """Return what has arrived, at most `limit` bytes, waiting up to `wait_s` for the first, and whether
        it ends a message; empty when nothing came. Raises `LinkLostError` at the end of the connection."""

    def receive_into(self, view: memoryview, wait_s: float) -> int:
        """Fill the beginning of a buffer with what has arrived; 0 when nothing came."""
        data, _ = self.receive(len(view), wait_s)
        view[: len(data)] = data
        return len(data)

    @abstractmethod
    def send(self, data: bytes, timeout_s: float) -> None:
        """Send all of it."""

    def clear(self, patience_s: float) -> bool:
        """Make the instrument forget questions and answers under way; False where that can't be done."""
        return False

    def ended(self) -> bool:
        """Whether the other end has closed the connection, as far as is known without asking."""
        return False

    def interrupt(self) -> None:
        """Wake a thread that waits in `receive`, where that can be done; may be called from any thread."""
        return

    @abstractmethod
    def close(self) -> None:
        """Let go of the resource."""


class SocketPort(Port):
    """Raw SCPI over TCP."""

    framed = False
    wakes = True
    reopens = True

    def __init__(self, resource: MessageBasedResource, where: str) -> None:
        self._resource, self._where = resource, where
        self._socket: socket.socket = library_session(resource).interface
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
        if not select.select([self._socket], [], [], wait_s)[0]:
            return b"", False
        with self._ending():
            data = self._socket.recv(min(limit, _RECEIVE))
        if not data:
            raise self._ended("closed")
        return data, False

    def receive_into(self, view: memoryview, wait_s: float) -> int:
        if not select.select([self._socket], [], [], wait_s)[0]:
            return 0
        with self._ending():
            count = self._socket.recv_into(view[:_RECEIVE])
        if not count:
            raise self._ended("closed")
        return count

    def send(self, data: bytes, timeout_s: float) -> None:
        self._socket.settimeout(timeout_s)
        try:
            with self._ending():
                self._socket.sendall(data)
        finally:
            self._socket.settimeout(None)

    def ended(self) -> bool:
        return socket_ended(self._socket)

    def interrupt(self) -> None:
        # Shutting down wakes the reader; closing here would free the descriptor while it is in use.
        with contextlib.suppress(OSError):  # already closed
            self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._resource.close()

    @contextlib.contextmanager
    def _ending(self) -> Any:
        try:
            yield
        except (ConnectionResetError, BrokenPipeError, ConnectionAbortedError):
            raise self._ended("broke off") from None

    def _ended(self, how: str) -> LinkLostError:
        return LinkLostError(
            f"{self._where}: the instrument {how} the connection",
            hint="is it still switched on? Many instruments serve only one program at a time: is another one connected?",
        )


def socket_ended(connection: socket.socket) -> bool:
    """Whether the other end has closed a connection; nothing is taken out of it."""
    try:
        if not select.select([connection], [], [], 0)[0]:
            return False
        return not connection.recv(1, socket.MSG_PEEK)
    except (OSError, ValueError):  # broken, or closed on our side
        return True


class SerialPort(Port):
    """SCPI over a serial port (RS-232 or a USB serial adapter).

    An unplugged port shows at the next read; a reader looks up after `SLICE_S` by itself.
    """

    framed = False
    wakes = True  # within a slice
    reopens = False  # opening again toggles control lines, which resets some boards, and clears nothing

    def __init__(self, resource: MessageBasedResource, where: str) -> None:
        self._resource, self._where = resource, where
        self._port: Any = library_session(resource).interface
        self._port.timeout = SLICE_S

    def receive(self, limit: int, wait_s: float) -> tuple[bytes, bool]:
        """See `Port.receive`; waits at most `SLICE_S`."""
        waiting = self._port.in_waiting
        if not waiting and wait_s <= 0:
            return b"", False
        data: bytes = self._port.read(min(limit, max(1, waiting)))
        return data, False

    def send(self, data: bytes, timeout_s: float) -> None:
        if self._port.write_timeout != timeout_s:
            self._port.write_timeout = timeout_s
        self._port.write(data)

    def close(self) -> None:
        self._resource.close()
