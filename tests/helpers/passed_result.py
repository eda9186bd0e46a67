"""A result that passed four-wire, and the time at which a page about it is made."""

from __future__ import annotations

from benchlog.result import Limits, Result, Uncertain, Verdict

NOW = 1_800_000_100_000_000_000
PASSED = Result(
    check="continuity",
    verdict=Verdict.PASS,
    reason="it is in",
    part="L1",
    quantities={"resistance": Uncertain(0.2, 0.001, 0.002, "ohm")},
    limits={"resistance": Limits(0.1, 0.3, "ohm", "plan")},
    instruments=("MA-01",),
    hookup="four-wire",
)
