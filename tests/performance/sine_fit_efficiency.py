"""How near the joint sine fit comes to the Cramer-Rao bound, and whether its intervals cover.

Run from the repository's root, a few minutes on one core::

    OPENBLAS_NUM_THREADS=1 python tests/performance/sine_fit_efficiency.py [--runs 400]

Prints root-mean-square error over the bound for the logarithm of the ratio and for the phase, in every cell of
signal-to-noise ratio by cycles in the record, and the share of stated 95.45 % intervals that hold the truth.
Every record has two channels, a third harmonic of 5 %, an offset, and random phases. Exit code 1 when a threshold
is missed: 1.05 on average, 1.15 in any cell, coverage of all cells together within 0.94 to 0.97.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from helpers.sine_bound import TwoChannelSine, log_ratio_and_phase_bound

from benchlog.metrology.budget import coverage_factor
from benchlog.signal.sine_fit import fit_sines

CELLS = [(c, 10_000) for c in (1.3, 2.7, 7.4, 50.4, 318.0, 1000.6)] + [(20_000.3, 1 << 18)]
SIGNAL_TO_NOISE_DB = (20.0, 40.0, 60.0, 80.0)


def cell(cycles: float, n: int, decibel: float, runs: int, seed: int) -> tuple[float, float, int]:
    """Efficiency of log ratio and phase, and how many of the 2 `runs` intervals held the truth."""
    rng = np.random.default_rng([seed, round(10 * cycles), round(decibel)])
    errors = np.empty((runs, 2))
    covered = 0
    for run in range(runs):
        phases, thirds = rng.uniform(-np.pi, np.pi, (2, 2)).tolist()
        record = TwoChannelSine(cycles, n, tuple(phases), tuple(thirds), signal_to_noise_db=decibel)
        fit = fit_sines(record.samples(rng), 1.0, check=False)
        got = fit.ratio(1, 0)
        off_log = np.log(got.ratio * record.amplitudes[0] / record.amplitudes[1])
        off_phase = np.radians(got.phase_deg) - (phases[1] - phases[0])
        off_phase = (off_phase + np.pi) % (2 * np.pi) - np.pi
        k = coverage_factor(got.degrees_of_freedom)
        covered += abs(off_log) <= k * got.u_ratio / got.ratio
        covered += abs(off_phase) <= k * np.radians(got.u_phase_deg)
        errors[run] = np.array([off_log, off_phase]) / log_ratio_and_phase_bound(record)
    log_ratio, phase = np.sqrt(np.mean(errors**2, axis=0))
    return float(log_ratio), float(phase), int(covered)


def main() -> int:
    """Run the grid and judge it."""
    parser = argparse.ArgumentParser(description="Efficiency and coverage of the joint sine fit.")
    parser.add_argument("--runs", type=int, default=400, help="records a cell")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print("RMS error over the Cramer-Rao bound, log ratio / phase")
    print(f"{'cycles':>9} {'samples':>8}" + "".join(f"{d:>16.0f} dB" for d in SIGNAL_TO_NOISE_DB))
    all_cells: list[float] = []
    covered = 0
    for cycles, n in CELLS:
        row = []
        for decibel in SIGNAL_TO_NOISE_DB:
            log_ratio, phase, held = cell(cycles, n, decibel, arguments.runs, arguments.seed)
            row.append(f"{log_ratio:>10.3f} / {phase:.3f}")
            all_cells += [log_ratio, phase]
            covered += held
        print(f"{cycles:>9} {n:>8}" + " ".join(row), flush=True)
    mean, worst = float(np.mean(all_cells)), max(all_cells)
    coverage = covered / (arguments.runs * len(all_cells))
    verdicts = {
        f"average {mean:.3f} (at most 1.05)": mean <= 1.05,
        f"worst cell {worst:.3f} (at most 1.15)": worst <= 1.15,
        f"coverage of 95.45 % intervals {coverage:.4f} (0.94 to 0.97)": 0.94 <= coverage <= 0.97,
    }
    for text, passed in verdicts.items():
        print(("pass  " if passed else "FAIL  ") + text)
    return 0 if all(verdicts.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
