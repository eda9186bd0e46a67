"""Exceptions of PyVISA, its backend, pyserial, PyUSB and the operating system in benchlog's words."""

from __future__ import annotations

import errno
import os
import re

from benchlog.errors import (
    AdapterUnavailableError,
    BenchlogError,
    InstrumentError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
)
from benchlog.serial_ports import access_hint, port_advice

NAMES_HINT = (
    "resource names look like TCPIP::192.168.1.20::5025::SOCKET, USB0::...::INSTR"
    f" or ASRL{port_advice().example.removeprefix('COM')}::INSTR"
)
_BY_ERRNO = {
    errno.ECONNREFUSED: (
        OpenReason.REFUSED,
        "is the port number right, and is LAN control switched on in the instrument's menu?",
    ),
    errno.EACCES: (OpenReason.PERMISSION, f"your user may not open it: {access_hint('')}"),
    errno.EPERM: (OpenReason.PERMISSION, f"your user may not open it: {access_hint('')}"),
    errno.ENOENT: (OpenReason.MISSING, "is it plugged in? benchlog find lists the ports there are"),
    errno.ENODEV: (OpenReason.MISSING, "is it plugged in? benchlog find lists the ports there are"),
    errno.ENXIO: (OpenReason.MISSING, "is it plugged in? benchlog find lists the ports there are"),
    errno.EBUSY: (OpenReason.BUSY, "another program has it open; close that one"),
    errno.EAGAIN: (OpenReason.BUSY, "another program has it open; close that one"),
    errno.EHOSTUNREACH: (OpenReason.MISSING, "is it switched on and on this network?"),
    errno.ENETUNREACH: (OpenReason.MISSING, "is it switched on and on this network?"),
    errno.ETIMEDOUT: (OpenReason.MISSING, "is it switched on and on this network?"),
    errno.ECONNRESET: (
        OpenReason.REFUSED,
        "the instrument closed the connection at once; is another program connected?",
    ),
}
_USB_WORDS = {
    errno.EPIPE: "the instrument halted the transfer (STALL)",
    errno.EOVERFLOW: "the instrument sent more than a packet holds",
}
#: Windows has its own error numbers for sockets, for which C has no texts.
_SOCKET_WORDS = {
    errno.ECONNREFUSED: "connection refused",
    errno.ECONNRESET: "connection reset by peer",
    errno.ETIMEDOUT: "connection timed out",
    errno.EHOSTUNREACH: "no route to host",
    errno.ENETUNREACH: "network is unreachable",
}
_MISSING_LIBRARY = re.compile(r"install|No module|No backend|not found.*library", re.IGNORECASE)


def translate(error: BaseException, where: str, *, opening: bool = False) -> InstrumentError:
    """Put a library's exception into benchlog's words.

    Parameters
    ----------
    error : exception
        From PyVISA, its backend, pyserial, PyUSB or the operating system.
    where : str
        Resource name, for the message.
    opening : bool
        Whether the link was being made: then the outcome is `OpenError` with a reason, or
        `AdapterUnavailableError` when a library is missing.
    """
    if isinstance(error, InstrumentError):
        return error
    if opening:
        return _not_opened(error, where)
    if (
        isinstance(error, TimeoutError)
        or _status(error) == "VI_ERROR_TMO"
        or "Timeout" in type(error).__name__
    ):
        return ReadTimeoutError(
            f"{where}: no answer in time", hint="is the instrument busy, or showing a message on its screen?"
        )
    return LinkLostError(
        f"{where}: the link broke: {plain_cause(error)}",
        hint="check cable and power; benchlog opens it again by itself while recording",
    )


def _not_opened(error: BaseException, where: str) -> InstrumentError:
    status, said = _status(error), _said(error)
    number = error.errno if isinstance(error, OSError) else None
    if number in _BY_ERRNO:
        reason, hint = _BY_ERRNO[number]
        return OpenError(f"{where}: {plain_cause(error)}", hint=hint, reason=reason)
    if isinstance(error, ImportError) or (
        isinstance(error, ValueError | OSError) and number is None and _MISSING_LIBRARY.search(said)
    ):
        return AdapterUnavailableError(
            f"{where}: the library for this link is missing: {said}",
            hint="GPIB needs its vendor's VISA library or gpib-ctypes; benchlog doctor shows what is there",
        )
    if status in ("VI_ERROR_RSRC_BUSY", "VI_ERROR_RSRC_LOCKED"):
        return OpenError(
            f"{where} is in use", hint="another program has it open; close that one", reason=OpenReason.BUSY
        )
    if status == "VI_ERROR_INV_RSRC_NAME" or "InvalidResourceName" in type(error).__name__:
        return OpenError(f"{where} is not a VISA resource name", hint=NAMES_HINT, reason=OpenReason.OTHER)
    silent = isinstance(error, TimeoutError) or "could not connect" in said
    missing = silent or status in ("VI_ERROR_TMO", "VI_ERROR_RSRC_NFOUND")
    return OpenError(
        f"{where} can't be opened: {'nothing answers there' if missing else said}",
        hint="is it switched on, plugged in and on this network?",
        reason=OpenReason.MISSING if missing else OpenReason.OTHER,
    )


def _status(error: BaseException) -> str:
    """Abbreviation of a VISA status code, such as VI_ERROR_TMO; empty where there is none."""
    return str(getattr(error, "abbreviation", ""))


def plain_cause(error: BaseException) -> str:
    """Cause of an error, in the operating system's words if possible, else in the library's."""
    if isinstance(error, BenchlogError):
        return error.message
    if isinstance(error, OSError) and error.errno:
        usb = type(error).__module__.startswith("usb.")
        words = (_USB_WORDS if usb else _SOCKET_WORDS).get(error.errno) or os.strerror(error.errno).lower()
        return words if words != "unknown error" else _said(error)
    return _said(error)


def _said(error: BaseException) -> str:
    return " ".join(str(error).split()) or type(error).__name__
