"""The serial adapter over real pseudo-terminals and loopback sockets."""

from __future__ import annotations

import errno
import grp
import inspect
import os
import socket
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from helpers.frames import EXAMPLES, digitcode, segment14, with_parity
from helpers.pty_meter import PortInfo, PtyMeter
from helpers.uart import misread

from benchlog.agreeing import read_agreeing
from benchlog.clock import ManualClock
from benchlog.errors import BadFrameError, ConfigError, LinkLostError, OpenError, OpenReason
from benchlog.reading import Reading
from benchlog.registry import open_adapter
from benchlog_drivers import _lines
from benchlog_drivers.decoders import LineSettings
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions

FRAME, SHOWN = EXAMPLES["segment14"]


@pytest.fixture
def meter() -> Iterator[PtyMeter]:
    with PtyMeter() as end:
        yield end


def adapter_on(path: str, frames: str = "segment14", **options: object) -> SerialMeter:
    adapter = open_adapter(f"serial:{path}", "MA-01", options={"frames": frames, **options})
    assert isinstance(adapter, SerialMeter)
    return adapter


def test_readings_carry_tag_and_the_time_of_their_last_byte(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        meter.send(FRAME * 2)
        first = adapter.read(1)
        received = time.time_ns()
        time.sleep(0.05)
        second = adapter.read(1)  # came in the same chunk
    assert first is not None
    assert second is not None
    assert (first.displayed, first.instrument) == (SHOWN, "MA-01")
    assert second.utc_ns == first.utc_ns < received


def test_read_zero_takes_what_is_there_and_silence_is_none(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        assert adapter.read(0) is None
        meter.send(FRAME)
        time.sleep(0.05)
        assert adapter.read(0) is not None
        start = time.monotonic()
        assert adapter.read(0.25) is None
        assert 0.2 < time.monotonic() - start < 1.5


def test_a_clock_moved_by_hand_does_not_hang_a_read(meter: PtyMeter) -> None:
    adapter = open_adapter(f"serial:{meter.path}?frames=segment14", "MA-01", clock=ManualClock(1))
    with adapter:
        assert adapter.read(0.15) is None  # type: ignore[attr-defined]


def test_a_closed_adapter_gives_out_nothing_that_came_before(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        meter.send(FRAME * 3)
        assert adapter.read(1) is not None
    with pytest.raises(OpenError, match="is not open"):
        adapter.read(0)


def test_the_end_of_the_link_shows_within_a_fifth_of_a_second() -> None:
    took: list[float] = []
    while not took or min(took) >= 0.2:
        assert len(took) < 3, took  # a busy computer may be late once or twice
        with PtyMeter() as end, adapter_on(end.path) as adapter:
            ended: list[float] = []
            timer = threading.Timer(0.15, lambda: (ended.append(time.monotonic()), end.unplug()))  # noqa: B023
            timer.start()
            with pytest.raises(LinkLostError) as error:
                adapter.read(5)
            took.append(time.monotonic() - ended[0])
            timer.join()
    assert "another program" in error.value.hint
    assert error.value.instrument == "MA-01"


def test_a_reading_that_came_before_the_end_is_not_lost(meter: PtyMeter) -> None:
    """Over a socket, where what was sent before the end can still be read."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with adapter_on(f"socket://127.0.0.1:{port}") as adapter:
            peer, _ = server.accept()
            peer.sendall(FRAME)
            peer.close()
            reading = adapter.read(1)
            assert reading is not None
            assert reading.displayed == SHOWN
            start = time.monotonic()
            with pytest.raises(LinkLostError):
                adapter.read(5)
            assert time.monotonic() - start < 0.2


def reopen(adapter: SerialMeter) -> None:
    """Close and open again, as whoever reads it does after the link was lost."""
    adapter.close()
    adapter.open()


def test_a_meter_comes_back_on_the_same_adapter() -> None:
    with PtyMeter() as first, PtyMeter() as second:
        there = [PortInfo(first.path)]
        adapter = SerialMeter("MA-01", "usb", _usb(), ports=lambda: there)
        with adapter:
            first.send(FRAME + FRAME[:7])
            assert adapter.read(1) is not None
            first.unplug()
            with pytest.raises(LinkLostError):
                adapter.read(1)
            there[:] = []
            with pytest.raises(OpenError) as error:
                reopen(adapter)
            assert error.value.reason is OpenReason.MISSING
            there[:] = [PortInfo(second.path)]
            reopen(adapter)
            assert adapter.port == second.path
            second.send(FRAME[7:] + FRAME)  # the rest of another frame must not complete the one broken off
            reading = adapter.read(1)
            assert reading is not None
            assert adapter.read(0.05) is None
            assert adapter.rejects["broken off"] == 1


def _usb(**options: str) -> SerialOptions:
    return SerialOptions(frames="segment14", **(options or {"serial": "A1"}))  # type: ignore[arg-type]


def test_a_named_port_is_found_under_its_new_name_by_its_usb_identity(tmp_path: Path) -> None:
    with PtyMeter() as first, PtyMeter() as second:
        name = tmp_path / "ttyUSB0"
        name.symlink_to(first.path)
        there = [PortInfo(str(name)), PortInfo("/dev/other", serial_number="B2")]
        with SerialMeter(
            "MA-01", str(name), SerialOptions(frames="segment14"), ports=lambda: there
        ) as adapter:
            first.unplug()
            name.unlink()
            there[0] = PortInfo(second.path)
            reopen(adapter)
            assert adapter.port == second.path


def test_another_meter_under_the_old_name_is_not_taken_for_this_one() -> None:
    """Two adapters swap names after replugging: readings must not come in under the wrong tag."""
    with PtyMeter() as mine, PtyMeter() as other:
        there = [PortInfo(mine.path)]
        with SerialMeter(
            "MA-01", mine.path, SerialOptions(frames="segment14"), ports=lambda: there
        ) as adapter:
            there[:] = [PortInfo(mine.path, serial_number="B2")]
            with pytest.raises(OpenError, match="another device now") as error:
                reopen(adapter)
            assert error.value.reason is OpenReason.MISSING
            there.append(PortInfo(other.path))
            reopen(adapter)
            assert adapter.port == other.path


def test_a_usb_port_must_be_named_seen_and_one() -> None:
    ports = [
        PortInfo("/dev/a"),
        PortInfo("/dev/b", "Infrared cable", "B2"),
        PortInfo("/dev/c", "Infrared cable", "C3"),
    ]
    assert _lines.find_port("B2", ports=lambda: ports).device == "/dev/b"
    assert _lines.find_port(description="bridge", ports=lambda: ports).device == "/dev/a"
    with pytest.raises(ConfigError):
        _lines.find_port(ports=lambda: ports)
    with pytest.raises(OpenError, match="2 serial ports"):
        _lines.find_port(description="infrared", ports=lambda: ports)
    with pytest.raises(OpenError, match="Z9") as error:
        _lines.find_port("Z9", ports=lambda: ports)
    assert "/dev/b (Infrared cable, B2)" in error.value.hint
    assert error.value.reason is OpenReason.MISSING


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


def test_permission_denied_names_the_group_to_join(tmp_path: Path) -> None:
    port = tmp_path / "port"
    port.touch()
    group = grp.getgrgid(port.stat().st_gid).gr_name
    error = _lines.open_error(str(port), serial.SerialException(errno.EACCES, "could not open port"))
    assert error.reason is OpenReason.PERMISSION
    assert f"usermod -aG {group}" in error.hint
    gone = _lines.open_error("/dev/no-such-port", serial.SerialException(errno.EACCES, "could not open port"))
    assert "dialout" in gone.hint


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


def test_closing_from_another_thread_ends_a_read_in_an_own_error(meter: PtyMeter) -> None:
    adapter = adapter_on(meter.path).open()
    timer = threading.Timer(0.15, adapter.close)
    timer.start()
    with pytest.raises((LinkLostError, OpenError)):
        adapter.read(5)
    timer.join()


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


def test_a_polled_meter_is_asked_once_a_reading() -> None:
    frame, shown = EXAMPLES["polled14"]
    with PtyMeter(answers={b"D": frame}) as end, adapter_on(end.path, "polled14") as adapter:
        assert read_agreeing(adapter, 2).displayed == shown
        assert len(end.asked) == 2


def test_a_polled_meter_that_missed_the_request_is_asked_again() -> None:
    frame, shown = EXAMPLES["polled14"]
    end = PtyMeter(answers={b"READ?\r": frame})
    with end, adapter_on(end.path, "polled14", request="READ?\\r") as adapter:
        reading = adapter.read(2)
    assert reading is not None
    assert reading.displayed == shown
    with PtyMeter(answers={b"never": b""}) as end, adapter_on(end.path, "polled14") as adapter:
        for _ in range(12):
            assert adapter.read(0.1) is None
        assert end.asked == [b"D", b"D"]


def test_requests_keep_their_distance() -> None:
    frame, _ = EXAMPLES["polled14"]
    end = PtyMeter(answers={b"D": frame}, every_s=0.005)
    with end, adapter_on(end.path, "polled14", every=0.2) as adapter:
        start = time.monotonic()
        for _ in range(3):
            assert adapter.read(1) is not None
        assert time.monotonic() - start > 0.35


def test_a_described_line_works_from_the_bench_file_alone() -> None:
    options = {
        "frames": "pattern",
        "pattern": r"(?P<function>\w+) (?P<value>\S+) (?P<unit>\S+)",
        "functions": {"ACV": "V~"},
        "end": "\r\n",
        "request": "MEAS?\n",
        "baud": 9600,
    }
    end = PtyMeter(answers={b"MEAS?\n": b"ACV 27.75 V\r\n"})
    with end, open_adapter(f"serial:{end.path}", "MA-01", options=options) as adapter:
        reading = adapter.read(1)  # type: ignore[attr-defined]
    assert isinstance(reading, Reading)
    assert reading.displayed == "27.75 V"


def test_a_wrong_baud_rate_is_named() -> None:
    for sent, received in [(2400, 9600), (9600, 2400), (2400, 4800), (19200, 2400)]:
        garbage = misread(FRAME * 60, sent, received)
        with PtyMeter() as end, adapter_on(end.path, baud=received) as adapter:
            end.send(garbage)
            with pytest.raises(
                BadFrameError, match=f"baud rate is probably not {received} baud 8N1"
            ) as error:
                adapter.read(0.3)
            assert adapter.decoder.accepted == 0
        assert error.value.raw
        assert "frames=" in error.value.hint


def test_text_that_fits_no_pattern_is_shown(meter: PtyMeter) -> None:
    options = {"pattern": r"(?P<value>\d+) (?P<unit>\S+)", "function": "V="}
    with adapter_on(meter.path, "pattern", **options) as adapter:
        meter.send(b"VOLT 27.75\r\n" * 6)
        with pytest.raises(BadFrameError, match=r"such as 'VOLT 27\.75'") as error:
            adapter.read(0.2)
    assert "pattern" in error.value.hint


def test_frames_of_another_family_are_named(meter: PtyMeter) -> None:
    with adapter_on(meter.path, "segment14") as adapter:
        meter.send(EXAMPLES["digitcode11"][0] * 8)
        with pytest.raises(BadFrameError, match="they are digitcode11 frames") as error:
            adapter.read(0.2)
    assert error.value.hint == "set frames=digitcode11"


def test_parity_is_checked_and_a_wrong_setting_is_named(meter: PtyMeter) -> None:
    frame, shown = EXAMPLES["digitcode14"]
    odd, even = with_parity(frame), with_parity(frame, odd=False)
    with adapter_on(meter.path, "digitcode14") as adapter:
        meter.send(odd)
        reading = adapter.read(0.2)
        assert reading is not None
        assert reading.displayed == shown
        meter.send(odd[:3] + bytes([odd[3] ^ 1]) + odd[4:])
        assert adapter.read(0.1) is None
        assert adapter.rejects == {"parity": 1}
        meter.send(even * 6)
        with pytest.raises(BadFrameError, match="parity setting is wrong") as error:
            adapter.read(0.2)
    assert "parity=E" in error.value.hint
    with adapter_on(meter.path, "digitcode14", parity="E") as adapter:
        meter.send(even)
        assert adapter.read(0.2) is not None
    with adapter_on(meter.path, "digitcode14", bits=8, parity="N") as adapter:
        meter.send(odd * 6)
        with pytest.raises(BadFrameError, match="with the parity that is set"):
            adapter.read(0.2)


def test_a_symbol_the_table_does_not_know_is_named(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        meter.send(segment14("27.75", "ac", "volt", last=1) * 5)
        with pytest.raises(BadFrameError, match=r"14\.0 is lit"):
            adapter.read(0.2)


def test_garbage_among_good_frames_is_counted_not_raised(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        meter.send(FRAME + bytes(100) + FRAME)
        assert adapter.read(0.2) is not None
        assert adapter.read(0.2) is not None
        assert adapter.read(0.2) is None
        assert adapter.decoder.skipped == 100


def test_a_pause_inside_a_frame_abandons_it(meter: PtyMeter) -> None:
    other = segment14("13.11", "ac", "volt")
    with adapter_on(meter.path) as adapter:
        meter.send(FRAME[:5])
        assert adapter.read(0.3) is None
        meter.send(other[5:] + other)
        reading = adapter.read(0.3)
        assert reading is not None
        assert reading.displayed == "13.11 V"
        assert adapter.rejects["broken off"] == 1


def test_a_pause_is_heeded_by_short_reads_too(meter: PtyMeter) -> None:
    other = segment14("13.11", "ac", "volt")
    with adapter_on(meter.path) as adapter:
        for wait_s in (0.0, 0.03):
            meter.send(FRAME[:5])
            for _ in range(8):
                assert adapter.read(wait_s) is None
                time.sleep(0.02)
            meter.send(other[5:] + other)
            time.sleep(0.02)
            reading = adapter.read(0.3)
            assert reading is not None
            assert reading.displayed == "13.11 V"
        assert adapter.rejects["broken off"] == 2


def test_a_short_form_frame_over_a_socket() -> None:
    server = socket.create_server(("127.0.0.1", 0))
    with server, adapter_on(f"socket://127.0.0.1:{server.getsockname()[1]}", "digitcode11") as adapter:
        peer, _ = server.accept()
        with peer:
            peer.sendall(digitcode(1, "2775", 0x3B, 0, 0, 0b0110) * 2)
            assert read_agreeing(adapter, 1).displayed == SHOWN


def test_a_port_without_a_descriptor_is_read_too() -> None:
    """pyserial's loop:// gives back what is sent, as a port on another machine would."""
    with adapter_on("loop://") as adapter:
        assert adapter.read(0.05) is None
        assert adapter._link is not None
        adapter._link.write(FRAME)
        reading = adapter.read(0.2)
    assert reading is not None
    assert reading.displayed == SHOWN


def test_twenty_lost_links_leave_nothing_open(tmp_path: Path) -> None:
    name = tmp_path / "ttyUSB0"
    adapter = adapter_on(str(name))
    before, threads = len(os.listdir("/proc/self/fd")), threading.active_count()
    for _ in range(20):
        with PtyMeter() as end:
            name.symlink_to(end.path)
            with adapter:
                end.send(FRAME)
                assert adapter.read(1) is not None
                end.unplug()
                with pytest.raises(LinkLostError):
                    adapter.read(1)
            name.unlink()
    assert (len(os.listdir("/proc/self/fd")), threading.active_count()) == (before, threads)
    assert adapter.decoder.accepted == 20


def test_what_can_not_be_sent_is_refused() -> None:
    with pytest.raises(ConfigError, match="request"):
        adapter_on("/dev/x", "polled14", request="§")


def test_opening_and_closing_leaves_nothing_open(meter: PtyMeter) -> None:
    adapter = adapter_on(meter.path)
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        adapter.open()
        adapter.close()
    assert len(os.listdir("/proc/self/fd")) == before
