"""What all servers of the tests share: connections on this computer, a thread each, until it is closed."""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Self


class LoopbackServer:
    """Listens on 127.0.0.1 as soon as it is made; a subclass says in `serve` what happens on a connection.

    A subclass calls `__init__` when it is ready to serve. `connections` counts those that came.
    """

    def __init__(self) -> None:
        self.connections = 0
        self._closing = False
        self._peers: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def serve(self, peer: socket.socket) -> None:
        """Talk to one client; returning, or an `OSError`, ends the connection."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Stop listening and hang up; returns when all threads have ended."""
        self._closing = True
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 5):
            pass  # wakes the listener, on every system
        self.hang_up()
        for thread in self._threads:
            thread.join(5)
        self._listener.close()

    def hang_up(self) -> None:
        """End the connections there are."""
        for peer in self._peers:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while True:
            peer, _ = self._listener.accept()
            if self._closing:
                peer.close()
                return
            peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._peers.append(peer)
            self.connections += 1
            thread = threading.Thread(target=self._serve, args=(peer,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, peer: socket.socket) -> None:
        with contextlib.suppress(OSError), peer:
            self.serve(peer)
