"""A meter whose cable is pulled and plugged in again while a recorder reads it: what was kept against what was sent.

The meter is on a fresh pseudo-terminal after every plugging in, behind a symbolic link as udev makes them, so the
adapter meets what it meets on a real port: the end of the line, a name that is not there, half a frame, a begun frame's
tail. A second meter goes on sending meanwhile and must not be disturbed.
"""

from __future__ import annotations

import os
import threading
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from random import Random

from helpers.frames import segment14
from helpers.pty_meter import PtyMeter

from benchlog.errors import BenchlogError
from benchlog.logbook import EntryRef, Logbook
from benchlog.logbook.verify import verify
from benchlog.reading import Reading
from benchlog.recorder import BackOff, Link, Recorder
from benchlog_drivers.serial_meter import SerialMeter, SerialOptions

PULLED, STEADY = "MA-01", "MB-02"
FRAMES = SerialOptions(frames="segment14")
QUICK = BackOff(first_s=0.01, longest_s=0.05)
_PATIENCE_S = 20.0


def frame(number: int) -> bytes:
    """A frame whose digits are its number, 0 to 9999."""
    digits = f"{number:04d}"
    return segment14(f"{digits[:2]}.{digits[2:]}", "dc", "volt")


def number_of(reading: Reading) -> int:
    """The number a frame was made of."""
    assert reading.value is not None
    return round(reading.value * 100)


def wait_until(true: object, what: str, patience_s: float = _PATIENCE_S) -> None:
    """Wait for a condition (a callable), or fail with its name."""
    end = time.monotonic() + patience_s
    while not true():  # type: ignore[operator]
        if time.monotonic() > end:
            raise TimeoutError(f"not within {patience_s:g} s: {what}")
        time.sleep(0.002)


@dataclass
class Kept:
    """What a recorder reported while it ran."""

    acknowledged: list[Reading] = field(default_factory=list)
    errors: list[BenchlogError] = field(default_factory=list)
    seen: Counter[str] = field(default_factory=Counter)

    def on_commit(self, ref: EntryRef, readings: Sequence[Reading]) -> None:
        self.acknowledged.extend(readings)

    def on_reading(self, reading: Reading) -> None:
        self.seen[reading.instrument] += 1


@dataclass(frozen=True)
class Footprint:
    """What the process holds."""

    rss_kib: int
    threads: int
    descriptors: int


def footprint() -> Footprint:
    """Memory, threads and open files of this process, from the kernel."""
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return Footprint(
        int(status["VmRSS"].split()[0]), threading.active_count(), len(os.listdir("/proc/self/fd"))
    )


@dataclass
class Outcome:
    """What a run of pluggings found; all lists and counts but the first three should be empty or 0."""

    cycles: int
    sent: int
    acknowledged: int
    lost: int
    doubled: int
    invented: int
    out_of_order: bool
    gaps_begun: int
    gaps_ended: int
    other_gaps: int
    verified: bool
    footprints: list[Footprint]

    @property
    def good(self) -> bool:
        """Whether nothing was lost, doubled or invented, and every pull is one gap."""
        return (
            self.verified
            and not (self.lost or self.doubled or self.invented or self.out_of_order or self.other_gaps)
            and self.gaps_begun == self.gaps_ended == self.cycles
        )


def replug(folder: Path, cycles: int, *, frames_each: int = 20, seed: int = 1, every: int = 10) -> Outcome:
    """Unplug and plug in `cycles` times while recording.

    Parameters
    ----------
    folder : Path
        For the logbook and the port's name.
    frames_each : int
        Frames sent between two pulls; numbered on, so that every value is sent once.
    seed : int
        Where frames are cut.
    every : int
        Cycles between two looks at memory, threads and open files.
    """
    random, port, kept = Random(seed), folder / "ttyUSB0", Kept()
    numbers = iter(range(10_000))
    sent: list[int] = []
    footprints: list[Footprint] = []
    tail = b""
    with (
        PtyMeter(frame(7777), every_s=0.05) as steady,
        Logbook.open(folder / "bench.logbook") as book,
    ):
        meter = PtyMeter()
        port.symlink_to(meter.path)
        readers = [SerialMeter(PULLED, str(port), FRAMES), SerialMeter(STEADY, steady.path, FRAMES)]
        recorder = Recorder(
            book, readers, back_off=QUICK, on_commit=kept.on_commit, on_reading=kept.on_reading
        )
        with recorder:
            wait_until(lambda: readers[0].is_open, "the port is open")
            for cycle in range(cycles + 1):
                before = kept.seen[PULLED]
                meter.send(tail)  # the rest of a frame that began before the plug was pulled
                batch = list(islice(numbers, frames_each))
                for number in batch:
                    meter.send(frame(number))
                    time.sleep(0.001)
                sent += batch
                wait_until(lambda: kept.seen[PULLED] > before, "a reading after plugging in")  # noqa: B023
                if cycle % every == 0:
                    footprints.append(footprint())
                if cycle == cycles:
                    break
                cut = random.randrange(1, 14)
                whole = frame(sent[-1])
                meter.send(whole[:cut])
                tail = whole[cut:]
                meter.unplug()
                port.unlink()
                wait_until(lambda: recorder.statuses()[0].link is Link.LOST, "the pull is noticed")
                meter = PtyMeter()
                port.symlink_to(meter.path)
                wait_until(lambda: readers[0].is_open, "the port is open again")
        meter.unplug()
        found = [r for entry in book.entries("readings") for r in book.readings_of(entry.seq)]
        gaps = [entry.body for entry in book.entries("gap")]
        verified = verify(book.path).ok
    numbers_kept = [number_of(r) for r in found if r.instrument == PULLED]
    count = Counter(numbers_kept)
    asked = Counter((r.instrument, r.mono_ns, r.value) for r in kept.acknowledged)
    there = Counter((r.instrument, r.mono_ns, r.value) for r in found)
    mine = [g["event"] for g in gaps if g["instrument"] == PULLED]
    return Outcome(
        cycles=cycles,
        sent=len(sent),
        acknowledged=len(kept.acknowledged),
        lost=(asked - there).total(),
        doubled=sum(n - 1 for n in count.values()) + (there - asked).total(),
        invented=len(set(count) - set(sent))
        + sum(number_of(r) != 7777 for r in found if r.instrument == STEADY),
        out_of_order=numbers_kept != sorted(numbers_kept),
        gaps_begun=mine.count("begins"),
        gaps_ended=mine.count("ends"),
        other_gaps=len(gaps) - mine.count("begins") - mine.count("ends"),
        verified=verified,
        footprints=footprints,
    )
