"""What taking readings must know of the check being done, what it hands to the record, and what comes out of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchlog.capture import Capture
from benchlog.metrology.meter_reading import MeterReading
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


def _nothing_known(tag: str, function: Function) -> tuple[str, ...]:
    return ()


def _not_noted(tag: str, function: Function, cause: str) -> None:
    pass


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckContext:
    """The check being done; without a logbook nothing is kept, known or withdrawn."""

    name: str = ""  #: Of the check, for the keys of prompts.
    mains_referenced: bool = False  #: The node under test is on the mains: no scope goes there.
    fed_by: str = ""  #: What feeds the points, as `diagnosis.Case` has it; empty where the plan does not say.
    by_file: bool = False  #: Records of the scope come as files, also where it has a link.
    #: Records a reading, and what is measured, before it is confirmed as taken; returns a reference to it.
    keep: Callable[[Reading, str], str] = _not_kept
    #: Withdraws a recorded reading, by its reference, with a reason.
    supersede: Callable[[str, str], None] = _nothing_superseded
    undo: Callable[[], bool] | None = None  #: Withdraws the last result; returns whether one was withdrawn.
    #: Shows and keeps what is expected and the limits to be judged by, where they hang on something read
    #: first.
    fix_limits: Callable[[str, Mapping[str, Limits]], None] = _no_limits
    #: Adds what is known of a meter to its reading; by default no more than its data sheet.
    know: Callable[[MeterReading], MeterReading] = _by_data_sheet
    #: Returns what the record knows of a meter on a function, in the words a diagnosis takes as context.
    recorded: Callable[[str, Function], tuple[str, ...]] = _nothing_known
    #: Notes that a diagnosis found a meter bad on a function, and why.
    found_bad: Callable[[str, Function, str], None] = _not_noted


@dataclass(frozen=True, slots=True)
class CheckOutcome:
    """A result with the evidence it rests on."""

    result: Result
    readings: tuple[Reading, ...] = ()
    captures: tuple[Capture, ...] = ()
