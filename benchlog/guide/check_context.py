"""What taking readings must know of the check being done, and what it hands to the record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchlog.metrology.meter_reading import MeterReading
from benchlog.reading import Function, Reading
from benchlog.result import Limits


def _not_kept(reading: Reading) -> str:
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
    """The check being done; without a logbook nothing is kept, known or withdrawn.

    Attributes
    ----------
    name : str
        Of the check, for the keys of prompts.
    mains_referenced : bool
        The node under test is on the mains: no scope goes there.
    fed_by : str
        What feeds the points, as `diagnosis.Case` has it; empty where the plan does not say.
    by_file : bool
        Records of the scope come as files, also where it has a link.
    keep : callable
        Records a reading before it is confirmed as taken; returns a reference to it.
    supersede : callable
        Withdraws a recorded reading, by its reference, with a reason.
    undo : callable, optional
        Withdraws the last result; returns whether one was withdrawn.
    fix_limits : callable
        Shows and keeps what is expected and the limits to be judged by, where they hang on something read first.
    know : callable
        Adds what is known of a meter to its reading; by default no more than its data sheet.
    recorded : callable
        Returns what the record knows of a meter on a function, in the words a diagnosis takes as context.
    found_bad : callable
        Notes that a diagnosis found a meter bad on a function, and why.
    """

    name: str = ""
    mains_referenced: bool = False
    fed_by: str = ""
    by_file: bool = False
    keep: Callable[[Reading], str] = _not_kept
    supersede: Callable[[str, str], None] = _nothing_superseded
    undo: Callable[[], bool] | None = None
    fix_limits: Callable[[str, Mapping[str, Limits]], None] = _no_limits
    know: Callable[[MeterReading], MeterReading] = _by_data_sheet
    recorded: Callable[[str, Function], tuple[str, ...]] = _nothing_known
    found_bad: Callable[[str, Function, str], None] = _not_noted
