"""One thread that serves every simulated link: TCP sockets on the loopback interface.

An endpoint answers bytes and may send by itself; it runs in the loop's thread, so it needs no locks except the scene's.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

_IDLE_S = 0.5


class Connection(Protocol):
    """One client of an endpoint."""

    def send(self, data: bytes) -> None:
        """Queue bytes for the client."""
        ...

    def unread(self) -> int | None:
        """Bytes that were sent and not read yet; None where the platform can't tell."""
        ...


class Endpoint(Protocol):
    """What is behind a port."""

    def opened(self, connection: Connection) -> None:
        """Take a new client."""
        ...

    def received(self, connection: Connection, data: bytes) -> None:
        """Take bytes from a client."""
        ...

    def closed(self, connection: Connection) -> None:
        """Forget a client."""
        ...

    def due(self) -> float:
        """Send what is due; return after how many seconds to be called again."""
        ...


@dataclass(eq=False)
class SocketConnection:
    """A TCP client."""

    sock: socket.socket
    endpoint: Endpoint
    pending: bytearray = field(default_factory=bytearray)

    def send(self, data: bytes) -> None:
        self.pending += data
        self.flush()

    def flush(self) -> None:
        """Send as much as the socket takes now."""
        while self.pending:
            try:
                sent = self.sock.send(self.pending)
            except BlockingIOError:
                return
            except OSError:
                self.pending.clear()
                return
            del self.pending[:sent]

    def unread(self) -> int | None:
        if self.pending:
            return len(self.pending)
        try:
            peer, own = self.sock.getpeername()[1], self.sock.getsockname()[1]
        except OSError:
            return None
        return _receive_queue(peer, own)


def _receive_queue(local_port: int, remote_port: int) -> int | None:
    """Bytes waiting in the receive queue of a local TCP socket, from the kernel's table (Linux only)."""
    local, remote = f":{local_port:04X}", f":{remote_port:04X}"
    try:
        with open("/proc/net/tcp", encoding="ascii") as table:
            for line in table:
                parts = line.split(None, 5)
                if parts[1].endswith(local) and parts[2].endswith(remote):
                    return int(parts[4].partition(":")[2], 16)
    except OSError:
        return None
    return None


class Loop:
    """Serves endpoints until closed."""

    def __init__(self) -> None:
        self._selector = selectors.DefaultSelector()
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._selector.register(self._wake_in, selectors.EVENT_READ, None)
        self._endpoints: list[Endpoint] = []
        self._listeners: list[socket.socket] = []
        self._lock = threading.Lock()
        self._todo: list[Callable[[], None]] = []
        self._running = True
        self._thread = threading.Thread(target=self._run, name="simulated bench", daemon=True)
        self._thread.start()

    def listen(self, endpoint: Endpoint) -> int:
        """Serve an endpoint on a free loopback port; return the port."""
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", 0))
        listener.listen(8)
        listener.setblocking(False)
        self._listeners.append(listener)
        self.call(lambda: self._add(listener, (endpoint, listener), endpoint))
        port: int = listener.getsockname()[1]
        return port

    def call(self, action: Callable[[], None]) -> None:
        """Run something in the loop's thread soon."""
        with self._lock:
            self._todo.append(action)
        self.wake()

    def wake(self) -> None:
        """Make the loop check its endpoints now."""
        with contextlib.suppress(OSError):
            self._wake_out.send(b"!")

    def close(self) -> None:
        """Stop, close every socket, wait for the thread."""
        self._running = False
        self.wake()
        self._thread.join(timeout=5.0)
        for key in list(self._selector.get_map().values()):
            if isinstance(key.fileobj, socket.socket):
                key.fileobj.close()
        for listener in self._listeners:  # one that the thread had no time to register is closed here
            listener.close()
        self._selector.close()
        self._wake_out.close()

    def _add(self, fileobj: socket.socket, data: object, endpoint: Endpoint) -> None:
        self._selector.register(fileobj, selectors.EVENT_READ, data)
        if endpoint not in self._endpoints:
            self._endpoints.append(endpoint)

    def _run(self) -> None:
        wait_s = 0.0
        while self._running:
            for key, mask in self._selector.select(wait_s):
                self._serve(key, mask)
            with self._lock:
                todo, self._todo = self._todo, []
            for action in todo:
                action()
            wait_s = min((e.due() for e in self._endpoints), default=_IDLE_S)
            for key in list(self._selector.get_map().values()):
                if isinstance(key.data, SocketConnection):
                    writes = selectors.EVENT_WRITE if key.data.pending else 0
                    if key.events != selectors.EVENT_READ | writes:
                        self._selector.modify(key.fileobj, selectors.EVENT_READ | writes, key.data)

    def _serve(self, key: selectors.SelectorKey, mask: int) -> None:
        data = key.data
        if data is None:
            with contextlib.suppress(OSError):
                self._wake_in.recv(4096)
        elif isinstance(data, SocketConnection):
            if mask & selectors.EVENT_WRITE:
                data.flush()
            if mask & selectors.EVENT_READ:
                self._receive(data)
        else:
            endpoint, listener = data
            with contextlib.suppress(OSError):
                sock, _ = listener.accept()
                sock.setblocking(False)
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection = SocketConnection(sock, endpoint)
                self._selector.register(sock, selectors.EVENT_READ, connection)
                endpoint.opened(connection)

    def _receive(self, connection: SocketConnection) -> None:
        try:
            received = connection.sock.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            received = b""
        if received:
            connection.endpoint.received(connection, received)
            return
        self._selector.unregister(connection.sock)
        connection.sock.close()
        connection.endpoint.closed(connection)
