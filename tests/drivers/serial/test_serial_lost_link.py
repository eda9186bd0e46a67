"""A serial link that ends, and the meter that comes back, perhaps under another name."""

from __future__ import annotations

import os
import socket
import threading
import time
from pathlib import Path

import pytest
from helpers.pty_meter import PortInfo, PtyMeter
from helpers.serial_adapter import FRAME, SHOWN, adapter_on
from helpers.systems import needs_open_files

from benchlog.errors import ConfigError, LinkLostError, OpenError, OpenReason
from benchlog_drivers import _lines
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions


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


def test_closing_from_another_thread_ends_a_read_in_an_own_error(meter: PtyMeter) -> None:
    adapter = adapter_on(meter.path).open()
    timer = threading.Timer(0.15, adapter.close)
    timer.start()
    with pytest.raises((LinkLostError, OpenError)):
        adapter.read(5)
    timer.join()


def reopen(adapter: SerialMeter) -> None:
    """Close and open again, as whoever reads it does after the link was lost."""
    adapter.close()
    adapter.open()


def _usb(**options: str) -> SerialOptions:
    return SerialOptions(frames="segment14", **(options or {"serial": "A1"}))  # type: ignore[arg-type]


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


def test_a_name_that_changes_hands_while_the_port_is_opened_is_noticed() -> None:
    """The port is there when it is looked for, and another meter has its name when it is opened."""
    with PtyMeter() as mine, PtyMeter() as other:
        lists = [[PortInfo(mine.path)]]
        with SerialMeter(
            "MA-01",
            mine.path,
            SerialOptions(frames="segment14"),
            ports=lambda: lists.pop(0) if len(lists) > 1 else lists[0],
        ) as adapter:
            lists[:] = [[PortInfo(mine.path)], [PortInfo(mine.path, serial_number="B2")]]
            with pytest.raises(OpenError, match="another device now") as error:
                reopen(adapter)
            assert error.value.reason is OpenReason.MISSING
            assert not adapter.is_open
            lists[:] = [[PortInfo(mine.path, serial_number="B2"), PortInfo(other.path)]]
            adapter.open()
            assert adapter.port == other.path


def test_a_name_is_not_tried_while_its_device_is_away(monkeypatch: pytest.MonkeyPatch) -> None:
    """Another meter may take it between looking and opening, as seen under load: it is left alone."""
    with PtyMeter() as mine:
        there = [PortInfo(mine.path)]
        options = SerialOptions(frames="segment14")
        with SerialMeter("MA-01", mine.path, options, ports=lambda: there) as adapter:
            there.clear()
            opened: list[str] = []
            monkeypatch.setattr(_lines, "open_port", lambda port, settings: opened.append(port))
            with pytest.raises(OpenError, match="is not plugged in") as error:
                reopen(adapter)
            assert error.value.reason is OpenReason.MISSING
            assert opened == []


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


@needs_open_files
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
