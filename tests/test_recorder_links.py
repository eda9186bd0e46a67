"""The recorder over real serial links that break: one gap in the record each, nothing lost, nothing invented."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from helpers.frames import EXAMPLES
from helpers.pty_meter import PortInfo, PtyMeter
from helpers.replug import FRAMES, PULLED, QUICK, Kept, frame, number_of, replug, wait_until
from helpers.uart import misread

from benchlog.errors import OpenError, OpenReason
from benchlog.logbook import Logbook
from benchlog.recorder import Link, Recorder
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions


@dataclass
class Recorded(Kept):
    """A recorder at work, and after it what the logbook holds."""

    recorder: Recorder = None  # type: ignore[assignment]
    book: Logbook = None  # type: ignore[assignment]

    def wait_for(self, readings: int) -> None:
        """Wait until so many have come."""
        wait_until(lambda: self.seen[PULLED] >= readings, f"{readings} readings")

    def wait_for_link(self, link: Link) -> None:
        """Wait until the link is in this state."""
        wait_until(lambda: self.recorder.statuses()[0].link is link, f"a link {link}")

    @property
    def numbers(self) -> list[int]:
        """What the readings on the disk were sent as."""
        return [
            number_of(r) for entry in self.book.entries("readings") for r in self.book.readings_of(entry.seq)
        ]

    def entries(self, kind: str) -> list[dict[str, Any]]:
        """Bodies of the entries of one kind."""
        return [entry.body for entry in self.book.entries(kind)]

    @property
    def gap(self) -> list[str]:
        """What the record says of gaps, in order."""
        return [body["event"] for body in self.entries("gap")]


@contextmanager
def recording(folder: Path, reader: SerialMeter, silence_s: float = 5.0) -> Iterator[Recorded]:
    """Record one meter with quick attempts to reconnect; the logbook stays open for what is asked afterwards."""
    with Logbook.open(folder / "bench.logbook") as book:
        recorded = Recorded(book=book)
        recorded.recorder = Recorder(
            book,
            [reader],
            back_off=QUICK,
            silence_s=silence_s,
            read_timeout_s=0.1,
            on_reading=recorded.on_reading,
            on_commit=recorded.on_commit,
            on_error=recorded.errors.append,
        )
        try:
            recorded.recorder.start()
            wait_until(lambda: reader.is_open or recorded.errors, "an attempt to open")
            yield recorded
        finally:
            recorded.recorder.stop()


def test_ten_pulls_lose_no_acknowledged_reading_and_are_ten_gaps(tmp_path: Path) -> None:
    """What was acknowledged is in the logbook once, and nothing that was not sent; the other meter has no gap."""
    found = replug(tmp_path, 10, frames_each=8, every=5)
    assert found.good, found
    assert found.acknowledged > 11
    middle, last = found.footprints[1:]
    assert (last.threads, last.descriptors) == (middle.threads, middle.descriptors)


def test_a_meter_switched_off_inside_a_frame_is_one_silent_gap(tmp_path: Path) -> None:
    """The half frame makes no reading, nor does it spoil the first after switching on."""
    with (
        PtyMeter() as meter,
        recording(tmp_path, SerialMeter(PULLED, meter.path, FRAMES), silence_s=0.3) as recorded,
    ):
        meter.send(frame(1) + frame(2) + frame(3)[:9])
        recorded.wait_for(2)
        recorded.wait_for_link(Link.SILENT)
        meter.send(frame(4) + frame(5))
        recorded.wait_for(4)
        recorded.recorder.stop()
        assert recorded.numbers == [1, 2, 4, 5]
        assert recorded.gap == ["begins", "ends"]
        assert "is the meter on" in recorded.entries("gap")[0]["hint"]
        (bad,) = recorded.entries("bad frames")
        assert bad["reasons"] == {"broken off": 1}


def test_a_burst_of_garbage_costs_no_good_frame_and_is_counted(tmp_path: Path) -> None:
    """Bytes between good frames are not a gap; the record says how many frames were rejected, and why."""
    with PtyMeter() as meter, recording(tmp_path, SerialMeter(PULLED, meter.path, FRAMES)) as recorded:
        garbage = bytes(range(256)) + frame(9)[:5] + b"\x11\x12\x13" * 20
        meter.send(frame(1) + garbage + frame(2) + garbage)
        recorded.wait_for(2)
        meter.send(frame(3))
        recorded.wait_for(3)
        recorded.recorder.stop()
        assert recorded.numbers == [1, 2, 3]
        assert recorded.gap == []
        counted = recorded.entries("bad frames")
        assert {reason for body in counted for reason in body["reasons"]} == {"index"}
        assert recorded.recorder.statuses()[0].bad_frames == sum(body["count"] for body in counted) > 20


def test_a_cable_plugged_in_under_another_name_is_found_by_its_identity(tmp_path: Path) -> None:
    """A stranger that took the old name meanwhile is not read under this meter's tag."""
    with PtyMeter() as first, PtyMeter() as second, PtyMeter(frame(9999)) as stranger:
        name = tmp_path / "ttyUSB0"
        name.symlink_to(first.path)
        there = [PortInfo(str(name))]
        reader = SerialMeter(PULLED, str(name), FRAMES, ports=lambda: list(there))
        with recording(tmp_path, reader) as recorded:
            first.send(frame(1))
            recorded.wait_for(1)
            there[:] = [PortInfo(str(name), serial_number="B2")]
            name.unlink()
            name.symlink_to(stranger.path)
            first.unplug()
            wait_until(
                lambda: any("is another device now" in e.message for e in recorded.errors),
                "the stranger is refused",
            )
            there.append(PortInfo(second.path))
            wait_until(lambda: reader.is_open, "the port is open again")
            second.send(frame(2))
            recorded.wait_for(2)
            recorded.recorder.stop()
            assert reader.port == second.path
            assert recorded.numbers == [1, 2]
            assert recorded.gap == ["begins", "ends"]


