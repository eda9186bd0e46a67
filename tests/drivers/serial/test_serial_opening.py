"""Opening a serial port: why it does not open, and how the line is set."""

from __future__ import annotations

import errno
import inspect
import socket
import termios
from pathlib import Path

import pytest
import serial
from helpers.pty_meter import PtyMeter
from helpers.serial_adapter import adapter_on

from benchlog.errors import LinkLostError, OpenError, OpenReason
from benchlog_drivers import _lines
from benchlog_drivers.decoders import LineSettings


def test_a_second_program_on_the_port_is_refused(meter: PtyMeter) -> None:
    with adapter_on(meter.path), pytest.raises(OpenError) as error:
        adapter_on(meter.path).open()
    assert error.value.reason is OpenReason.BUSY


def test_why_a_port_does_not_open_is_named() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        closed = server.getsockname()[1]
    for path, reason in [
        ("/dev/no-such-port", OpenReason.MISSING),
        ("/dev/null", OpenReason.WRONG_DEVICE),
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


def test_permission_denied_names_the_group_to_join(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The group that owns the port is named, but nobody is ever advised to join root's."""
    port = tmp_path / "port"
    port.touch()
    monkeypatch.setattr(_lines, "group_of", lambda device: "dialout")
    error = _lines.open_error(str(port), serial.SerialException(errno.EACCES, "could not open port"))
    assert error.reason is OpenReason.PERMISSION
    assert "usermod -aG dialout" in error.hint
    monkeypatch.undo()
    gone = _lines.open_error("/dev/no-such-port", serial.SerialException(errno.EACCES, "could not open port"))
    assert "dialout" in gone.hint
    monkeypatch.setattr(_lines, "group_of", lambda device: "root")  # as USB nodes belong to without a rule
    error = _lines.open_error(str(port), serial.SerialException(errno.EACCES, "could not open port"))
    assert "usermod" not in error.hint
    assert "udev rule" in error.hint


def test_every_exception_class_of_the_serial_library_is_mapped() -> None:
    classes = {
        kind
        for module in (serial, serial.serialutil, termios)
        for _, kind in inspect.getmembers(module, inspect.isclass)
        if issubclass(kind, Exception)
    }
    assert serial.SerialException in classes
    for kind in classes:
        assert issubclass(kind, _lines.FOREIGN_ERRORS), kind
        made = kind() if kind is serial.PortNotOpenError else kind("x")
        assert isinstance(_lines.link_lost("port", made), LinkLostError)
        assert isinstance(_lines.open_error("port", made), OpenError)


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
    with PtyMeter() as end, adapter_on(end.path, "digitcode14"):
        attributes = termios.tcgetattr(end._far)
    assert attributes[4] == termios.B19200
    assert attributes[2] & termios.CSIZE == termios.CS8
    assert not attributes[2] & termios.PARENB
