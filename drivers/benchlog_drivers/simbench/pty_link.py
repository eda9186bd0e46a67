"""A simulated serial port: the near end of a pseudo-terminal (Linux and macOS only)."""

from __future__ import annotations

import contextlib
import fcntl
import os
import struct
import termios
import tty

__all__ = ["PtyConnection"]


class PtyConnection:
    """A pseudo-terminal whose far end is a serial port for the client; Linux and macOS only."""

    def __init__(self) -> None:
        self.descriptor, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self.descriptor, False)
        self.path = os.ttyname(self._far)

    def send(self, data: bytes) -> None:
        """See `Connection.send`; a full terminal loses bytes, as a real line does."""
        with contextlib.suppress(BlockingIOError):
            os.write(self.descriptor, data)

    def unread(self) -> int | None:
        """See `Connection.unread`."""
        waiting = fcntl.ioctl(self._far, termios.FIONREAD, b"\0" * 4)
        count: int = struct.unpack("i", waiting)[0]
        return count

    def receive(self) -> bytes:
        """Bytes the client sent."""
        try:
            return os.read(self.descriptor, 4096)
        except OSError:
            return b""

    def close(self) -> None:
        """Close both ends."""
        os.close(self.descriptor)
        os.close(self._far)
