"""Does the diagnosis find what is wrong on a bench it knows nothing of?

Causes are injected into the simulated bench's circuit, leads and meters; readings come from its displays, taken by
its simulated person; the engine only sees what would be typed. Run it by hand::

    python tests/performance/diagnosis_population.py 1000

Left out: what can't show at 50 Hz on a sine (an average-responding meter, a blown current fuse, a filter far above
the mains, contact resistance on volts, a DC part beside the AC) and what is a scope's own.
"""

from __future__ import annotations

import argparse
import json
import math
import random
import sys
from collections import Counter
from dataclasses import dataclass

from benchlog.clock import ManualClock
from benchlog.diagnosis import Case, Session, parse_evidence
from benchlog.diagnosis.catalogue import load_catalogue
from benchlog.units import parse_quantity
from benchlog_drivers.simbench.bench import SimulatedBench
from benchlog_drivers.simbench.person import Person

LEFT_OUT = {
    "all_good",
    "average_responding",
    "current_fuse_blown",
    "outside_bandwidth",
    "contact_resistance",
    "ac_of_ac_plus_dc",
    "probe_setting",
    "scope_coupling",
    "input_loading",
}
EXPECTED_V = 24.0 * 1.13
MOST_CHECKS = 10
SPREAD = 2.2  # weights are drawn this factor up or down, so that the engine's priors are not the truth


@dataclass(frozen=True)
class Outcome:
    """One fault and how its diagnosis ended."""

    cause: str
    named: str
    claimed: float
    minutes: float
    stop: str | None
    live: bool
    least_p_live: float
    path: tuple[tuple[str, str], ...]

    @property
    def right(self) -> bool:
        """Whether the cause was named."""
        return self.cause == self.named


def is_live(bench: SimulatedBench) -> bool:
    """Whether there is voltage across the output, with the mains as found."""
    part = bench.transformer
    return bench.scene.mains.outlet_live and not part.open_primary and not part.open_output


def one_fault(cause: str, case: int, rng: random.Random) -> Outcome | None:
    """Inject a cause, diagnose it; None when the first reading would not have looked wrong."""
    bench = SimulatedBench(seed=case, clock=ManualClock(1_700_000_000_000_000_000))
    factor = rng.choice([0.5, 0.354, 0.37, 0.707, 0.75, 1.41, 2.0]) if cause == "expectation_wrong" else 1.0
    expected = EXPECTED_V / factor
    agrees = cause != "expectation_wrong" or rng.random() > 0.9
    bench.set_function("MA-01", "V~")
    bench.fault(cause, case=case)
    person = Person(bench, "MA-01", plan_agrees=agrees)
    first = person.read()
    if first != "OL":
        shown = parse_quantity(first)
        if shown.unit == "V" and abs(shown.value - expected) <= 0.06 * expected:
            return None
    live = is_live(bench)
    session = Session(Case.from_text(f"{expected:.4g} V ac", first, mains_nominal="230 V ac"))
    path: list[tuple[str, str]] = []
    minutes, least = 0.0, 1.0
    while True:
        state = session.state()
        least = min(least, state.p_live)
        if state.stop or len(path) >= MOST_CHECKS:
            break
        check = state.next[0]
        minutes += check.minutes
        outcome = person.act(check.action)
        path.append((check.action, outcome))
        session.update(parse_evidence(path[-1]))
    top = state.causes[0]
    return Outcome(cause, top.id, top.probability, minutes, state.stop, live, least, ((first, ""), *path))


def population(n: int, seed: int) -> list[Outcome]:
    """Diagnose `n` faults whose first reading looks wrong."""
    rng = random.Random(seed)
    weights = {name: w for name, w in load_catalogue().weights("ac_volts").items() if name not in LEFT_OUT}
    found: list[Outcome] = []
    case = 1000 * seed
    while len(found) < n:
        case += 1
        shifted = [w * SPREAD ** rng.choice([-1, 0, 1]) for w in weights.values()]
        outcome = one_fault(rng.choices(list(weights), shifted)[0], case, rng)
        if outcome is not None:
            found.append(outcome)
    return found


def binomial_tail(right: int, claims: int, p: float) -> float:
    """Chance of at most `right` hits in `claims` trials of probability `p`."""
    return sum(math.comb(claims, k) * p**k * (1 - p) ** (claims - k) for k in range(right + 1))


def confusion(outcomes: list[Outcome]) -> str:
    """Table of causes with what was named instead, as Markdown."""
    lines = ["| cause | n | right | minutes | taken for |", "|---|---|---|---|---|"]
    for cause in sorted({o.cause for o in outcomes}):
        mine = [o for o in outcomes if o.cause == cause]
        wrong = Counter(o.named for o in mine if not o.right)
        taken = ", ".join(f"{name} {count}" for name, count in wrong.most_common())
        mean = sum(o.minutes for o in mine) / len(mine)
        lines.append(f"| {cause} | {len(mine)} | {sum(o.right for o in mine)} | {mean:.1f} | {taken} |")
    return "\n".join(lines)


def main() -> int:
    """Run a population, print the table, return 0 when all thresholds hold."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("n", nargs="?", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--wrong", metavar="FILE", help="write the paths of wrong diagnoses, one JSON line each"
    )
    args = parser.parse_args()
    outcomes = population(args.n, args.seed)
    right = sum(o.right for o in outcomes) / len(outcomes)
    minutes = sum(o.minutes for o in outcomes) / len(outcomes)
    sure = [o for o in outcomes if o.claimed >= 0.97]
    tail = binomial_tail(sum(o.right for o in sure), len(sure), 0.97)
    dead = [o for o in outcomes if o.least_p_live < 0.02]
    wrongly_dead = sum(o.live for o in dead)
    print(confusion(outcomes))
    print()
    print(f"right cause          {right:.3f}  (at least 0.88)")
    print(f"mean bench time      {minutes:.2f} min  (at most 2.2)")
    print(
        f"claims of 0.97       {sum(o.right for o in sure)} right of {len(sure)}, chance if 97 % right {tail:.3f}  (at least 0.01)"
    )
    print(f"claimed dead         {len(dead)}, of these live {wrongly_dead}  (none)")
    print(f"stops                {dict(Counter(str(o.stop) for o in outcomes))}")
    if args.wrong:
        with open(args.wrong, "w", encoding="utf-8") as file:
            for o in outcomes:
                if not o.right:
                    file.write(json.dumps([o.cause, o.named, round(o.claimed, 3), o.stop, o.path]) + "\n")
    return 0 if right >= 0.88 and minutes <= 2.2 and tail >= 0.01 and wrongly_dead == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
