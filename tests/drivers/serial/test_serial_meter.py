"""The serial adapter over real pseudo-terminals and loopback sockets: what it reads, and when."""

from __future__ import annotations

import os
import socket
import time

import pytest
from helpers.frames import digitcode, segment14
from helpers.pty_meter import PtyMeter
from helpers.serial_adapter import FRAME, SHOWN, adapter_on
from helpers.systems import needs_open_files

from benchlog.clock import ManualClock
from benchlog.errors import BadFrameError, OpenError
from benchlog.reading import Reading
from benchlog.registry import make_adapter


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


def test_a_read_ends_in_time_though_bytes_never_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Noise that comes faster than it is decoded: the caller gets its turn, and what is wrong is said."""
    with PtyMeter(b"noise" * 20, every_s=0.002) as line, adapter_on(line.path) as adapter:
        honest = adapter.decoder.feed

        def slow(data: bytes) -> list[Reading]:
            time.sleep(0.02)
            return honest(data)

        monkeypatch.setattr(adapter.decoder, "feed", slow)
        start = time.monotonic()
        with pytest.raises(BadFrameError):
            adapter.read(0.3)
        assert time.monotonic() - start < 1.0


def test_a_clock_moved_by_hand_does_not_hang_a_read(meter: PtyMeter) -> None:
    adapter = make_adapter(f"serial:{meter.path}?frames=segment14", "MA-01", clock=ManualClock(1))
    with adapter:
        assert adapter.read(0.15) is None  # type: ignore[attr-defined]


def test_a_closed_adapter_gives_out_nothing_that_came_before(meter: PtyMeter) -> None:
    with adapter_on(meter.path) as adapter:
        meter.send(FRAME * 3)
        assert adapter.read(1) is not None
    with pytest.raises(OpenError, match="is not open"):
        adapter.read(0)


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
            readings = [adapter.read(1), adapter.read(1)]
            assert [r.displayed for r in readings if r is not None] == [SHOWN, SHOWN]


def test_a_port_without_a_descriptor_is_read_too() -> None:
    """pyserial's loop:// gives back what is sent, as a port on another machine would."""
    with adapter_on("loop://") as adapter:
        assert adapter.read(0.05) is None
        assert adapter._link is not None
        adapter._link.write(FRAME)
        reading = adapter.read(0.2)
    assert reading is not None
    assert reading.displayed == SHOWN


@needs_open_files
def test_opening_and_closing_leaves_nothing_open(meter: PtyMeter) -> None:
    adapter = adapter_on(meter.path)
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(20):
        adapter.open()
        adapter.close()
    assert len(os.listdir("/proc/self/fd")) == before


def test_a_text_line_may_pause_in_the_middle(meter: PtyMeter) -> None:
    """A program prints a label, measures, and prints the rest: the line is still whole."""
    options = {"pattern": r"U = (?P<value>\S+) (?P<unit>\S+)", "function": "V="}
    with adapter_on(meter.path, "pattern", **options) as adapter:
        meter.send(b"U = ")
        assert adapter.read(0.4) is None
        meter.send(b"27.75 V\n")
        reading = adapter.read(1.0)
        assert reading is not None
        assert reading.displayed == "27.75 V"
