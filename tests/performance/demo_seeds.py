"""Run the kiln controller's demo with many seeds: the digits change, verdicts, holds and recalls stay.

    python tests/performance/demo_seeds.py --seeds 200 [--first 1]

Prints each seed that differs from the majority with what differs, the spread of the main digits, and the time per
seed (at most 15 s without a terminal). Exit code 1 when a difference is not `explained`.
"""

from __future__ import annotations

import argparse
import io
import json
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rich.console import Console

from benchlog.cli import build_parser
from benchlog.cli.context import run_command
from benchlog.clock import Clock
from benchlog.demo.story import Story
from benchlog.logbook import Logbook


def explained(name: str, story: dict[str, Any]) -> bool:
    """Whether a difference follows from the digits, and honestly so.

    The recall of C05 turns on 0.1 V: its low end with the meter's bias taken off lies at 25.5 V against a limit of
    about 25.6 V that moves with the mains, so that seeds fall on either side. About one meter in a hundred is drawn
    so that it fails its standard on day 34 already (E_n just above 1): what is then measured with it, C05 and C13,
    is indeterminate.
    """
    early = story.get("standard 2 MB-02") == "fail"
    return name == "recall C05" or (early and any(word in name for word in ("MB-02", "C05", "C13")))


def tell(seed: int) -> dict[str, Any]:
    """Run the demo once; returns verdicts, hold states and recall classes by name."""
    with tempfile.TemporaryDirectory() as folder:
        quiet = Console(file=io.StringIO(), width=100)

        def command(words: Sequence[str], clock: Clock) -> int:
            out, sys.stdout = sys.stdout, io.StringIO()
            try:
                return run_command(build_parser(words[0]).parse_args(list(words)), clock=clock, console=quiet)
            finally:
                sys.stdout = out

        with Story(Path(folder), seed, say=lambda *_: None, show=lambda _: None, command=command) as story:
            story.whole()
            found: dict[str, Any] = {}
            with Logbook.open(story.logbook_path, clock=story.clock, mode="ro", create=False) as book:
                for number, entry in enumerate(book.entries("result")):
                    found[f"result {number} {entry.body['check_id']}"] = entry.body["verdict"]
                for number, entry in enumerate(book.entries("standard")):
                    found[f"standard {number} {entry.body['meter']}"] = entry.body["verdict"]
                for entry in book.entries("recall"):
                    for item in entry.body["results"]:
                        found[f"recall {item['check_id']}"] = item["class"]
                for kind in ("release", "concession", "step"):
                    found[kind] = [entry.body["hold"] for entry in book.entries(kind)]
            found["C10 turns"] = (story.results["C10"].turns or {}).get("most_likely")
        return found


def main() -> int:
    """Run the seeds and report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--seeds", type=int, default=200)
    parser.add_argument("--first", type=int, default=1)
    args = parser.parse_args()
    stories: dict[int, dict[str, Any]] = {}
    slowest = 0.0
    for seed in range(args.first, args.first + args.seeds):
        began = time.perf_counter()
        stories[seed] = tell(seed)
        slowest = max(slowest, time.perf_counter() - began)
        print(f"\rseed {seed}: {time.perf_counter() - began:.1f} s", end="", flush=True)
    print()
    usual = Counter(json.dumps(story, sort_keys=True) for story in stories.values()).most_common(1)[0][0]
    majority = json.loads(usual)
    unexplained = 0
    for seed, story in stories.items():
        names = sorted({*story, *majority})
        differing = [n for n in names if story.get(n) != majority.get(n)]
        if differing:
            bad = [n for n in differing if not explained(n, story)]
            unexplained += bool(bad)
            words = ", ".join(f"{n}: {story.get(n)} instead of {majority.get(n)}" for n in differing)
            print(f"seed {seed}{' UNEXPLAINED' if bad else ''}: {words}")
    alike = sum(json.dumps(story, sort_keys=True) == usual for story in stories.values())
    print(
        f"{args.seeds} seeds: {alike} alike, {unexplained} with unexplained differences, slowest {slowest:.1f} s"
    )
    return 1 if unexplained or slowest > 15 else 0


if __name__ == "__main__":
    sys.exit(main())
