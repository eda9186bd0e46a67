"""Meter MB-02 and its check standards: one check of a plan and one hold depend on its volts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from helpers.desk import TYPED_BENCH, Desk
from helpers.plan_text import hold, part, plan_text, reading_check, table
from helpers.planned_project import PlannedProject
from helpers.small_logbook import standard_body

from benchlog.displayed import parse_displayed
from benchlog.metrology.accuracy import parse_accuracy
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.meter_doubt import DOUBT_KINDS, Doubt, MeterDoubts

MINUTE_S = 60.0

#: Accuracies of the two typed meters, as in the desk's bench file.
SPECS = {
    ("MA-01", "V ac"): "1 % + 5",
    ("MA-01", "V dc"): "0.5 % + 2",
    ("MB-02", "V ac"): "1.2 % + 5",
    ("MB-02", "V dc"): "0.8 % + 2",
    ("MB-02", "ohm"): "1 % + 4",
}

PLAN = plan_text(
    part("T1"),
    reading_check("C02", "V=", low="4 V", high="6 V"),
    hold("H1", "open the case of T1", "C02"),
    mains="230 V",
)

#: Two standards beside the bench's CS-3 of 5 V.
MORE_STANDARDS = "\n".join(
    [
        table("standard", tag="CS-9", value="9.000 V dc", uncertainty="0.05 %", function="V="),
        table("standard", tag="CS-10", value="10.00 kohm", uncertainty="0.1 %", function="ohm"),
    ]
)


def shown(text: str, meter: str) -> MeterReading:
    """A typed display of one of the two meters."""
    return MeterReading(
        parse_displayed(text, instrument=meter), parse_accuracy(SPECS[meter, text.split(maxsplit=1)[1]])
    )


class CheckedMeter(PlannedProject):
    """A record of readings of standards by MB-02, and what it makes doubtful."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, PLAN)

    def standard(self, verdict: str, standard: str = "CS-3", function: str = "V=", **more: Any) -> int:
        """Write a reading of a standard down; a minute passes."""
        self.clock.advance(MINUTE_S)
        return self.book.append(
            "standard", standard_body("MB-02", verdict, standard=standard, function=function, **more)
        ).seq

    def doubt(self, function: str = "V=", **more: Any) -> Doubt | None:
        """What the record says of MB-02."""
        return MeterDoubts(self.book.entries(DOUBT_KINDS)).of("MB-02", function, **more)


class StandardsDesk(Desk):
    """A desk with the plan and the three standards."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, f"{TYPED_BENCH}\n{MORE_STANDARDS}\n")
        self.plan = self.write("plan.toml", PLAN)
