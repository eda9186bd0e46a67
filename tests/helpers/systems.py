"""What some tests need and not every system has; a test that can't have it is skipped for the reason named here."""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

import pytest

NO_TERMINALS = "this system has no pseudo-terminals"

#: For a module's `pytestmark`, or a test.
needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason=NO_TERMINALS)
needs_file_modes = pytest.mark.skipif(
    sys.platform == "win32",
    reason="on this system a folder's mode forbids nothing, and nobody can be another user",
)
needs_open_files = pytest.mark.skipif(
    sys.platform != "linux", reason="this system does not tell which files a program has open"
)


def skip_without_terminals() -> None:
    """Skip the test that runs, where there are no pseudo-terminals."""
    if not hasattr(os, "openpty"):
        pytest.skip(NO_TERMINALS)


def make_pipe(path: Path) -> None:
    """Make a named pipe, or skip the test."""
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes in folders")
    os.mkfifo(path)


def make_link(path: Path, target: Path) -> None:
    """Make a symbolic link, or skip the test: Windows gives them only to some users."""
    try:
        path.symlink_to(target)
    except OSError:
        pytest.skip("symbolic links can't be made here")
    if not path.is_symlink():  # so under Wine
        pytest.skip("this system does not tell links from what they lead to")


def make_device_link(path: Path, device: str = "/dev/zero") -> None:
    """Make a link to a device, by default one that never ends, or skip the test."""
    if not Path(device).is_char_device():
        pytest.skip(f"this system has no {device}")
    make_link(path, Path(device))


def make_socket(path: Path) -> None:
    """Make a socket in a folder, or skip the test."""
    if not hasattr(socket, "AF_UNIX"):
        pytest.skip("this system has no sockets in folders")
    with socket.socket(socket.AF_UNIX) as listener:
        os.chdir(path.parent)  # its path may be longer than a socket's name
        listener.bind(path.name)
