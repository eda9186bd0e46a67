"""A desk for recalls: two meters whose tags begin alike, a scope, two check standards."""

from __future__ import annotations

from pathlib import Path

from helpers.desk import Desk

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
[[standard]]
tag = "CS-9"
value = "9.000 V dc"
uncertainty = "0.05 %"
"""
SUPPLY = ("supply", "--nameplate", "24 V ac 40 VA", "--mains", "231.0 V", "--mains-nominal", "230 V", "--mains-accuracy", "0.1 %")  # fmt: skip


def recall_desk(folder: Path) -> Desk:
    """Commands are run in `folder`."""
    return Desk(folder, BENCH)
