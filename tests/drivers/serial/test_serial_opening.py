"""Opening a serial port: why it does not open, and how the line is set."""

from __future__ import annotations

import errno
import inspect
import os
import socket
import sys

import pytest
import serial
from helpers.pty_meter import PtyMeter
from helpers.serial_adapter import FRAME, adapter_on
from helpers.systems import NO_TERMINALS

from benchlog.errors import AdapterUnavailableError, LinkLostError, OpenError, OpenReason
from benchlog.serial_ports import access_hint, listed_ports, port_advice
from benchlog_drivers import _line_errors, _lines
from benchlog_drivers._line_errors import FOREIGN_ERRORS, link_lost, open_error
from benchlog_drivers.decoders import LineSettings

#: What pyserial 3.5 says on Windows where a port does not open. The shapes are those of its serialwin32.py, lines 64
#: and 220 (READ); the numbers and words are Windows' system error codes (from memory; 2 also seen under Wine).
WINDOWS = [
    (
        "could not open port 'COM9': FileNotFoundError(2, 'The system cannot find the file specified.', None, 2)",
        "missing",
    ),
    ("could not open port 'COM9': FileNotFoundError(2, 'File not found.', None, 2)", "missing"),
    ("could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)", "busy"),
    ("could not open port 'COM5': PermissionError(13, 'Zugriff verweigert', None, 5)", "busy"),
    ("could not open port 'COM5': PermissionError(13, \"Accesso all'oggetto negato.\", None, 5)", "busy"),
    (
        "could not open port 'COM5': PermissionError(13, 'The process cannot access the file', None, 32)",
        "busy",
    ),
    (
        "could not open port 'COM5': OSError(22, 'A device which does not exist was specified', None, 433)",
        "missing",
    ),
    (
        "could not open port 'COM5': OSError(22, 'The requested operation requires elevation', None, 740)",
        "permission",
    ),
    (
        "Cannot configure port, something went wrong. Original message: OSError(22, 'Wrong parameter.', None, 87)",
        "wrong device",
    ),
    (
        "could not open port 'COM3': OSError(22, 'The semaphore timeout period has expired.', None, 121)",
        "other",
    ),
]


@pytest.mark.parametrize(("said", "reason"), WINDOWS)
def test_on_windows_the_cause_is_in_the_words_alone(said: str, reason: str) -> None:
    """It is found by Windows' own number, in whatever language the words are; nobody has to read Python."""
    error = open_error("COM5", serial.SerialException(said))
    assert error.reason == reason
    assert error.hint
    assert "Error(" not in error.message


def test_a_link_that_ends_on_windows_is_reported_in_its_own_words() -> None:
    said = (
        "ClearCommError failed (PermissionError(13, 'The device does not recognize the command.', None, 22))"
    )
    lost = link_lost("COM5", serial.SerialException(said))
    assert lost.message == "COM5: the link ended (The device does not recognize the command.)"


@pytest.mark.parametrize(
    ("system", "helps", "elsewhere"),
    [
        ("linux", ("dialout", "usermod"), ("Device Manager", "/dev/cu")),
        ("win32", ("Device Manager", "COM"), ("dialout", "udev", "/dev")),
        ("darwin", ("/dev/cu.", "ls -l"), ("dialout", "udev", "COM")),
    ],
)
def test_what_helps_is_said_for_this_system_alone(
    system: str, helps: tuple[str, ...], elsewhere: tuple[str, ...]
) -> None:
    """There are no groups to join on Windows and macOS, and no COM ports on the others."""
    advice = port_advice(system)
    hints = [
        advice.example,
        advice.missing,
        advice.busy,
        access_hint("", system),
        access_hint("dialout", system),
    ]
    assert all(any(word in text for text in hints) for word in helps)
    assert not any(word in text for text in hints for word in elsewhere)


