"""Make labels_only.logbook: results whose budgets have labels only, as benchlog wrote them before lines had fields.

Run once, with such a benchlog; the file is kept and read by tests. Two ratios by scope SC-03 through a divider, one of them
swapped, two supplies, one with a load, a recall by hand, and two readings of a check
standard.
"""

import io
import sys
from contextlib import redirect_stdout
from pathlib import Path

from benchlog.cli import build_parser
from benchlog.cli.context import run_command
from benchlog.clock import ManualClock, parse_rfc3339
from benchlog.result import BudgetLine

HERE = Path(__file__).parent
CAPTURES = HERE.parents[1] / "sample_captures"
BENCH = """
[[instrument]]
tag = "SC-03"
kind = "scope"

[[instrument]]
tag = "MA-1"
accuracy = [{ function = "V~", statement = "1 % + 5" }, { function = "V=", statement = "0.5 % + 2" }]

[[instrument]]
tag = "MA-10"
accuracy = [{ function = "V~", statement = "1 % + 5" }, { function = "V=", statement = "0.5 % + 2" }]

[[standard]]
tag = "CS-3"
value = "5.000 V dc"
uncertainty = "0.05 %"
"""
SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", "--mains", "231 V", "--mains-nominal", "230 V")
RATIO = ("ratio", "--primary", "CH2", "--secondary", "CH1", "--expect", "60", "--divider", "60:1")
COMMANDS = (
    ("standard", "MA-1", "CS-3", "5.03 V dc"),
    ("standard", "MA-10", "CS-3", "5.00 V dc"),
    (*RATIO, "--gain-accuracy", "0.2 %", "--part", "CT1", "--capture", "ct1_60_turns_divider.npz"),
    (*RATIO, "--part", "CT2", "--capture", "ct1_60_turns_divider.npz", "--swapped", "ct1_60_turns_divider_swapped.npz"),
    (*SUPPLY, "--meter", "MA-1", "--reading", "27.5 V ac", "--part", "T1", "--load", "15 ohm", "--loaded", "24.5 V ac"),
    (*SUPPLY, "--meter", "MA-10", "--reading", "27.5 V ac", "--part", "T2"),
    ("standard", "MA-10", "--bad", "read high once", "--function", "V~", "--error", "1 %"),
)  # fmt: skip


def main() -> None:
    """Write the file beside this script."""
    if hasattr(BudgetLine, "influence"):
        sys.exit("this benchlog writes budgets with fields")
    clock = ManualClock(parse_rfc3339("2026-03-02T09:00:00Z"))
    path, bench = HERE / "labels_only.logbook", HERE / "bench.toml"
    path.unlink(missing_ok=True)
    bench.write_text(BENCH, encoding="utf-8")
    for words in COMMANDS:
        clock.advance(3600)
        typed = [str(CAPTURES / word) if word.endswith(".npz") else word for word in words]
        args = build_parser(typed[0]).parse_args([*typed, "--logbook", str(path), "--bench", str(bench)])
        with redirect_stdout(io.StringIO()) as out:
            run_command(args, clock=clock)
        print(" ".join(words[:3]), out.getvalue().splitlines()[:3])
    bench.unlink()


if __name__ == "__main__":
    main()
