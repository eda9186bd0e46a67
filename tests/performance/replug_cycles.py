"""Pull and plug in a meter's cable many times while recording: ``python tests/performance/replug_cycles.py --cycles 200``.

A recorder reads two meters through the real serial adapter, each on a pseudo-terminal of its own. One meter's cable is
pulled in the middle of a frame and plugged in again as a new terminal behind the same name; the other goes on. Every value
is sent once, so what the logbook holds can be checked reading by reading.

Prints, and exits with 1 unless: no reading that was acknowledged is missing or there twice, no value is kept that was
not sent, every pull is one gap with a beginning and an end, the other meter has none, the logbook verifies, and memory,
threads and open files are at the end what they were after the first tenth.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.replug import replug

LIMIT_KIB = (
    4096  # over the whole run; the readings this program keeps to compare are about 0.6 KiB each of it
)


def main() -> int:
    """Run and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cycles", type=int, default=200)
    parser.add_argument("--frames", type=int, default=20, help="frames between two pulls")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        found = replug(Path(folder), args.cycles, frames_each=args.frames, seed=args.seed)
    first, last = found.footprints[min(2, len(found.footprints) - 1)], found.footprints[-1]
    grown = last.rss_kib - first.rss_kib
    print(f"{found.cycles} pulls in {time.perf_counter() - began:.0f} s, {found.sent} values sent")
    print(f"readings acknowledged {found.acknowledged}, of these lost {found.lost}, doubled {found.doubled}")
    print(f"values kept that were not sent {found.invented}, out of order {found.out_of_order}")
    print(f"gaps begun {found.gaps_begun}, ended {found.gaps_ended}, other gap entries {found.other_gaps}")
    print(
        f"memory {first.rss_kib / 1024:.1f} -> {last.rss_kib / 1024:.1f} MiB (limit +{LIMIT_KIB / 1024:.0f})"
    )
    print(f"threads {first.threads} -> {last.threads}, open files {first.descriptors} -> {last.descriptors}")
    print(f"logbook verifies: {found.verified}")
    steady = (first.threads, first.descriptors) == (last.threads, last.descriptors) and grown <= LIMIT_KIB
    return 0 if found.good and steady else 1


if __name__ == "__main__":
    sys.exit(main())