def test_where_ports_can_not_be_listed_a_named_one_is_read_all_the_same(
    meter: PtyMeter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """pyserial's list needs functions of the system that not every one has; so seen under Wine."""
    monkeypatch.setitem(sys.modules, "serial.tools.list_ports", None)
    with adapter_on(meter.path) as adapter:
        meter.send(FRAME)
        assert adapter.read(1) is not None
    with pytest.raises(AdapterUnavailableError, match="can't be listed") as error:
        listed_ports()
    assert port_advice().example in error.value.hint


def test_a_second_program_on_the_port_is_refused(meter: PtyMeter) -> None:
    with adapter_on(meter.path), pytest.raises(OpenError) as error:
        adapter_on(meter.path).open()
    assert error.value.reason is OpenReason.BUSY


def test_why_a_port_does_not_open_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    for path, reason in [
        ("/dev/no-such-port", OpenReason.MISSING),
        (os.devnull, OpenReason.WRONG_DEVICE),
        (f"socket://127.0.0.1:{closed}", OpenReason.REFUSED),
        ("socket://nowhere", OpenReason.OTHER),
        ("nonsense://x", OpenReason.WRONG_DEVICE),
    ]:
        adapter = adapter_on(path)
        with pytest.raises(OpenError) as error:
            adapter.open()
        assert (path, error.value.reason) == (path, reason)
        assert error.value.hint
        assert not adapter.is_open


def test_permission_denied_names_the_group_to_join(monkeypatch: pytest.MonkeyPatch) -> None:
    """The group that owns the port is named, but nobody is ever advised to join root's."""
    monkeypatch.setattr(_line_errors, "group_of", lambda device: "uucp")
    error = open_error("/dev/port", serial.SerialException(errno.EACCES, "could not open port"))
    assert error.reason is OpenReason.PERMISSION
    assert error.hint == access_hint("uucp")
    assert "usermod -aG uucp" in access_hint("uucp", "linux")
    assert "usermod -aG dialout" in access_hint("", "linux")  # the port is gone again
    by_rule = access_hint("root", "linux")  # as USB nodes belong to without a rule
    assert "usermod" not in by_rule
    assert "udev rule" in by_rule


def test_every_exception_class_of_the_serial_library_is_mapped() -> None:
    classes = {
        kind
        for module in (serial, serial.serialutil, *filter(None, [sys.modules.get("termios")]))
        for _, kind in inspect.getmembers(module, inspect.isclass)
        if issubclass(kind, Exception)
    }
    assert serial.SerialException in classes
    for kind in classes:
        assert issubclass(kind, FOREIGN_ERRORS), kind
        made = kind() if kind is serial.PortNotOpenError else kind("x")
        assert isinstance(link_lost("port", made), LinkLostError)
        assert isinstance(open_error("port", made), OpenError)


def test_the_line_is_set_as_the_family_needs_and_the_options_say(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[LineSettings] = []

    def refuse(port: str, settings: LineSettings) -> serial.Serial:
        seen.append(settings)
        raise OpenError("not today", hint="-")

    monkeypatch.setattr(_lines, "open_port", refuse)
    for frames, options in [("segment14", {}), ("digitcode14", {}), ("polled14", {"baud": 600, "rts": True})]:
        with pytest.raises(OpenError):
            adapter_on("/dev/x", frames, **options).open()
    assert [str(s) for s in seen] == ["2400 baud 8N1", "19200 baud 8N1", "600 baud 7N2"]
    assert [(s.dtr, s.rts) for s in seen] == [(True, False), (True, False), (True, True)]


def test_the_terminal_really_gets_the_family_s_setting() -> None:
    """Odd parity is read as an eighth bit, of the same length, and checked by the decoder."""
    termios = pytest.importorskip("termios", reason=NO_TERMINALS)
    with PtyMeter() as end, adapter_on(end.path, "digitcode14"):
        attributes = termios.tcgetattr(end._far)
    assert attributes[4] == termios.B19200
    assert attributes[2] & termios.CSIZE == termios.CS8
    assert not attributes[2] & termios.PARENB
