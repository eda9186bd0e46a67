"""A late answer is never taken for the next question: many of them, over every link, with every kind of instrument.

    python tests/performance/stale_answers.py [--trials 40]

Every question of a reading, a capture or a setting is answered after its time-out in turn, by 1.1 to 5 time-outs; then
the truth at the instrument changes and the thing is done again. Exits with 1 where one outcome was of the old truth,
or fewer than 99 % were right at the first retry.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

TESTS = Path(__file__).parents[1]
sys.path[:0] = [str(TESTS), str(TESTS / "usb_vm")]

from helpers.late_bench import INSTRUMENTS, Count, trials
from helpers.late_links import LINKS

LEAST = 0.99


def main() -> int:
    """Run all cells, a few at once since they mostly wait, and print a line each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument(
        "--trials", type=int, default=40, help="late answers of each instrument behind each link"
    )
    parser.add_argument("--at-once", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    cells = [(link, kind) for link in LINKS for kind in INSTRUMENTS]
    start = time.monotonic()
    with ThreadPoolExecutor(args.at_once) as pool:
        counts = list(pool.map(lambda cell: trials(*cell, args.trials, args.seed), cells))
    total = Count()
    for (link, kind), count in zip(cells, counts, strict=True):
        print(
            f"{link:22} {kind:18} late {count.late:4}  wrong {count.wrong}  first retry {count.at_first_retry}"
        )
        total += count
    for note in total.notes:
        if "WRONG" in note or " after " in note:
            print("  ", note)
    share = total.at_first_retry / max(1, total.late)
    print(
        f"{total.late} late answers: {total.wrong} wrong, {100 * share:.2f} % right at the first retry,"
        f" in {time.monotonic() - start:.0f} s"
    )
    return int(total.wrong > 0 or share < LEAST)


if __name__ == "__main__":
    sys.exit(main())
