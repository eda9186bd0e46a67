"""What some tests need and not every system has; a test that can't have it is skipped for the reason named here."""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

import pytest

__all__ = [
    "NO_TERMINALS",
    "ORDINARY_USER",
    "make_pipe",
    "make_socket",
    "needs_processor_times",
    "needs_terminals",
    "null_device",
    "skip_without_terminals",
]

NO_TERMINALS = "this system has no pseudo-terminals"

#: For a module's `pytestmark`, or a test.
needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason=NO_TERMINALS)
needs_processor_times = pytest.mark.skipif(
    sys.platform == "win32", reason="this system does not tell the processor time of programs that ended"
)

#: Whether what a file's mode forbids is forbidden to us.
ORDINARY_USER = hasattr(os, "geteuid") and os.geteuid() != 0

null_device = Path(os.devnull)


def skip_without_terminals() -> None:
    """Skip the test that runs, where there are no pseudo-terminals."""
    if not hasattr(os, "openpty"):
        pytest.skip(NO_TERMINALS)


def make_pipe(path: Path) -> None:
    """Make a named pipe, or skip the test."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes in folders")
    os.mkfifo(path)


def make_socket(path: Path) -> None:
    """Make a socket in a folder, or skip the test."""
    if not hasattr(socket, "AF_UNIX"):
        pytest.skip("this system has no sockets in folders")
    with socket.socket(socket.AF_UNIX) as listener:
        os.chdir(path.parent)  # its path may be longer than a socket's name
        listener.bind(path.name)
