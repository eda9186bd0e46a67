"""CPU time of reading and storing four meters: ``python tests/performance/meters_cpu.py --seconds 60``.

Four meters send 20 frames a second each over pseudo-terminals from another process; this one reads them through the serial
adapter and records them into a logbook as `benchlog watch` and the guided checks do. Prints the share of one core
that this process took, user and system, after its start-up, and how many readings are in the logbook; beside them the CPU
time of a fixed loop, since a machine shared with others runs the same code slower.
Exit code 1 above 3 %, or if a reading is missing.
"""

from __future__ import annotations

import argparse
import os
import select
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.replug import FRAMES, frame

from benchlog.logbook import Logbook
from benchlog.recorder import Recorder
from benchlog_drivers.serial_meter import SerialMeter

TAGS = ("MA-01", "MB-02", "MC-05", "MD-06")
LIMIT = 0.03
WARM_UP_S = 2.0


def serve(rate_hz: float) -> None:
    """Send numbered frames on four terminals, out of step as real meters are, until the standard input ends."""
    ends = [os.openpty() for _ in TAGS]
    for near, far in ends:
        tty.setraw(far)
        os.set_blocking(near, False)
    print(*(os.ttyname(far) for _, far in ends), flush=True)
    begin, sent = time.monotonic(), 0
    while True:
        due = begin + sent / (rate_hz * len(TAGS))
        if select.select([sys.stdin], [], [], max(0.0, due - time.monotonic()))[0]:
            return
        number, turn = divmod(sent, len(TAGS))
        os.write(ends[turn][0], frame(number % 10_000))
        sent += 1


def cpu_s() -> float:
    """CPU time of this process, user and system, all threads, second."""
    times = os.times()
    return times.user + times.system


def loop_us() -> float:
    """CPU time of adding up a thousand numbers, microsecond."""
    before = time.process_time()
    for _ in range(10_000):
        sum(range(1000))
    return (time.process_time() - before) * 100


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=float, default=20.0, help="readings a second of each meter")
    parser.add_argument("--serve", action="store_true", help="be the meters")
    args = parser.parse_args()
    if args.serve:
        serve(args.rate)
        return 0
    command = [sys.executable, __file__, "--serve", "--rate", str(args.rate)]
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8") as meters,
        Logbook.open(Path(folder) / "bench.logbook") as book,
    ):
        assert meters.stdin is not None
        assert meters.stdout is not None
        ports = meters.stdout.readline().split()
        recorder = Recorder(
            book, [SerialMeter(tag, port, FRAMES) for tag, port in zip(TAGS, ports, strict=True)]
        )
        with recorder:
            time.sleep(WARM_UP_S)
            before, began = cpu_s(), time.monotonic()
            count = sum(s.readings for s in recorder.statuses())
            time.sleep(args.seconds)
            share = (cpu_s() - before) / (time.monotonic() - began)
            count = sum(s.readings for s in recorder.statuses()) - count
        statuses = recorder.statuses()
        meters.stdin.close()
        kept = sum(int(entry.body["count"]) for entry in book.entries("readings"))
        gaps = len(list(book.entries("gap")))
    received = sum(s.readings for s in statuses)
    rate = count / args.seconds
    print(f"{len(TAGS)} meters, {rate:.1f} readings/s together for {args.seconds:g} s")
    print(f"reading and storing took {share:.2%} of one core (limit {LIMIT:.0%})")
    print(f"adding up a thousand numbers takes {loop_us():.1f} µs here")
    print(f"{received} readings received, {kept} in the logbook, {gaps} gap entries")
    enough = rate >= 0.98 * args.rate * len(TAGS)
    return 0 if share <= LIMIT and kept == received and enough and not gaps else 1


if __name__ == "__main__":
    sys.exit(main())