def test_a_port_that_another_program_took_is_a_gap_until_it_lets_go(tmp_path: Path) -> None:
    """The cause is named, and the port is taken back by itself."""
    with PtyMeter() as meter, SerialMeter("XX-01", meter.path, FRAMES) as other:
        reader = SerialMeter(PULLED, meter.path, FRAMES)
        with recording(tmp_path, reader) as recorded:
            wait_until(lambda: recorded.gap == ["begins"], "the gap is written down")
            (gap,) = recorded.entries("gap")
            assert "another program uses the port" in gap["cause"]
            assert gap["hint"] == "close that program"
            assert isinstance(recorded.errors[0], OpenError)
            assert recorded.errors[0].reason is OpenReason.BUSY
            other.close()
            wait_until(lambda: reader.is_open, "the port is taken back")
            meter.send(frame(1))
            recorded.wait_for(1)
            recorded.recorder.stop()
            assert recorded.gap == ["begins", "ends"]
            assert len(recorded.errors) == 1  # reported once, however many attempts were made


@pytest.mark.parametrize(
    ("chunk", "options", "cause", "hint"),
    [
        (
            misread(frame(1234) * 8, 2400, 9600),
            SerialOptions(frames="segment14", baud=9600),
            "the baud rate is probably not 9600 baud 8N1",
            "try another baud=",
        ),
        (EXAMPLES["digitcode11"][0] * 6, FRAMES, "they are digitcode11 frames", "set frames=digitcode11"),
    ],
    ids=["baud rate", "family"],
)
def test_a_gap_names_a_wrong_setting(
    tmp_path: Path, chunk: bytes, options: SerialOptions, cause: str, hint: str
) -> None:
    """A meter that talks but makes no reading is a gap whose cause is what its bytes look like, not silence."""
    with (
        PtyMeter(chunk, every_s=0.05) as meter,
        recording(tmp_path, SerialMeter(PULLED, meter.path, options), silence_s=0.4) as recorded,
    ):
        wait_until(lambda: recorded.gap == ["begins"], "the gap is written down")
        (gap,) = recorded.entries("gap")
        assert cause in gap["cause"]
        assert hint in gap["hint"]
        recorded.recorder.stop()
        assert recorded.numbers == []


def test_a_silent_link_that_is_pulled_then_is_still_one_gap(tmp_path: Path) -> None:
    """The record says how it went on; it begins and ends once."""
    port = tmp_path / "ttyUSB0"
    with PtyMeter() as first, PtyMeter() as second:
        port.symlink_to(first.path)
        reader = SerialMeter(PULLED, str(port), FRAMES)
        with recording(tmp_path, reader, silence_s=0.2) as recorded:
            first.send(frame(1))
            recorded.wait_for(1)
            recorded.wait_for_link(Link.SILENT)
            first.unplug()
            recorded.wait_for_link(Link.LOST)
            port.unlink()
            port.symlink_to(second.path)
            wait_until(lambda: reader.is_open, "the port is open again")
            second.send(frame(2))
            recorded.wait_for(2)
            recorded.recorder.stop()
            assert recorded.gap == ["begins", "continues", "ends"]
            assert [body.get("link") for body in recorded.entries("gap")] == ["silent", "lost", None]
            assert recorded.numbers == [1, 2]
