"""Kill a program while it records, start it again where it left off, and see whether anything acknowledged is lost."""

from __future__ import annotations

import os
import random
import signal
import struct
import time
from dataclasses import dataclass
from pathlib import Path

# The last two are imported here so that the killed programs, which are forked, don't spend their short life on it.
from benchlog.clock import SystemClock
from benchlog.logbook import Logbook
from benchlog.logbook.reading_block import pack
from benchlog.logbook.rollup import rolled_up
from benchlog.logbook.verify import verify
from benchlog.reading import Function, Reading

assert pack
assert rolled_up
_ACK = struct.Struct("<q64s")


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


def _record(path: Path, position: int, acks: int, rng: random.Random) -> None:
    """Record for ever; after each commit say on the pipe how far it got. Never returns."""
    clock = SystemClock()
    book = Logbook.open(path, clock=clock, project="torture")
    book.begin_session(resume=True)
    while True:
        size = rng.choice((1, 5, 20, 200, 2000))
        now = clock.utc_ns()
        ref = book.append_readings(
            [numbered(position + n, now) for n in range(size)], stream="torture", position=position
        )
        position += size
        if rng.random() < 0.1:
            time.sleep(0.02)  # makes being killed between commit and acknowledgement likely
        os.write(acks, _ACK.pack(position, ref.digest.encode()))


def kill_while_recording(path: Path, kills: int, seed: int, longest_s: float = 0.15) -> Tally:
    """Kill -9 a recording program `kills` times on one logbook, then compare with what it had acknowledged.

    The program starts again each time from the last acknowledged reading, as one that remembers only what it was told,
    so committed but unacknowledged readings are sent twice and must be kept once.
    """
    rng = random.Random(seed)
    tally = Tally()
    position, digests = 0, []
    for _ in range(kills):
        read_end, write_end = os.pipe()
        child_seed = rng.random()
        child = os.fork()
        if child == 0:
            try:
                os.close(read_end)
                _record(path, position, write_end, random.Random(child_seed))
            finally:
                os._exit(1)
        os.close(write_end)
        time.sleep(rng.uniform(0.001, longest_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        told = b""
        while chunk := os.read(read_end, 65536):
            told += chunk
        os.close(read_end)
        for at in range(0, len(told) - _ACK.size + 1, _ACK.size):
            position, digest = _ACK.unpack_from(told, at)
            digests.append(digest.decode())
        tally.kills += 1
    tally.acknowledged = position
    if not path.exists():  # every kill came before the first write
        return tally
    verification = verify(path)
    tally.faulty_logbooks = 0 if verification.ok else 1
    with Logbook.open(path) as book:
        stored = {entry.digest for entry in book.entries("readings")}
        table = book.view().reading_arrays(texts=False).table
        numbers = [int(number) for number in table["mono_ns"]]
    tally.lost = sum(1 for digest in set(digests) if digest not in stored) + len(
        set(range(position)) - set(numbers)
    )
    tally.doubled = len(numbers) - len(set(numbers))
    tally.blocks_unacknowledged = len(stored - set(digests))
    return tally
