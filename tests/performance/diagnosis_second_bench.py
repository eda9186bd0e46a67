"""Does the diagnosis find what is wrong on a bench that was written apart from it?

Single faults of five kinds of reading, two faults at once, and good benches; the engine sees only what a person would
type. ``--flat`` draws each cause as often as any other. Run it by hand::

    python tests/performance/diagnosis_second_bench.py 100 --seed 1

"""

from __future__ import annotations

import argparse
import sys
from collections import Counter, defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

from helpers.second_bench_faults import FAULTS, KINDS, draw_case
from helpers.second_bench_play import Played, play

Work = tuple[str, int, bool, str, int]


def one(what: Work) -> Played:
    """Draw and play one case."""
    kind, seed, two, fault, rounds = what
    return play(*draw_case(kind, seed, two=two, faults=(fault,) if fault else ()), rounds=rounds)


def cases(n: int, seed: int, *, two: bool, flat: bool, rounds: int) -> list[Work]:
    """Return what to play: `n` cases of each kind, or `n` of each cause where it can be."""
    if not flat:
        return [(kind, 100_000 * seed + i, two, "", rounds) for kind in KINDS for i in range(n)]
    return [
        (kind, 100_000 * seed + i, False, name, rounds)
        for kind in KINDS
        for name, fault in FAULTS.items()
        if fault.weight[kind] > 0
        for i in range(n)
    ]


def share(found: list[Played], least: float) -> str:
    """Claims of at least so much, and how many were wrong."""
    claims = [f for f in found if f.claimed >= least]
    wrong = sum(not f.right for f in claims)
    return f"{wrong} wrong of {len(claims)} ({wrong / max(1, len(claims)):.1%})"


def report(title: str, found: list[Played]) -> tuple[float, float, float]:
    """Print what became of them; share right, and of claims of 0.9 and 0.97 that were wrong."""
    right = sum(f.right for f in found) / len(found)
    print(
        f"{title}: {len(found)} cases, right {right:.3f}, {sum(f.minutes for f in found) / len(found):.2f} min"
    )
    for kind in KINDS:
        mine = [f for f in found if f.kind == kind]
        if mine:
            print(
                f"  {kind:9} right {sum(f.right for f in mine) / len(mine):.3f}, >= 0.9: {share(mine, 0.9)}, "
                f"{sum(f.minutes for f in mine) / len(mine):.2f} min"
            )
    print(f"  claims >= 0.90: {share(found, 0.9)};  >= 0.97: {share(found, 0.97)}")
    print(f"  stops {dict(Counter(str(f.stop) for f in found))}")
    low = [f for f in found if f.p_live < 0.1 and f.live]
    lower = [f for f in found if f.p_live < 0.5 and f.live]
    print(
        f"  P(live) below 0.1 on a live output: {len(low)} of {sum(f.live for f in found)}; below 0.5: {len(lower)}"
    )

    def wrong(least: float) -> float:
        claims = [f for f in found if f.claimed >= least]
        return sum(not f.right for f in claims) / max(1, len(claims))

    return right, wrong(0.9), wrong(0.97)


def confusion(found: list[Played]) -> None:
    """Print, per cause, how often it was found and what it was taken for."""
    by_cause: dict[tuple[str, ...], list[Played]] = defaultdict(list)
    for f in found:
        by_cause[f.faults].append(f)
    for faults, mine in sorted(by_cause.items()):
        taken = Counter(f.named for f in mine if not f.right)
        print(
            f"  {'+'.join(faults):40} {sum(f.right for f in mine):4}/{len(mine):<4} {dict(taken.most_common(5))}"
        )


def main() -> int:
    """Play them, print, and return 0 when the figures are good enough."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("n", nargs="?", type=int, default=100, help="cases of each kind of reading")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--flat", action="store_true", help="each cause equally often, n of each")
    parser.add_argument("--only", choices=("single", "two"), help="only these")
    parser.add_argument(
        "--rounds", type=int, default=3, help="how often what was decided is read again at most"
    )
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--wrong", metavar="FILE", help="write wrong diagnoses, one a line")
    parser.add_argument("--confusion", action="store_true", help="what each cause was taken for")
    args = parser.parse_args()
    good = True
    everything: list[Played] = []
    with ProcessPoolExecutor(args.jobs) as pool:
        for two in (False, True):
            if args.only == ("single" if two else "two") or (two and args.flat):
                continue
            work = cases(args.n, args.seed, two=two, flat=args.flat, rounds=args.rounds)
            found = list(pool.map(one, work, chunksize=5))
            everything += found
            right, nine, sure = report("two faults" if two else "single faults", found)
            if args.confusion:
                confusion(found)
            good &= right >= (0.9 if two else 0.93) and nine <= 0.04 and (two or sure <= 0.015)
            good &= not any(f.live and f.p_live < 0.1 for f in found)
    if args.wrong:
        with open(args.wrong, "w", encoding="utf-8") as file:
            for f in everything:
                if not f.right:
                    print(*f.faults, "->", f.named, f"{f.claimed:.3f}", f.kind, f.stop, f.path, file=file)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
