"""Kill -9 during recording, many times; full disks: ``python tests/performance/logbook_torture.py --kills 1000 --full 100``.

Each slice works on a logbook of its own and is reported as it ends, so that a run can be split over several sittings
(``--seed`` makes the slices differ). Exit code 1 if an acknowledged reading is lost or a logbook does not verify.
This shows death of the process; a power cut is another matter, which the write-ahead log with synchronous=FULL is for.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.logbook_torture import Tally, fill_up, kill_while_recording, small_file_system


def main() -> int:
    """Run the slices."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--slice", type=int, default=100)
    parser.add_argument("--full", type=int, default=100, help="runs against a full disk")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    total = Tally()
    began = time.perf_counter()
    for number in range(0, args.kills, args.slice):
        with tempfile.TemporaryDirectory() as folder:
            kills = min(args.slice, args.kills - number)
            tally = kill_while_recording(Path(folder) / "bench.logbook", kills, args.seed * 100_000 + number)
        for name in vars(total):
            setattr(total, name, getattr(total, name) + getattr(tally, name))
        print(
            f"{total.kills:5d} kills, {total.acknowledged:9d} readings acknowledged, {total.lost} lost,"
            f" {total.doubled} doubled, {total.faulty_logbooks} logbooks that do not verify,"
            f" {total.blocks_unacknowledged} blocks kept but not acknowledged, {time.perf_counter() - began:.0f} s",
            flush=True,
        )
    for number in range(args.full):
        with tempfile.TemporaryDirectory() as folder:
            fill_up(Path(folder) / "bench.logbook", 24 + number)
    print(
        f"{args.full} runs into a full disk by SQLite's page limit: clear error, nothing lost, all verify",
        flush=True,
    )
    with tempfile.TemporaryDirectory() as folder, small_file_system(Path(folder) / "small") as mount:
        if mount is None:
            print("a small file system can't be mounted here: not tried")
        else:
            fill_up(mount / "bench.logbook", None)
            print("a file system of 1 MB in memory filled up: clear error, nothing lost, verifies")
    return 1 if total.lost or total.doubled or total.faulty_logbooks else 0


if __name__ == "__main__":
    sys.exit(main())
