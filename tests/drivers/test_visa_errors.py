"""Every exception class of the libraries underneath comes out in benchlog's words."""

from __future__ import annotations

import errno
import inspect

import pytest
import pyvisa.errors
import serial
from pyvisa.constants import StatusCode

from benchlog.errors import (
    AdapterUnavailableError,
    InstrumentError,
    LinkLostError,
    OpenError,
    OpenReason,
    ReadTimeoutError,
)
from benchlog.serial_ports import access_hint
from benchlog_drivers._visa_errors import translate

ARGUMENTS = {"VisaIOError": (StatusCode.error_io,), "UnknownHandler": ("event", "handler", "user")}


def _exceptions_of(module: object) -> list[type[Exception]]:
    return [
        cls
        for _, cls in inspect.getmembers(module, inspect.isclass)
        if issubclass(cls, Exception) and not issubclass(cls, Warning)
    ]


FOREIGN = [
    *_exceptions_of(pyvisa.errors),
    *_exceptions_of(serial),
    serial.serialutil.PortNotOpenError,
    *(
        OSError(number, "said")
        for number in (errno.EIO, errno.EPIPE, errno.ECONNRESET, errno.ENOTTY, errno.EBADF)
    ),
    ValueError,
    AttributeError,
    TypeError,
    EOFError,
    NotImplementedError,
    Exception,
]


def _made(kind: type[Exception] | Exception) -> Exception:
    if isinstance(kind, Exception):
        return kind
    try:
        return kind(*ARGUMENTS.get(kind.__name__, ("said",)))
    except TypeError:
        return kind()


@pytest.mark.parametrize("kind", FOREIGN, ids=lambda k: getattr(k, "__name__", repr(k)))
@pytest.mark.parametrize("opening", [True, False])
def test_no_foreign_exception_gets_through(kind: type[Exception] | Exception, opening: bool) -> None:
    """Each becomes an instrument error that names the resource and gives a hint."""
    error = translate(_made(kind), "TCPIP::x", opening=opening)
    allowed = (OpenError, AdapterUnavailableError) if opening else (LinkLostError, ReadTimeoutError)
    assert isinstance(error, allowed)
    assert "TCPIP::x" in error.message
    assert error.hint


def test_every_visa_status_is_mapped() -> None:
    """All error codes of the VISA library, while opening and in use."""
    codes = [code for code in StatusCode if code.name.startswith("error")]
    assert len(codes) > 50
    for code in codes:
        assert isinstance(translate(pyvisa.errors.VisaIOError(code), "x"), InstrumentError)
        assert isinstance(translate(pyvisa.errors.VisaIOError(code), "x", opening=True), InstrumentError)


@pytest.mark.parametrize(
    "error",
    [
        pyvisa.errors.VisaIOError(StatusCode.error_timeout),
        TimeoutError("timed out"),
        serial.SerialTimeoutException("Write timeout"),
    ],
)
def test_time_outs_are_time_outs_not_lost_links(error: Exception) -> None:
    """A slow instrument is not a broken cable."""
    assert isinstance(translate(error, "x"), ReadTimeoutError)


@pytest.mark.parametrize(
    ("number", "reason"),
    [
        (errno.ECONNREFUSED, OpenReason.REFUSED),
        (errno.EACCES, OpenReason.PERMISSION),
        (errno.EPERM, OpenReason.PERMISSION),
        (errno.ENOENT, OpenReason.MISSING),
        (errno.EHOSTUNREACH, OpenReason.MISSING),
        (errno.ENETUNREACH, OpenReason.MISSING),
        (errno.EBUSY, OpenReason.BUSY),
        (errno.EAGAIN, OpenReason.BUSY),
    ],
)
def test_reasons_why_opening_failed_are_distinguished(number: int, reason: OpenReason) -> None:
    """The operating system's number decides, also inside a serial library's exception."""
    for error in (OSError(number, "x"), serial.SerialException(number, "could not open port")):
        translated = translate(error, "x", opening=True)
        assert isinstance(translated, OpenError)
        assert translated.reason is reason


def test_permission_says_what_gives_access_on_this_system() -> None:
    assert access_hint("") in translate(PermissionError(errno.EACCES, "x"), "ASRL", opening=True).hint


def test_own_errors_pass_unchanged() -> None:
    """What is in benchlog's words already is left alone."""
    own = LinkLostError("gone")
    assert translate(own, "x") is own
