"""Context of the check being done, for taking and recording readings; and its outcome."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchlog.capture import Capture
from benchlog.metrology.meter_reading import MeterReading
from benchlog.project.meter_known import Known
from benchlog.reading import Function, Reading
from benchlog.result import Limits, Result


def _not_kept(reading: Reading, use: str) -> str:
    return ""


def _nothing_superseded(reference: str, reason: str) -> None:
    pass


def _no_limits(expected: str, fixed: Mapping[str, Limits]) -> None:
    pass


def _by_data_sheet(metered: MeterReading) -> MeterReading:
    return metered


def _nothing_known(tag: str, function: Function) -> tuple[Known, ...]:
    return ()


def _not_renewed(tag: str) -> None:
    pass


def _not_noted(tag: str, function: Function, cause: str) -> None:
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckContext:
    """The check being done; without a logbook nothing is recorded, known or withdrawn."""

    name: str = ""  #: Id of the check, for the keys of prompts.
    mains_referenced: bool = False  #: The node under test is connected to mains: no scope may be used.
    fed_by: str = ""  #: What feeds the points, as in `diagnosis.Case`; empty if the plan does not say.
    by_file: bool = False  #: The scope's records are files, even if it has a link.
    #: Records a reading, and what is measured, before it is confirmed as taken; returns a reference to it.
    keep: Callable[[Reading, str], str] = _not_kept
    #: Withdraws a recorded reading, by its reference, with a reason.
    supersede: Callable[[str, str], None] = _nothing_superseded
    undo: Callable[[], bool] | None = None  #: Withdraws the last result; returns whether one was withdrawn.
    #: Shows and records expectation and limits, if they depend on an earlier reading.
    fix_limits: Callable[[str, Mapping[str, Limits]], None] = _no_limits
    #: Adds the meter's known error to its reading; by default only its data sheet.
    know: Callable[[MeterReading], MeterReading] = _by_data_sheet
    #: Returns what the record knows of a meter on a function, for a diagnosis.
    recorded: Callable[[str, Function], tuple[Known, ...]] = _nothing_known
    #: Notes that a diagnosis found a meter bad on a function, and why.
    found_bad: Callable[[str, Function, str], None] = _not_noted
    renewed: Callable[[str], None] = _not_renewed  #: Notes that a meter has a new battery.


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """A result with its evidence."""

    result: Result
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = ()
