"""A small project that a scripted person is guided through: volts, a current, volts again, then a box to be closed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from helpers.plan_text import hold, part, plan_text, reading_check
from helpers.planned_project import PlannedProject

from benchlog.bench import AccuracyLine, Bench, Instrument, Standard
from benchlog.guide.person import Person
from benchlog.guide.run import Guide
from benchlog.reading import Function
from benchlog.result import Result, Verdict

#: C01 of the plan; a test that needs another gives its own to `box_plan`.
BIAS = reading_check("C01", "V=", low="4.8 V", high="5.2 V", title="bias voltage")

#: What passes all three checks.
ALL = {"C01/voltage": "5.00", "C02/current": "0.500", "C03/voltage/jacks": "y", "C03/voltage": "12.0"}

#: The meter that every check uses; it is read by eye.
METER = Instrument(
    tag="MB-02",
    accuracy=(
        AccuracyLine(Function.DC_VOLTS, "0.8 % + 2"),
        AccuracyLine(Function.DC_CURRENT, "1.5 % + 3"),
        AccuracyLine(Function.OHMS, "1 % + 4"),
    ),
)


def box_plan(first: str = BIAS, *more: str) -> str:
    """The plan, with another first check or with more behind it."""
    return plan_text(
        part("T1"),
        first,
        reading_check("C02", "A=", high="0.6 A"),
        reading_check("C03", "V=", low="11 V", high="13 V", hookup="tips on the output"),
        hold("H1", "close the box", "C01", "C02", "C03"),
        *more,
        mains="230 V",
    )


_LINES = (
    AccuracyLine(Function.AC_VOLTS, "1 % + 5"),
    AccuracyLine(Function.DC_VOLTS, "0.5 % + 2"),
    AccuracyLine(Function.OHMS, "1 % + 2"),
)
#: Two meters read by eye, and a check standard.
TWO_METERS = Bench(
    [Instrument(tag="MB-02", accuracy=_LINES), Instrument(tag="MA-01", accuracy=_LINES)],
    [Standard(tag="CS-3", value="5.000 V dc", uncertainty="0.05 %")],
)


class GuidedProject(PlannedProject):
    """A project whose checks a person is guided through; `results` are those shown, in order.

    Parameters
    ----------
    folder : Path
        An empty folder.
    text : str, optional
        The plan file's text.
    bench : Bench, optional
        What is on the bench; `METER` alone where it is not given.
    """

    def __init__(self, folder: Path, text: str | None = None, bench: Bench | None = None) -> None:
        super().__init__(folder, box_plan() if text is None else text)
        self.bench = bench or Bench([METER])
        self.results: list[Result] = []

    def guide(self, person: Person, **more: Any) -> Guide:
        """A guide in the session that is open, or in a new one."""
        if not self.book.session:
            self.book.begin_session({}, resume=True)
        return Guide(
            self.plan,
            self.bench,
            self.book,
            clock=self.clock,
            person=person,
            show=self.results.append,
            **more,
        )

    def run(self, person: Person, *only: str, **more: Any) -> Verdict:
        """Do the checks that are due, or those named."""
        return self.guide(person, **more).run(only)
