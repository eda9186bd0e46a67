"""Why a serial port does not open, or its link ended: exceptions of pyserial and of the systems in benchlog's words.

On Windows pyserial gives the system's error only as text (`serialwin32.py` of version 3.5). The error number is taken from
it, since its words are in the language of the system.
"""

from __future__ import annotations

import errno
import re
import socket
import sys

import serial

from benchlog.errors import InstrumentError, LinkLostError, OpenError, OpenReason
from benchlog.serial_ports import access_hint, group_of, port_advice

if sys.platform == "win32":
    TerminalError: type[Exception] = OSError
else:
    import termios

    TerminalError = termios.error  # not an OSError, and pyserial does not convert it

# pyserial raises TypeError and AttributeError if another thread closes the port during a read.
FOREIGN_ERRORS = (OSError, serial.SerialException, TerminalError, TypeError, AttributeError)

_LOST_HINT = "was it unplugged or switched off, or does another program use the port?"
#: An OSError of Windows as text: its number in C's way, its words, and Windows' own number.
_IN_TEXT = re.compile(r"Error\(\d+, (?P<quote>['\"])(?P<words>.*)(?P=quote), None, (?P<number>\d+)\)")
#: Windows' system error codes, as opening and configuring a port gives them.
_BY_WINDOWS_NUMBER = {
    2: OpenReason.MISSING,  # ERROR_FILE_NOT_FOUND
    3: OpenReason.MISSING,  # ERROR_PATH_NOT_FOUND
    5: OpenReason.BUSY,  # ERROR_ACCESS_DENIED: what a port that is open already answers
    32: OpenReason.BUSY,  # ERROR_SHARING_VIOLATION
    87: OpenReason.WRONG_DEVICE,  # ERROR_INVALID_PARAMETER: a setting that the device does not know
    170: OpenReason.BUSY,  # ERROR_BUSY
    433: OpenReason.MISSING,  # ERROR_NO_SUCH_DEVICE
    740: OpenReason.PERMISSION,  # ERROR_ELEVATION_REQUIRED
    1167: OpenReason.MISSING,  # ERROR_DEVICE_NOT_CONNECTED
    1314: OpenReason.PERMISSION,  # ERROR_PRIVILEGE_NOT_HELD
}
_BY_ERRNO = {
    errno.ECONNREFUSED: OpenReason.REFUSED,
    errno.ENOENT: OpenReason.MISSING,
    errno.ENXIO: OpenReason.MISSING,
    errno.ENODEV: OpenReason.MISSING,
    errno.EIO: OpenReason.MISSING,
    errno.EACCES: OpenReason.PERMISSION,
    errno.EPERM: OpenReason.PERMISSION,
    errno.EBUSY: OpenReason.BUSY,
    errno.EAGAIN: OpenReason.BUSY,
    errno.ENOTTY: OpenReason.WRONG_DEVICE,
    errno.EISDIR: OpenReason.WRONG_DEVICE,
}


def open_error(port: str, error: BaseException) -> OpenError:
    """Name the cause of a failed opening."""
    origin: BaseException = error
    while getattr(origin, "errno", None) is None and origin.__context__ is not None:
        origin = origin.__context__
    if isinstance(origin, socket.gaierror):
        return OpenError(f"{port}: no such host", hint="check the address", reason=OpenReason.MISSING)
    reason = _reason(origin, error)
    if reason is OpenReason.OTHER and isinstance(origin, TimeoutError):
        return OpenError(f"{port}: no answer", hint="check the address", reason=OpenReason.MISSING)
    advice = port_advice()
    message, hint = {
        OpenReason.REFUSED: ("no server at that address", "start the port server first"),
        OpenReason.MISSING: ("no such port", advice.missing),
        OpenReason.PERMISSION: ("permission denied", access_hint(group_of(port))),
        OpenReason.BUSY: ("another program uses the port", advice.busy),
        OpenReason.WRONG_DEVICE: (f"no serial port ({_words(error)})", "check the port's name"),
        OpenReason.OTHER: (_words(error), "check cable and port name"),
    }[reason]
    return OpenError(f"{port}: {message}", hint=hint, reason=reason)


def _reason(origin: BaseException, error: BaseException) -> OpenReason:
    """Tell the cause by number where there is one, by what pyserial says where there is none."""
    said = str(error)
    number = getattr(origin, "winerror", None)
    if number is None and (in_text := _IN_TEXT.search(said)):
        number = int(in_text["number"])
    code = getattr(origin, "errno", None)
    if reason := _BY_WINDOWS_NUMBER.get(number or 0) or _BY_ERRNO.get(code or 0):
        return reason
    if "lock" in said:
        return OpenReason.BUSY
    if isinstance(error, ValueError) or "configure port" in said:
        return OpenReason.WRONG_DEVICE
    return OpenReason.OTHER


def _words(error: BaseException) -> str:
    """Return what the system said where the library has packed it into its own text, else what the library said."""
    in_text = _IN_TEXT.search(str(error))
    return in_text["words"] if in_text else str(error)


def link_lost(port: str, error: BaseException) -> InstrumentError:
    """Turn what pyserial raised on an open port into `LinkLostError`."""
    return LinkLostError(f"{port}: the link ended ({_words(error)})", hint=_LOST_HINT)
