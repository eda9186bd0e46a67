"""Serial lines through pyserial: finding the port, opening it with every cause of failure named, reading what is there.

Exceptions of pyserial are converted here. Measured behaviour it relies on: control lines must be set before opening;
without ``exclusive`` a second program can open the same port, and each gets half the bytes; after the end of a link the
next read raises an exception.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import sys
import time
import warnings
from collections.abc import Callable, Iterable
from dataclasses import replace

import serial

from benchlog.errors import ConfigError, OpenError, OpenReason
from benchlog.serial_ports import PortInfo, listed_ports
from benchlog_drivers._line_errors import FOREIGN_ERRORS, TerminalError, open_error
from benchlog_drivers.decoders.base import LineSettings

if sys.platform != "win32":
    import termios

MAX_CHUNK = 4096
_SLICE_S = 0.05


def find_port(
    serial_number: str = "", description: str = "", *, ports: Callable[[], Iterable[PortInfo]] = listed_ports
) -> PortInfo:
    """Return the one USB port with that serial number, or whose description holds that text.

    Raises
    ------
    ConfigError
        If neither is given.
    OpenError
        If no port, or more than one, fits.
    """
    if not (serial_number or description):
        raise ConfigError(
            "the address names no port", hint="write serial:usb?serial=NUMBER or serial:usb?description=TEXT"
        )
    seen = list(ports())
    fit = [
        p
        for p in seen
        if (not serial_number or p.serial_number == serial_number)
        and description.lower() in (p.description or "").lower()
    ]
    wanted = f"serial number {serial_number}" if serial_number else f"{description!r} in its description"
    listed = "; ".join(f"{p.device} ({p.description}, {p.serial_number or 'no number'})" for p in seen)
    if not fit:
        raise OpenError(
            f"no serial port with {wanted}",
            hint=f"plug it in; ports here: {listed or 'none'}",
            reason=OpenReason.MISSING,
        )
    if len(fit) > 1:
        names = ", ".join(p.device for p in fit)
        raise OpenError(
            f"{len(fit)} serial ports with {wanted}: {names}", hint="choose one by its serial number"
        )
    return fit[0]


def open_port(port: str, settings: LineSettings) -> serial.Serial:
    """Open a tty, or a port served over the network: ``socket://host:port`` or ``rfc2217://host:port``.

    Raises
    ------
    OpenError
        With the cause: missing, refused, busy, permission, wrong device.
    """
    try:
        link = _open(port, settings)
        if settings.bits == 7 and not _seven_bits(link):
            # Pseudo-terminals and some USB cables support only eight bits. Seven bits and two stop bits take the same time.
            close_port(link)
            link = _open(port, replace(settings, bits=8, parity="N", stop_bits=1))
    except (OSError, serial.SerialException, ValueError, TerminalError) as error:
        raise open_error(port, error) from error
    return link


def _seven_bits(link: serial.Serial) -> bool:
    if sys.platform == "win32" or getattr(link, "fd", None) is None:
        return True
    size: int = termios.tcgetattr(link.fileno())[2] & termios.CSIZE
    return size == termios.CS7


def _open(port: str, settings: LineSettings) -> serial.Serial:
    # Wait on the descriptor if there is one, else with the library's own time limit.
    limited = port.startswith("rfc2217://") or (sys.platform == "win32" and "://" not in port)
    link = serial.serial_for_url(
        port,
        do_not_open=True,
        baudrate=settings.baud,
        bytesize=settings.bits,
        parity=settings.parity,
        stopbits=settings.stop_bits,
        # Set only once, since the library reconfigures the whole line whenever the limit changes.
        timeout=_SLICE_S if limited else 0,
        write_timeout=None if port.startswith("rfc2217://") else 1.0,  # it does not support a limit
    )
    try:
        if "://" not in port:
            link.exclusive = True
        link.dtr = settings.dtr
        link.rts = settings.rts
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # from pyserial itself
            link.open()
    except BaseException:
        close_port(link)
        raise
    return link


def close_port(link: serial.Serial) -> None:
    """Close whatever state the port is in."""
    raw = getattr(link, "_socket", None)
    with contextlib.suppress(*FOREIGN_ERRORS):
        link.close()
    if raw is not None:  # pyserial drops its socket if the peer closed first
        with contextlib.suppress(OSError):
            raw.close()


def read_available(link: serial.Serial, wait_s: float) -> bytes:
    """Return what has arrived, waiting up to `wait_s` for the first byte; empty when nothing came.

    Raises
    ------
    Exception
        One of `FOREIGN_ERRORS` when the link ended; hand it to `link_lost`.
    """
    try:
        descriptor = link.fileno()
    except io.UnsupportedOperation:  # a Windows port or one on another machine
        return _read_in_slices(link, wait_s)
    # Changing pyserial's own time-out would reconfigure the whole line.
    if not select.select([descriptor], [], [], wait_s)[0]:
        return b""
    # With time-out 0 one system call takes all bytes; reading byte by byte would lose those before an end.
    if sys.platform == "win32":
        return bytes(link.read(MAX_CHUNK))
    if not link.is_open:  # closed during the wait; the number may be another file's by now
        raise serial.PortNotOpenError
    data = os.read(descriptor, MAX_CHUNK)  # pyserial would wait once more
    if not data:
        raise serial.SerialException("the other end has closed it")
    return data


def _read_in_slices(link: serial.Serial, wait_s: float) -> bytes:
    end = time.monotonic() + wait_s
    data = b""
    while not data and (link.in_waiting or wait_s > 0):
        data = bytes(link.read(1))  # waits for a slice
        if time.monotonic() >= end:
            break
    return data + bytes(link.read(link.in_waiting)) if data else data
