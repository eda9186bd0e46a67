"""Make the two-channel captures of this folder on the simulated bench: python sample_captures/make_captures.py

Same seed, same files. Each is taken over the link by the adapter that reads hardware, with ranges filled by the
guided run's own search. Written beside the captures: `captures.truth.json`, what is really on the bench.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

from benchlog.bench import read_bench
from benchlog.capture import Capture
from benchlog.capture_files import save_capture
from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.guide.acquisition import Acquisition
from benchlog.guide.person import Person, Prompt
from benchlog.guide.scope_ranges import capture_in_range, driven
from benchlog.simulation import served_as_sim, simulated_bench

HERE = Path(__file__).parent
SEED = 2
DAY = "2026-03-02T09:00:00Z"
FREQUENCY_HZ, LEVEL_VPP = 5e3, 10.0
SAMPLES, CYCLES = 2500, 50.0
#: Name, winding, its true turns, divider used, ending of the files.
CORES = (
    ("ct1_60_turns", "CT1", 60, False, "csv"),
    ("ct2_100_turns", "CT2", 100, False, "csv"),
    ("ct2_101_turns", "CT2", 101, False, "csv"),
    ("ct1_60_turns_divider", "CT1", 60, True, "npz"),
    ("ct2_100_turns_divider", "CT2", 100, True, "npz"),
    ("ct2_101_turns_divider", "CT2", 101, True, "npz"),
)


class Nobody(Person):
    """Nothing is asked while captures are taken."""

    def answer(self, prompt: Prompt) -> str:
        """Refuse."""
        raise AssertionError(prompt.text)

    def show(self, text: str = "", *, style: str = "") -> None:
        """Say nothing."""


def make(folder: Path = HERE) -> dict[str, dict[str, object]]:
    """Write all captures and their truth into a folder; returns the truth by file name."""
    truth: dict[str, dict[str, object]] = {}
    clock = ManualClock(parse_rfc3339(DAY))
    bench = simulated_bench(SEED, clock)
    with tempfile.TemporaryDirectory() as scratch, bench, served_as_sim(bench):
        bench_file = Path(scratch) / "bench.toml"
        bench_file.write_text(bench.bench_toml(), encoding="utf-8")
        with Acquisition(read_bench(bench_file), Nobody(), clock) as hands:
            for name, winding, turns, divided, ending in CORES:
                bench.rewind(winding, turns)
                for swapped in (False, True):
                    bench.hookups.ratio(winding, divided=divided, swapped=swapped)
                    with driven(hands, "SG-04", FREQUENCY_HZ, LEVEL_VPP):
                        capture = _take(hands, one_range=divided)
                    path = folder / f"{name}{'_swapped' if swapped else ''}.{ending}"
                    save_capture(capture, path)
                    truth[path.name] = _truth(bench, winding, turns, divided, swapped)
    (folder / "captures.truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def _take(hands: Acquisition, *, one_range: bool) -> Capture:
    return capture_in_range(
        hands,
        "SC-03",
        ("CH1", "CH2"),
        FREQUENCY_HZ,
        one_range=one_range,
        cycles=CYCLES,
        samples=SAMPLES,
    )


def _truth(bench: object, winding: str, turns: int, divided: bool, swapped: bool) -> dict[str, object]:
    scene = bench.scene  # type: ignore[attr-defined]
    core = scene.parts[{"CT1": "K1", "CT2": "K2"}[winding]]
    wound = core.windings[winding]
    scope = bench.scope  # type: ignore[attr-defined]
    known: dict[str, object] = {
        "turns": turns,
        "loop_turns": 1,
        "on_winding": "CH1" if swapped else "CH2",
        "frequency_hz": FREQUENCY_HZ,
        "al_h": core.al_h,
        "winding_ohm": wound.ohm,
        "leakage_h": wound.leakage_h,
        "gain_error": {name: scope.gain(name) for name in scope.channels},
    }
    if divided:
        divider = scene.parts[bench.hookups.divider(winding)]  # type: ignore[attr-defined]
        known["divider"] = bench.hookups.divider_ratio(winding)  # type: ignore[attr-defined]
        known["divider_true"] = (divider.upper_ohm + divider.lower_ohm) / divider.lower_ohm
    return known


if __name__ == "__main__":
    made = make(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
    print("\n".join(made))
