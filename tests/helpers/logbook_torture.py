"""Kill a program while it records, fill its disk, and see whether anything acknowledged is lost."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from helpers.small_logbook import START, a_capture, some_readings

from benchlog.clock import ManualClock, SystemClock
from benchlog.errors import LogbookFullError
from benchlog.logbook import Logbook
from benchlog.logbook.reading_block import pack
from benchlog.logbook.rollup import rolled_up
from benchlog.logbook.verify import verify

# These are imported here so that the killed programs don't spend their short life on it.
from benchlog.logbook.view import LogbookView
from benchlog.reading import Function, Reading

assert pack
assert rolled_up


@dataclass
class Tally:
    """What happened over many kills."""

    kills: int = 0
    acknowledged: int = 0
    lost: int = 0
    doubled: int = 0
    faulty_logbooks: int = 0
    blocks_unacknowledged: int = 0


def numbered(number: int, utc_ns: int) -> Reading:
    """A reading that carries its own number."""
    return Reading(
        Function.DC_VOLTS,
        number / 100,
        0.01,
        f"{number / 100:.2f} V",
        raw=number.to_bytes(8, "little"),
        instrument=f"M{number % 3}",
        utc_ns=utc_ns,
        mono_ns=number,
    )


def record_for_ever() -> None:
    """What the killed program does: wait for the number to begin with, record, and say how far it got."""
    os.write(sys.stdout.fileno(), b"ready\n")
    path, position, seed = sys.stdin.readline().rstrip("\n").split("\t")
    _record(Path(path), int(position), random.Random(float(seed)))


def _record(path: Path, position: int, rng: random.Random) -> None:
    clock = SystemClock()
    book = Logbook.open(path, clock=clock, project="torture")
    book.begin_session(resume=True)
    acks = sys.stdout.fileno()
    while True:
        size = rng.choice((1, 5, 20, 200, 2000))
        now = clock.utc_ns()
        ref = book.append_readings(
            [numbered(position + n, now) for n in range(size)], stream="torture", position=position
        )
        position += size
        if rng.random() < 0.1:
            time.sleep(0.02)  # makes being killed between commit and acknowledgement likely
        os.write(acks, f"{position} {ref.digest}\n".encode())


def _started() -> subprocess.Popen[bytes]:
    """A program that has nothing left to import and waits for the number to begin with."""
    code = "from helpers.logbook_torture import record_for_ever; record_for_ever()"
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    return subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment
    )


def kill_while_recording(path: Path, kills: int, seed: int, longest_s: float = 0.15) -> Tally:
    """Kill a recording program `kills` times on one logbook, then compare with what it had acknowledged.

    The system ends it at once: by SIGKILL, on Windows by TerminateProcess. It starts again each time from the last
    acknowledged reading, as one that remembers only what was acknowledged, so committed but unacknowledged readings are
    sent twice and must be kept once.
    """
    rng = random.Random(seed)
    tally = Tally()
    position, digests = 0, []
    following = _started()
    for number in range(kills):
        child, following = following, _started() if number + 1 < kills else following
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline().strip() == b"ready"
        child.stdin.write(f"{path}\t{position}\t{rng.random()}\n".encode())
        child.stdin.flush()
        first = b""
        if rng.random() < 0.5:  # a busy machine may not get that far otherwise
            first = child.stdout.readline()
        time.sleep(rng.uniform(0.001, longest_s))
        child.kill()
        output, _ = child.communicate()
        for line in (first + output).decode().split("\n")[:-1]:
            text, digest = line.split()
            position = int(text)
            digests.append(digest)
        tally.kills += 1
    tally.acknowledged = position
    if not path.exists():  # every kill came before the first write
        return tally
    verification = verify(path)
    tally.faulty_logbooks = 0 if verification.ok else 1
    with Logbook.open(path) as book:
        stored = {entry.digest for entry in book.entries("readings")}
        table = LogbookView(book).reading_arrays(texts=False).table
        numbers = [int(number) for number in table["mono_ns"]]
    tally.lost = sum(1 for digest in set(digests) if digest not in stored) + len(
        set(range(position)) - set(numbers)
    )
    tally.doubled = len(numbers) - len(set(numbers))
    tally.blocks_unacknowledged = len(stored - set(digests))
    return tally


@contextmanager
def small_file_system(mount: Path, megabytes: int = 1) -> Iterator[Path | None]:
    """A file system in memory, or None where mounting is not allowed."""
    mount.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(mount)]
    try:
        allowed = subprocess.run(words, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        allowed = False
    try:
        yield mount if allowed else None
    finally:
        if allowed:
            subprocess.run(["umount", "-l", str(mount)], check=True)


def fill_up(path: Path, pages: int | None) -> LogbookFullError:
    """Record until the disk is full, check that all that was acknowledged is there, go on, verify.

    Parameters
    ----------
    path : Path
        New logbook.
    pages : int or None
        Pages (4096 bytes) at which SQLite is to find the disk full; None for the disk's own limit.

    Returns
    -------
    LogbookFullError
        What was said when it was full.
    """
    clock = ManualClock(START)
    book = Logbook.open(path, clock=clock)
    kept = [book.head()]
    if pages is not None:
        with book.querying() as db:
            db.execute(f"PRAGMA max_page_count={pages}")
    try:
        while True:
            kept.append(book.append_readings(some_readings(clock, 60)))
            kept.append(book.append_capture(a_capture(2000)))
            kept.append(book.attach(os.urandom(5000), "photo.jpg"))
    except LogbookFullError as error:
        full = error
    assert book.head() == kept[-1]
    if pages is not None:
        with book.querying() as db:
            db.execute("PRAGMA max_page_count=1000000")
        kept.append(book.append_readings(some_readings(clock, 5)))
    digests = {entry.digest for entry in book.entries()}
    assert all(ref.digest in digests for ref in kept)
    book.close()
    assert verify(path).ok
    return full
